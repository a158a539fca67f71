package app

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/durable"
	"cannulary/internal/erasure"
	"cannulary/internal/eventlog"
	"cannulary/internal/keyring"
	"cannulary/internal/logfile"
	"cannulary/internal/salvage"
	"cannulary/internal/view"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// EraseOptions say whose identity to erase.
type EraseOptions struct {
	System, Value string   // an identifier of the person
	Also, Keep    []string // decisions about linked patient keys
	Reopen        bool     // let an identity be stated again, instead of erasing
	Yes           bool     // do it; else only say what would be done
}

// Erased is what an erasure did, or would do.
type Erased struct {
	Done     bool              `json:"done"`
	Patients []erasure.Patient `json:"patients"`
	Linked   []erasure.Patient `json:"linked"`
	// Readable are the entries of the log in which the person's free text stays readable.
	Readable uint64   `json:"readable"`
	Does     []string `json:"does"`    // what is done, or would be
	Remains  []string `json:"remains"` // what an erasure does not reach
	Events   uint64   `json:"events,omitempty"`
}

// Erase destroys the keys of one person in a stopped instance, builds its view again and removes what else
// was made of the old one. Without o.Yes it only looks, and changes nothing.
func Erase(ctx context.Context, cfg Config, o EraseOptions) (out *Erased, err error) {
	part := salvage.LogFolder
	if cfg.NATS != "" {
		part = salvage.ViewFolder
	}
	if err := salvage.Holds(cfg.Dir, part); err != nil {
		return nil, err
	}
	if cfg.NATS != "" {
		if cfg.Replicas, err = existing(ctx, cfg); err != nil {
			return nil, err
		}
	}
	unlock, err := LockExisting(cfg.Dir)
	if o.Yes {
		if err == nil {
			err = unlock()
		}
		var lock *os.File
		if err == nil {
			lock, err = Lock(cfg.Dir)
		}
		if lock != nil {
			unlock = lock.Close
		}
	}
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, unlock()) }()
	path := filepath.Join(cfg.Dir, erasure.FileName)
	before, err := erasure.Read(path)
	if err != nil {
		return nil, err
	}
	person, err := personOf(ctx, cfg, o)
	if err != nil {
		return nil, err
	}
	out = &Erased{Patients: person.Patients, Linked: person.Linked, Remains: []string{}}
	if o.Reopen {
		return out, out.reopen(ctx, cfg, o, path)
	}
	return out, out.erase(ctx, cfg, o, path, erasure.Last(before))
}

// personOf reads from log and keys who belongs to the identifier, and changes nothing.
func personOf(ctx context.Context, cfg Config, o EraseOptions) (*erasure.Person, error) {
	if cfg.NATS != "" {
		return externalPersonOf(ctx, cfg, o)
	}
	found, err := salvage.Look(ctx, cfg.Dir, cfg.Shard)
	if err != nil {
		return nil, err
	}
	if err := errors.Join(found.Refusal(), found.LogErr); err != nil {
		return nil, err
	}
	who, fingerprint := erasure.NewWho(), ""
	_, err = logfile.Read(filepath.Join(cfg.Dir, salvage.LogFolder), eventlog.StreamName(cfg.Shard), func(r logfile.Record) error {
		ev := &logv1.Event{}
		if err := proto.Unmarshal(r.Data, ev); err != nil {
			return nil //nolint:nilerr // the projectors set it aside
		}
		if r.Seq == 1 && len(ev.GetFacts()) == 1 {
			fingerprint = ev.GetFacts()[0].GetGenesis().GetSecretFingerprint()
		}
		who.Add(r.Seq, ev)
		return nil
	})
	if err != nil {
		return nil, err
	}
	secrets, damaged, err := keyring.Read(ctx, filepath.Join(cfg.Dir, salvage.KeyFolder), false)
	if err != nil {
		return nil, err
	}
	ring, err := keyring.Looking(secrets, damaged)
	if err != nil {
		return nil, err
	}
	if fingerprint != "" && ring.Fingerprint() != fingerprint {
		return nil, errors.New("the key store is not the one that this log was made with: restore its own from the backup")
	}
	return o.find(ctx, who, ring)
}

