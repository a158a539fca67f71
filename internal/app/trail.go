package app

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/chain"
	"cannulary/internal/eventlog"
	"cannulary/internal/facade"
	"cannulary/internal/metrics"
	"cannulary/internal/salvage"
	"cannulary/internal/trail"
	"cannulary/internal/trail/seen"
	logv1 "cannulary/proto/cannulary/log/v1"
)

// kept is the trail of an instance with what it stands on. The embedded one has a server and a folder of its own: what
// repairs, copies or fills the log touches no entry of it, and the other way round.
type kept struct {
	server *eventlog.Server // nil on an external server
	nc     *nats.Conn       // nil on an external server, whose connection is the log's
	stream *eventlog.Log
	*trail.Trail
}

// openTrail opens the trail, on an external server behind what external did. A view that is built beside another is asked by nobody.
func (a *App) openTrail(ctx context.Context) error {
	if !a.answers {
		return nil
	}
	cfg, k := a.cfg, &a.trail
	dir := filepath.Join(cfg.Dir, salvage.TrailFolder)
	if cfg.NATS == "" { // else it is open
		if err := k.openOwn(ctx, a, dir); err != nil {
			return err
		}
	}
	types := append(typeNames(), facade.AuditType)
	var err error
	k.Trail, err = trail.Open(ctx, trail.Config{Log: k.stream, Dir: dir, Types: types, Index: cfg.View, Now: cfg.Now, Slog: cfg.Slog})
	return err
}

// openOwn opens the trail's own stream. One that is damaged or cannot be opened is set aside, and a new one begins: the ward
// does not go dark for it, and no server cuts anything off what is evidence.
func (k *kept) openOwn(ctx context.Context, a *App, dir string) error {
	damages, err := salvage.TrailDamages(ctx, a.cfg.Dir, a.cfg.Shard)
	if len(damages) > 0 {
		err = fmt.Errorf("the audit trail is damaged: %s", damages[0])
	}
	if err == nil {
		err = k.openStream(ctx, a)
	}
	if err == nil || ctx.Err() != nil {
		return err
	}
	err = errors.Join(err, k.closeStream())
	aside := dir + trailAside
	for n := 2; ; n++ {
		if _, err := os.Lstat(aside); errors.Is(err, fs.ErrNotExist) {
			break
		}
		aside = fmt.Sprintf("%s%s-%d", dir, trailAside, n)
	}
	if rerr := os.Rename(dir, aside); rerr != nil {
		return fmt.Errorf("%w; the audit trail of this instance is in %s, and could not be set aside: %w", err, dir, rerr)
	}
	// What waits for a stream goes into the new one.
	err = errors.Join(err, salvage.MoveKept(aside, dir))
	a.cfg.Slog.Error("the audit trail cannot be opened: it is set aside, and a new one begins; keep the folder, runbook "+
		"CannularyTrailChanged", "err", err, "keptIn", aside)
	if again := k.openStream(ctx, a); again != nil {
		return errors.Join(again, k.closeStream(), salvage.MoveKept(dir, aside), os.RemoveAll(dir), os.Rename(aside, dir))
	}
	return nil
}

// trailAside ends the name of a folder of a trail that could not be opened.
const trailAside = "-set-aside"

// trailsAside lists the folders of trails that were set aside.
func (a *App) trailsAside() []string {
	list, err := os.ReadDir(a.cfg.Dir)
	if err != nil {
		a.cfg.Slog.Warn("the data folder cannot be read", "err", err)
	}
	var out []string
	for _, f := range list {
		if strings.HasPrefix(f.Name(), salvage.TrailFolder+trailAside) {
			out = append(out, filepath.Join(a.cfg.Dir, f.Name()))
		}
	}
	return out
}

func (k *kept) openStream(ctx context.Context, a *App) (err error) {
	if k.server, err = eventlog.StartServer(salvage.TrailStream(a.cfg.Dir), max(a.cfg.TrailMaxBytes, eventlog.DefaultTrailBytes),
		a.cfg.Slog); err != nil {
		return err
	}
	if k.nc, err = k.server.Connect(); err != nil {
		return err
	}
	if k.stream, err = eventlog.Open(ctx, k.nc, a.trailConfig()); err != nil {
		return err
	}
	st, err := k.stream.State(ctx)
	if err == nil {
		// Each entry names the one before: without the last one no further entry can be written.
		_, err = k.stream.Get(ctx, st.LastSeq)
	}
	return err
}

