package backup

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"filippo.io/age"

	"cannulary/internal/erasure"
	"cannulary/internal/eventlog"
	"cannulary/internal/keyring"
	"cannulary/internal/logfile"
	"cannulary/internal/salvage"
)

// Options say what to copy where.
type Options struct {
	Dir, Shard string
	Running    bool   // a service has the folder open
	To         string // folder for the log's part; empty for none
	KeysTo     string // folder for the keys' part; empty for none
	// Recipients may open the keys' part; none leaves it as it is.
	Recipients []age.Recipient
	Version    string
	Now        func() time.Time
}

// Made is what a backup did.
type Made struct {
	Log  *Part `json:"log,omitempty"`
	Keys *Part `json:"keys,omitempty"`
}

// Make copies an instance. The keys come last: a key that an entry of the copied log needs is among them.
func Make(ctx context.Context, o Options) (*Made, error) {
	if err := salvage.Holds(o.Dir, salvage.LogFolder); err != nil {
		return nil, err
	}
	if o.To != "" && o.KeysTo != "" && (salvage.Within(o.To, o.KeysTo) || salvage.Within(o.KeysTo, o.To)) {
		return nil, fmt.Errorf("%s and %s are not apart: whoever has log and keys together can read identities, and a backup that "+
			"has both "+
			"undoes an erasure; name two folders, on two media", o.To, o.KeysTo)
	}
	out := &Made{}
	for _, x := range []struct {
		to, what string
		fill     func(context.Context, Options, *part) error
		said     **Part
	}{{o.To, LogPart, copyLog, &out.Log}, {o.KeysTo, KeysPart, copyKeys, &out.Keys}} {
		if x.to == "" {
			continue
		}
		if salvage.Within(x.to, o.Dir) {
			return nil, fmt.Errorf("%s lies in the folder that is copied: name a folder elsewhere, on another disk", x.to)
		}
		p, err := newPart(x.to, Part{Part: x.what, Made: o.Now().UTC(), Version: o.Version, Files: []File{}})
		if err != nil {
			return nil, err
		}
		if err = x.fill(ctx, o, p); err == nil {
			err = p.end()
		}
		if err != nil {
			return nil, errors.Join(err, p.remove())
		}
		p.said.Files = nil // a large log has thousands
		*x.said = &p.said
	}
	return out, nil
}

// addFile copies a file of the instance; one that is not there is left out.
func (p *part) addFile(from, name string) error {
	in, err := os.Open(from)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }()
	return p.add(name, func(w io.Writer) error {
		_, err := io.Copy(w, in)
		return err
	})
}

// copyLog copies how far the log was acknowledged, then the log, and looks whether the copy reaches that far.
func copyLog(ctx context.Context, o Options, p *part) error {
	for _, name := range []string{salvage.HeadFile, erasure.FileName} {
		if err := p.addFile(filepath.Join(o.Dir, name), name); err != nil {
			return err
		}
	}
	log := filepath.Join(o.Dir, salvage.LogFolder)
	files, err := logfile.Files(log, eventlog.StreamName(o.Shard))
	if err != nil {
		return err
	}
	for _, path := range files {
		if err := ctx.Err(); err != nil {
			return err
		}
		rel, err := filepath.Rel(o.Dir, path)
		if err != nil {
			return err
		}
		if err := p.addFile(path, filepath.ToSlash(rel)); err != nil {
			return err
		}
	}
	found, err := salvage.Look(ctx, p.dir, o.Shard)
	if err != nil {
		return err
	}
	problems := append(found.Problems(), found.Unread...)
	if found.LogErr != nil && len(problems) == 0 {
		problems = []string{found.LogErr.Error()}
	}
	if len(problems) > 0 {
		return fmt.Errorf("the log in %s is not whole: %s; no backup was made; look with `cannulary verify` (runbook CannularyLogDamaged)",
			log, problems[0])
	}
	p.said.Shard, p.said.LogID, p.said.Last = o.Shard, found.LogID, found.Log.Last
	if err := copyTrail(ctx, o, p); err != nil {
		return err
	}
	_, err = logfile.Read(filepath.Join(p.dir, salvage.LogFolder), eventlog.StreamName(o.Shard), func(r logfile.Record) error {
		if r.Seq == found.Log.Last {
			p.said.LastTaken = eventlog.Taken(r.Time, r.Header, found.Invented).UTC()
		}
		return nil
	})
	return err
}

// copyTrail copies the audit trail as it is. A damaged one is copied too, and named: the record is worth a backup all the
// same.
func copyTrail(ctx context.Context, o Options, p *part) error {
	files, err := salvage.TrailFiles(o.Dir, o.Shard)
	if err != nil {
		return err
	}
	for _, name := range files {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := p.addFile(filepath.Join(o.Dir, name), filepath.ToSlash(name)); err != nil {
			return err
		}
	}
	p.said.TrailDamages, err = salvage.TrailDamages(ctx, p.dir, o.Shard)
	return err
}

// keysName is the file of the keys' part, a secret a line.
const keysName = "keys.ndjson"

func copyKeys(ctx context.Context, o Options, p *part) error {
	if err := p.addFile(filepath.Join(o.Dir, erasure.FileName), erasure.FileName); err != nil {
		return err
	}
	all, damaged, err := keyring.Read(ctx, filepath.Join(o.Dir, salvage.KeyFolder), o.Running)
	if err != nil {
		return err
	}
	p.said.Secrets, p.said.Damaged, p.said.Encrypted = len(all), damaged, len(o.Recipients) > 0
	name := keysName
	if p.said.Encrypted {
		name += ".age"
	}
	return p.add(name, func(w io.Writer) error {
		to := w
		var close io.Closer
		if p.said.Encrypted {
			c, err := age.Encrypt(w, o.Recipients...)
			if err != nil {
				return err
			}
			to, close = c, c
		}
		e := json.NewEncoder(to)
		for _, s := range all {
			if err := e.Encode(s); err != nil {
				return err
			}
		}
		if close != nil {
			return close.Close()
		}
		return nil
	})
}