func (o EraseOptions) find(ctx context.Context, who *erasure.Who, ring *keyring.Ring) (*erasure.Person, error) {
	return who.Find(ring.PatientKey(o.System, o.Value), o.Also, o.Keep, func(key string) (string, error) {
		has, err := ring.Has(ctx, key)
		if err != nil || has {
			return erasure.StateKey, err
		}
		erased, err := ring.Erased(ctx, key)
		if err != nil || erased {
			return erasure.StateErased, err
		}
		return erasure.StateNone, nil
	})
}

// existing returns the replicas of a log on an external server. Without that log opening it would make one.
func existing(ctx context.Context, cfg Config) (replicas int, err error) {
	a := &App{cfg: cfg}
	js, err := a.dial()
	if err != nil {
		return 0, err
	}
	defer a.nc.Close()
	s, err := js.Stream(ctx, eventlog.StreamName(cfg.Shard))
	if err == nil {
		_, err = js.KeyValue(ctx, a.bucketName())
	}
	if err != nil {
		return 0, fmt.Errorf("the log of shard %s and its keys on %s: %w; check --nats and --shard", cfg.Shard, cfg.NATS, err)
	}
	return s.CachedInfo().Config.Replicas, nil
}

// external opens log and keys on an external server.
func external(ctx context.Context, cfg Config, do func(*App) error) error {
	a := &App{cfg: cfg}
	a.run, a.cancel = context.WithCancel(context.Background())
	defer a.Stop()
	if err := a.openLog(ctx); err != nil {
		return err
	}
	return do(a)
}

// externalPersonOf is personOf for a log on an external server.
func externalPersonOf(ctx context.Context, cfg Config, o EraseOptions) (p *erasure.Person, err error) {
	end := errors.New("the log was read")
	err = external(ctx, cfg, func(a *App) error {
		st, err := a.log.State(ctx)
		if err != nil {
			return err
		}
		who := erasure.NewWho()
		err = a.log.Read(ctx, 1, 1000, func(_ context.Context, entries []eventlog.Entry) error {
			for _, e := range entries {
				if ev := (&logv1.Event{}); proto.Unmarshal(e.Data, ev) == nil { // the projectors set others aside
					who.Add(e.Seq, ev)
				}
				if e.Seq >= st.LastSeq {
					return end
				}
			}
			return nil
		})
		if !errors.Is(err, end) {
			return err
		}
		p, err = o.find(ctx, who, a.ring)
		return err
	})
	return p, err
}

// withRing opens the key store of a locked folder, or the one on an external server, for a change.
func withRing(ctx context.Context, cfg Config, change func(*keyring.Ring) error) (err error) {
	if cfg.NATS != "" {
		return external(ctx, cfg, func(a *App) error { return change(a.ring) })
	}
	store, err := keyring.OpenFolder(ctx, filepath.Join(cfg.Dir, salvage.KeyFolder))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	ring, err := keyring.Open(ctx, store)
	if err != nil {
		return err
	}
	return change(ring)
}