func (a *App) trailConfig() eventlog.Config {
	cfg := a.cfg
	return eventlog.Config{Trail: true, Shard: cfg.Shard, MaxBytes: cfg.TrailMaxBytes, Resize: resize(cfg, cfg.TrailMaxBytes),
		Replicas: cfg.Replicas, Fingerprint: a.ring.Fingerprint(), Now: cfg.Now, API: cfg.NATSAPI, Appends: true}
}

// known hears whose request it is.
func known(ctx context.Context, who *access.Principal) {
	c := seen.From(ctx)
	switch {
	case c == nil:
	case who.Person == nil:
		c.By(who.Name, "", "")
	default:
		c.By(who.Name, who.Person.System, who.Person.Value)
	}
}

func (k *kept) close() error { return errors.Join(k.Trail.Close(), k.closeStream()) }

func (k *kept) closeStream() (err error) {
	if k.nc != nil {
		k.nc.Close() // first, so that nothing waits for a server that does not answer
	}
	if k.stream != nil {
		err = k.stream.Close()
	}
	if k.server != nil {
		k.server.Stop()
	}
	k.nc, k.stream, k.server = nil, nil, nil
	return err
}

// BackupPath is where the operator's command says that it is about to copy the folder. The request's entry in the trail is all
// that it leaves.
const BackupPath = "/operator/backup"

// backup answers BackupPath. It asks who asks by itself: the door lets everybody in where there is no policy.
func backup(w http.ResponseWriter, r *http.Request) error {
	if err := answer.Allow(r, "a backup is announced with POST", http.MethodPost); err != nil {
		return err
	}
	if err := access.From(r.Context()).Ask(access.Operate); err != nil {
		return err
	}
	return answer.Value(w, r, http.StatusOK, map[string]bool{"entered": true})
}

// Leave keeps an entry of an operator's command on a stopped instance in its folder, which the caller has locked or made.
func Leave(dir string, now time.Time, action logv1.Action, command string, patients ...string) error {
	e := &logv1.Access{At: timestamppb.New(now), Principal: access.Operator().Name, Action: action, Route: "COMMAND " + command}
	for _, key := range patients {
		raw, err := hex.DecodeString(key)
		if err != nil {
			return fmt.Errorf("trail: %w", err)
		}
		e.Patients = append(e.Patients, raw)
	}
	return trail.Leave(filepath.Join(dir, salvage.TrailFolder), e)
}

// audit is the trail as the facade asks it; nil without one, and for readers of some facilities: it names patients of all.
func (s *side) audit() facade.Audit {
	if s.app.trail.Trail == nil || s.extract != nil {
		return nil
	}
	return s.app.trail.Trail
}

// trailState is how the trail is, for metrics.
func (a *App) trailState() metrics.TrailState {
	s := a.trail.State()
	out := metrics.TrailState{Bytes: s.Bytes, MaxBytes: s.MaxBytes, Kept: s.Kept, Entries: s.Entries, Findings: -1}
	if m, found := a.trail.Head(); m.Seq > 0 {
		out.Findings = chain.Broken(found)
	}
	if n := len(a.trailsAside()); n > 0 {
		out.Findings = max(out.Findings, 0) + n
	}
	return out
}

// TrailStatus is how the audit trail is.
type TrailStatus struct {
	Entries  uint64 `json:"entries"` // as far as they were followed
	Bytes    uint64 `json:"bytes"`
	MaxBytes int64  `json:"maxBytes"`
	Kept     int    `json:"kept"` // on disk, because the stream did not take them
	// Head is the trail's head, signed; noted elsewhere it shows whether an entry before it was changed since. It is
	// of the shard's trail: the text before the first colon ends with -trail.
	Head         string   `json:"head,omitempty"`
	Findings     int      `json:"chainFindings"`
	FindingTexts []string `json:"chainFindingTexts,omitempty"`
}

// trailStatus is nil without a trail.
func (a *App) trailStatus() *TrailStatus {
	if a.trail.Trail == nil {
		return nil
	}
	s := a.trail.State()
	out := &TrailStatus{Bytes: s.Bytes, MaxBytes: s.MaxBytes, Kept: s.Kept}
	m, found := a.trail.Head()
	if m.Seq > 0 {
		m.Shard += "-trail"
		m.Signature = a.ring.Sign(m.Text())
		out.Entries, out.Head, out.Findings = m.Seq, m.String(), len(found)
		for _, f := range found[:min(len(found), findingsSaid)] {
			out.FindingTexts = append(out.FindingTexts, f.String())
		}
	}
	for _, aside := range a.trailsAside() {
		out.Findings++
		out.FindingTexts = append(out.FindingTexts, "a trail that could not be opened is kept in "+filepath.Base(aside))
	}
	return out
}
