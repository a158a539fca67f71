package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"strconv"
	"strings"

	"cannulary/internal/access"
	"cannulary/internal/answer"
	"cannulary/internal/door"
	"cannulary/internal/eventlog"
	"cannulary/internal/facade"
	"cannulary/internal/fault"
	"cannulary/internal/people"
	"cannulary/internal/salvage"
	"cannulary/internal/smart"
)

// The bounds of the buckets of people. A session takes about 2 kB for a day; a code 300 bytes for ever.
const (
	maxSessions = 64 << 20
	maxGlass    = 16 << 20
)

// openPeople opens what knows people. Only an instance that is read needs it, by a policy by which somebody logs in.
func (a *App) openPeople(ctx context.Context) error {
	if !a.cfg.View || a.building || a.door.Policy().People == nil {
		return nil
	}
	cfg := people.Config{Policy: a.door.Policy, Root: a.pagesRoot(), Now: a.cfg.Now, Log: a.cfg.Slog, Known: known}
	var err error
	if cfg.Sessions, err = a.shared(ctx, "people", people.KeepSessions, maxSessions); err != nil {
		return err
	}
	if cfg.Used, err = a.shared(ctx, "access", smart.KeepShared, maxShared); err != nil {
		return err
	}
	if cfg.Glass, err = a.shared(ctx, glassBucket, 0, maxGlass); err != nil {
		return err
	}
	a.people = people.New(cfg)
	return nil
}

const glassBucket = "break-glass"

// pagesRoot is the public address below which the pages stand.
func (a *App) pagesRoot() string { return strings.TrimSuffix(a.tokenBase(), facade.Path) }

// checkPeople refuses a policy whose people could not come back from their issuer.
func (a *App) checkPeople(p *access.Policy) error {
	switch {
	case p.People == nil:
		return nil
	case a.door != nil && a.people == nil:
		return errors.New("people is new in this policy, and this process was started without; restart it")
	case !a.addressed() || a.cfg.PublicBase != "" && site(a.cfg.PublicBase).Board == "":
		return fmt.Errorf("people come back from their login to the public address of the pages; give it with --public-base, ending in "+
			"%s, for instance https://record.example%s", facade.Path, facade.Path)
	}
	return people.Check(p)
}

// peopleAtDoor is nil where nobody logs in.
func (a *App) peopleAtDoor() door.People {
	if a.people == nil {
		return nil
	}
	return a.people
}

// loggedIn is who is logged in, as pages say it.
func loggedIn(ctx context.Context) string {
	who := access.From(ctx)
	if who == nil || who.Person == nil {
		return ""
	}
	return cmp.Or(who.Person.Said, who.Person.Value, who.Name)
}

func (a *App) issuerSilent() bool { return a.people != nil && a.people.Unreachable() }

func (a *App) brokenGlass(ctx context.Context) (map[string]int, error) {
	if a.people == nil {
		return nil, nil
	}
	return a.people.Unreviewed(ctx)
}

// CodesPath is where the operator has sealed codes made while the service runs.
const CodesPath = "/operator/codes"

// codes answers CodesPath. It asks who asks by itself: the door lets everybody in where there is no policy.
func (a *App) codes(w http.ResponseWriter, r *http.Request) error {
	if err := answer.Allow(r, "codes are made with POST", http.MethodPost); err != nil {
		return err
	}
	if err := access.From(r.Context()).Ask(access.Operate); err != nil {
		return err
	}
	q, err := answer.Query(r, "facility", "count")
	if err != nil {
		return err
	}
	n, err := strconv.Atoi(q["count"])
	if err != nil || n < 1 || n > people.MaxCodes || q["facility"] == "" {
		return fault.New(fault.Invalid, "facility is missing, or count is no number that can be made",
			fmt.Sprintf("give both, count from 1 to %d", people.MaxCodes))
	}
	codes, err := a.MakeCodes(r.Context(), q["facility"], n)
	if err != nil {
		return err
	}
	return answer.Value(w, r, http.StatusOK, map[string]any{"codes": codes})
}

// MakeCodes makes sealed codes for a facility on the open log. Those that the facility had count no more.
func (a *App) MakeCodes(ctx context.Context, facility string, n int) ([]string, error) {
	glass, err := a.shared(ctx, glassBucket, 0, maxGlass)
	if err != nil {
		return nil, err
	}
	return people.MakeCodes(ctx, glass, facility, n)
}

// Codes makes sealed codes in a stopped instance, or on an external log.
func Codes(ctx context.Context, cfg Config, facility string, n int) (codes []string, err error) {
	cfg.Shard, cfg.Replicas = cmp.Or(cfg.Shard, "main"), cmp.Or(cfg.Replicas, 1)
	a := &App{cfg: cfg}
	if cfg.NATS != "" {
		if _, err := a.dial(); err != nil {
			return nil, err
		}
		defer a.nc.Close()
		return a.MakeCodes(ctx, facility, n)
	}
	if err := salvage.Holds(cfg.Dir, salvage.LogFolder); err != nil {
		return nil, err
	}
	unlock, err := LockExisting(cfg.Dir)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, unlock()) }()
	if err := a.look(ctx); err != nil {
		return nil, err
	}
	if a.server, err = eventlog.StartServer(filepath.Join(cfg.Dir, salvage.LogFolder), max(cfg.LogMaxBytes, eventlog.DefaultMaxBytes),
		cfg.Slog); err != nil {
		return nil, err
	}
	defer a.server.Stop()
	if a.nc, err = a.server.Connect(); err != nil {
		return nil, err
	}
	defer a.nc.Close()
	return a.MakeCodes(ctx, facility, n)
}