func (e *Erased) reopen(ctx context.Context, cfg Config, o EraseOptions, path string) error {
	var keys []string
	for _, p := range e.Patients {
		if p.State == erasure.StateErased {
			keys = append(keys, p.Key)
		}
	}
	if len(keys) == 0 {
		return errors.New("no patient key of this person was erased; nothing was changed")
	}
	e.Does = []string{fmt.Sprintf("lets identities be stated again under %d patient keys; what was sealed before stays unreadable",
		len(keys))}
	if !o.Yes {
		return nil
	}
	if err := Leave(cfg.Dir, cfg.Now(), logv1.Action_ACTION_ERASE, "erase --reopen", keys...); err != nil {
		return err
	}
	err := withRing(ctx, cfg, func(ring *keyring.Ring) error {
		for _, k := range keys {
			if err := ring.Reopen(ctx, k); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		err = erasure.Append(path, erasure.Entry{At: cfg.Now().UTC(), What: erasure.Reopened, Keys: keys})
	}
	e.Done = err == nil
	return err
}

func (e *Erased) erase(ctx context.Context, cfg Config, o EraseOptions, path string, last map[string]string) error {
	var keys []string
	over := true // nothing is left to do
	for _, p := range e.Patients {
		keys = append(keys, p.Key)
		e.Readable += p.Readable
		over = over && p.State == erasure.StateErased && last[p.Key] != erasure.Begun
	}
	if over && len(keys) > 0 {
		return errors.New("the identity of this person was erased already; nothing was changed; to let it be stated again, give --reopen")
	}
	e.Does = []string{
		fmt.Sprintf("destroys %d patient keys in the key store, and marks them, so that no identity is taken again", len(keys)),
		"builds the view again from the log, without name, identifiers and free text of this person; removes the old view, and " +
			"views of other versions",
		"removes every bulk export in the folder: the clients begin again",
		"writes the patient keys and the time into " + erasure.FileName + ": keep a copy of that file apart, a restore needs it",
	}
	e.Remains = remains(e, cfg.NATS != "")
	if !o.Yes {
		return nil
	}
	if n := len(e.Linked); n > 0 {
		return fmt.Errorf("%d patient keys are linked with this person by a stated identifier alone, not by a merge; nothing was "+
			"changed; run the command without --yes, look at what it lists under linked, and decide about each: --also KEY erases it too, "+
			"--keep KEY leaves it", n)
	}
	if len(keys) == 0 {
		return errors.New("every patient key that is linked is to be kept: there is nothing to erase, and nothing was changed")
	}
	if err := roomToRebuild(cfg); err != nil {
		return err
	}
	note := func(what string) error {
		return erasure.Append(path, erasure.Entry{At: cfg.Now().UTC(), What: what, Keys: keys})
	}
	if err := Leave(cfg.Dir, cfg.Now(), logv1.Action_ACTION_ERASE, "erase", keys...); err != nil {
		return err
	}
	if err := note(erasure.Begun); err != nil {
		return err
	}
	err := withRing(ctx, cfg, func(ring *keyring.Ring) error {
		for _, k := range keys {
			if err := ring.Destroy(ctx, k); err != nil {
				return fmt.Errorf("destroy the key of %s: %w", k, err)
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("%w; the erasure is not complete: give the command again", err)
	}
	cfg.Slog.Info("patient keys were destroyed", "patients", keys)
	if e.Events, err = rebuildLocked(ctx, cfg); err == nil {
		err = errors.Join(removeBut(filepath.Join(cfg.Dir, salvage.ViewFolder), view.FileName()),
			removeBut(filepath.Join(cfg.Dir, "export"), ""))
	}
	if err == nil {
		err = note(erasure.Done)
	}
	if err != nil {
		return fmt.Errorf("the keys are destroyed, but the old view still holds what it opened with them: %w; give the command again, "+
			"it goes on from here", err)
	}
	e.Done = true
	return nil
}

// remains says what an erasure does not reach.
func remains(e *Erased, external bool) []string {
	out := []string{
		"what was recorded of the needles stays, under the patient key: it names nobody",
		"copies of the key store from before, in backups and in folders that were kept after a repair, open the identity again: " +
			"destroy them " +
			"and make a new backup",
		"whoever fetched or printed the identity keeps it: the EHR, bulk exports, downtime packs; a later fetch by date does not " +
			"show the " +
			"erasure",
		"the bytes of removed files may stand in free space of the disk until it is used again",
	}
	if external {
		out = append(out, "every other process of this log keeps keys in memory, and its folder may hold the person's numbers and "+
			"free text: stop it, "+
			"delete view and export in its folder, start it again",
			"the destroyed keys may stand in old files of the key bucket, wrapped with the master key: empty the nodes one after "+
				"the other and let each resync")
	}
	if e.Readable > 0 {
		out = append(out, fmt.Sprintf("%d entries of the log, written by an earlier version, hold what people wrote about this "+
			"person in their "+
			"own words, not sealed: nobody can change a log", e.Readable))
	}
	return out
}

// removeBut removes everything in a folder but one file.
func removeBut(dir, kept string) error {
	list, err := os.ReadDir(dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, f := range list {
		if f.Name() != kept {
			err = errors.Join(err, os.RemoveAll(filepath.Join(dir, f.Name())))
		}
	}
	return errors.Join(err, durable.Sync(dir))
}
