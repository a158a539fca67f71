package backup

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"filippo.io/age"

	"cannulary/internal/erasure"
	"cannulary/internal/keyring"
	"cannulary/internal/salvage"
)

// RestoreOptions say what to restore where.
type RestoreOptions struct {
	From, KeysFrom string
	Dir            string         // an empty folder, which the caller has locked
	Identities     []age.Identity // open an encrypted keys' part
	Erasures       string         // a newer list of erasures; empty for none
	Now            func() time.Time
}

// Restored is what a restore did.
type Restored struct {
	Entries uint64 `json:"entries"`
	Last    uint64 `json:"last"`
	Secrets int    `json:"secrets"`
	// Erased are the patient keys that were destroyed again, because they were erased once.
	Erased []string `json:"erased"`
	Notes  []string `json:"notes"` // what is to be known and done
}

// Restore fills a folder from both parts of a backup, repeats the erasures that are known, and looks at the
// result as `verify` does before it returns. On an error nothing is left in the folder.
func Restore(ctx context.Context, o RestoreOptions) (out *Restored, err error) {
	log, err := readPart(o.From, LogPart)
	if err != nil {
		return nil, err
	}
	secrets, err := Secrets(o.KeysFrom, o.Identities)
	if err != nil {
		return nil, err
	}
	finished, err := salvage.Fill(o.Dir, salvage.ByRestore)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			for _, name := range []string{salvage.LogFolder, salvage.KeyFolder, salvage.TrailFolder, salvage.HeadFile, erasure.FileName,
				salvage.Unfinished} {
				err = errors.Join(err, os.RemoveAll(filepath.Join(o.Dir, name)))
			}
		}
	}()
	var erasures []erasure.Entry
	err = log.each(o.From, func(f File, r io.Reader) error {
		if f.Name == erasure.FileName {
			return nil // merged below
		}
		_, _, err := writeFile(filepath.Join(o.Dir, filepath.FromSlash(f.Name)), func(w io.Writer) error {
			_, err := io.Copy(w, r)
			return err
		})
		return err
	})
	if err != nil {
		return nil, err
	}
	if err := keyring.Write(ctx, filepath.Join(o.Dir, salvage.KeyFolder), secrets); err != nil {
		return nil, err
	}
	if o.Erasures != "" {
		if _, err := os.Stat(o.Erasures); err != nil {
			return nil, fmt.Errorf("the list of erasures: %w; check --erasures", err)
		}
	}
	for _, path := range []string{filepath.Join(o.From, erasure.FileName), filepath.Join(o.KeysFrom, erasure.FileName), o.Erasures} {
		list, err := erasure.Read(path)
		if err != nil {
			return nil, err
		}
		erasures = append(erasures, list...)
	}
	out = &Restored{Secrets: len(secrets), Erased: []string{}, Notes: []string{}}
	if out.Erased, err = o.eraseAgain(ctx, erasures); err != nil {
		return nil, err
	}
	r, err := salvage.Verify(ctx, o.Dir, log.Shard)
	if err != nil {
		return nil, err
	}
	if !r.Record {
		return nil, fmt.Errorf("what was restored is not whole: %s; take another backup", strings.Join(r.Damages, "; "))
	}
	out.Entries, out.Last = r.Entries, r.Last
	out.Notes = append(out.Notes, notes(log, o.Erasures == "")...)
	if t := r.Trail; t != nil && len(t.Damages) > 0 {
		out.Notes = append(out.Notes, "the audit trail is damaged, as the backup found it: the first start sets it aside and begins a "+
			"new one")
	}
	return out, finished()
}

// Secrets reads the keys' part of a backup. identities open an encrypted one.
func Secrets(dir string, identities []age.Identity) (all []keyring.Secret, err error) {
	p, err := readPart(dir, KeysPart)
	if err != nil {
		return nil, err
	}
	if p.Encrypted && len(identities) == 0 {
		return nil, fmt.Errorf("the keys in %s are encrypted; give --passphrase-file or --identity-file", dir)
	}
	err = p.each(dir, func(f File, r io.Reader) error {
		if !strings.HasPrefix(f.Name, keysName) {
			return nil
		}
		path := filepath.Join(dir, f.Name)
		if p.Encrypted {
			if r, err = age.Decrypt(r, identities...); err != nil {
				return fmt.Errorf("open %s: %w; is this the passphrase or the identity that it was made for?", path, err)
			}
		}
		for d := json.NewDecoder(r); ; {
			var s keyring.Secret
			switch err := d.Decode(&s); {
			case errors.Is(err, io.EOF):
				return nil
			case err != nil:
				return fmt.Errorf("read %s: %w; the backup is damaged, take another one", path, err)
			}
			all = append(all, s)
		}
	})
	if err == nil && len(all) != p.Secrets {
		err = fmt.Errorf("%s has %d secrets, not %d: the backup is damaged; take another one", dir, len(all), p.Secrets)
	}
	return all, err
}

// eraseAgain destroys every key that was erased once and not reopened, and writes down the whole list.
func (o *RestoreOptions) eraseAgain(ctx context.Context, list []erasure.Entry) (again []string, err error) {
	slices.SortStableFunc(list, func(a, b erasure.Entry) int { return cmp.Or(a.At.Compare(b.At), slices.Compare(a.Keys, b.Keys)) })
	list = slices.CompactFunc(list, func(a, b erasure.Entry) bool {
		return a.At.Equal(b.At) && a.What == b.What && slices.Equal(a.Keys, b.Keys)
	})
	again = []string{}
	for key, what := range erasure.Last(list) {
		if what != erasure.Reopened {
			again = append(again, key)
		}
	}
	if len(list) == 0 {
		return again, nil
	}
	slices.Sort(again)
	store, err := keyring.OpenFolder(ctx, filepath.Join(o.Dir, salvage.KeyFolder))
	if err != nil {
		return nil, err
	}
	ring, err := keyring.Open(ctx, store)
	if err != nil {
		return nil, errors.Join(err, store.Close())
	}
	defer func() { err = errors.Join(err, ring.Close()) }()
	for _, key := range again {
		if err := ring.Destroy(ctx, key); err != nil {
			return nil, err
		}
	}
	for _, e := range append(list, erasure.Entry{At: o.Now().UTC(), What: erasure.Done, Keys: again}) {
		if err := erasure.Append(filepath.Join(o.Dir, erasure.FileName), e); err != nil {
			return nil, err
		}
	}
	return again, nil
}

// notes says what a restore cannot bring back.
func notes(log *Part, noList bool) []string {
	out := []string{
		fmt.Sprintf("whatever was acknowledged after entry %d is not here, and its numbers are given again: the token %s:%d and "+
			"later ones "+
			"of before mean nothing any more", log.Last, log.Shard, log.Last+1),
		fmt.Sprintf("have the senders send everything again since %s, better a day earlier: what is here is recognised as a "+
			"duplicate, what was "+
			"lost is taken again", log.LastTaken.Format(time.RFC3339)),
		"whoever reads FHIR by date or token begins again: what it fetched after that moment may be other than what is here",
	}
	out = append(out, "sealed codes are in no backup: make new ones, command codes, if people log in here")
	if noList {
		out = append(out, "erasures after the backup are not repeated: no newer "+erasure.FileName+" was given with --erasures")
	}
	return out
}
