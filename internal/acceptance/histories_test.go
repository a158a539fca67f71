package acceptance_test

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"cannulary/internal/oracle/needling"
	"cannulary/internal/oracle/needling/histories"
	"cannulary/internal/record/zone"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Generated histories, interleaved in one log, are projected by the real program, which is
// killed again and again while it does so. What the view holds in the end, rows and
// resources, is what the slow reference makes of the same facts.
func TestHistoriesThroughTheStoreWithCrashesBetween(t *testing.T) {
	t.Parallel()
	wanted, kills := historySize()
	var drawn []histories.History
	var events [][]*logv1.Event
	for i := range wanted {
		r := rand.New(rand.NewPCG(7, uint64(i)))
		h := histories.Named(fmt.Sprintf("h%d", i), r.Uint64()>>2, 3+r.IntN(6), []float64{0.015, 0.04, 0.12}[i%3])
		drawn = append(drawn, h)
		events = append(events, registrationsFirst(h.Events))
	}
	dir := filepath.Join(t.TempDir(), "histories")
	i := start(t, dir)
	var posted atomic.Int64
	next := make(chan []*logv1.Event)
	var writers sync.WaitGroup
	for range 24 {
		writers.Go(func() {
			for list := range next {
				for _, e := range list {
					if _, _, err := i.app.Log().Append(patience(t), e); err != nil {
						t.Error(err)
						return
					}
					posted.Add(1)
				}
			}
		})
	}
	for _, list := range events {
		next <- list
	}
	close(next)
	writers.Wait()
	i.stop()
	if err := os.RemoveAll(filepath.Join(dir, "view")); err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(11, 11))
	for n := range kills {
		p, ready := spawn(t, dir)
		select {
		case <-ready:
		case <-time.After(time.Duration(100+r.IntN(600)) * time.Millisecond):
		case <-p.exited:
			t.Fatalf("kill %d: it ended by itself: %s", n, p.log)
		}
		time.Sleep(time.Duration(r.IntN(300)) * time.Millisecond)
		p.end(syscall.SIGKILL)
	}
	i = start(t, dir)
	i.settle()
	i.stop()
	if q := query(t, dir, all["quarantine"]); len(q) > 0 {
		t.Fatalf("set aside: %v", q)
	}
	t.Logf("%d corrections and voids change nothing", checkReach(t, dir))
	days := query(t, dir, `SELECT id, day FROM facility`)
	tracks, holds := query(t, dir, all["track"]), query(t, dir, `SELECT id, facility, rule, count FROM hold`)
	issues := query(t, dir, `SELECT id, body FROM resource WHERE type = 'DetectedIssue' AND CAST(body AS TEXT) LIKE '%"status":"final"%' AND CAST(body AS TEXT) NOT LIKE '%rule-`+rule.MergeWithoutEffect+`"%'`)
	wantTracks, wantHolds, wantIssues := map[string]string{}, map[string]string{}, map[string]bool{}
	gone := 0
	for n, h := range drawn {
		survivors := map[string]bool{}
		for _, h.Patient = range []string{h.Patient, h.Other} {
			q, err := h.Ask()
			if err != nil {
				t.Fatal(err)
			}
			if survivors[q.Survivor] || len(q.Items) == 0 {
				continue
			}
			survivors[q.Survivor] = true
			in := stored(t, n, h, q, days)
			a := needling.Fold(in, needling.None)
			left := track.Fold(track.Input{Items: q.Items, Ratings: q.Ratings, Book: q.Book, Zone: h.Zone, AsOf: in.AsOf}).Where.Left
			if left {
				gone++ // on no list of a unit, but for a bacteraemia
			}
			for _, x := range a.Tracks {
				if !left {
					wantTracks[q.Survivor+" "+x.Name] = fmt.Sprintf("%s %s %d %d %d %v %s", a.Facility, x.Stage, x.Counted, x.Needed, x.Again, len(x.Held) > 0, x.Needle)
				}
			}
			for id, x := range shownOnce(&a) {
				if !left || x.rule == rule.Bacteraemia {
					wantHolds[id] = fmt.Sprintf("%s %s %d", a.Facility, x.rule, x.count)
				}
			}
			for _, x := range a.Findings {
				wantIssues[x.ID] = true
			}
		}
	}
	got := map[string]string{}
	for k, v := range tracks {
		f := strings.SplitN(v, " ", 10) // facility, role, stage, counted, target, session, again, held, needle, why
		held := "false"
		if f[7] == "1" {
			held = "true"
		}
		got[k] = strings.Join([]string{f[0], f[2], f[3], f[4], f[6], held, f[8]}, " ")
	}
	compare(t, "track", wantTracks, got)
	compare(t, "hold", wantHolds, holds)
	var missing, extra []string
	for id := range wantIssues {
		if _, ok := issues[id]; !ok {
			missing = append(missing, id)
		}
	}
	for id, body := range issues {
		if !wantIssues[id] {
			extra = append(extra, id+" "+body)
		}
	}
	sort.Strings(extra)
	if len(missing)+len(extra) > 0 {
		t.Errorf("%d findings are no DetectedIssue, %d DetectedIssues no finding; %.2000s", len(missing), len(extra), strings.Join(extra, "\n"))
	}
	t.Logf("%d histories, %d events, %d kills: %d tracks, %d holds shown, %d findings agree; %d patients left",
		len(drawn), posted.Load(), kills, len(wantTracks), len(wantHolds), len(wantIssues), gone)
}

// heldOnce is one hold as it is shown: its rule, how many grounds are shown as it, and in how
// many treatments a needle was used under one of them at most, when last.
type heldOnce struct {
	rule        string
	count       int
	needled     int
	needledLast string
}

// shownOnce are the open holds as they are shown and counted, by the id of the oldest ground.
func shownOnce(a *needling.Answer) map[string]heldOnce {
	open := slices.DeleteFunc(slices.Clone(a.Holds), func(h needling.Hold) bool { return !h.Lifted.IsZero() })
	slices.SortFunc(open, func(x, y needling.Hold) int { return cmp.Or(x.Since.Compare(y.Since), cmp.Compare(x.ID, y.ID)) })
	out, first := map[string]heldOnce{}, map[string]string{}
	for _, h := range open {
		id := h.ID
		for _, together := range a.ShownAsOne {
			if slices.Contains(together, h.ID) {
				id = cmp.Or(first[together[0]], h.ID)
				first[together[0]] = id
			}
		}
		x := out[id]
		if h.Needled > x.needled {
			x.needled, x.needledLast = h.Needled, h.NeedledLast
		}
		out[id] = heldOnce{h.Rule, x.count + 1, x.needled, x.needledLast}
	}
	return out
}

// stored is the question that the store answers: as of the later of the moment that the newest
// fact is looked at from and the newest day where the patient then is.
func stored(t *testing.T, n int, h histories.History, q histories.Question, days rows) needling.Input {
	t.Helper()
	in := needling.Input{Items: q.Items, Ratings: q.Ratings, Book: q.Book, Zone: h.Zone}
	for k := range q.Items {
		it := &q.Items[k]
		at := it.At
		if it.Precision == cannularyv1.TimePrecision_TIME_PRECISION_DAY {
			at = zone.Midnight(at, h.Zone(it.Facility))
		}
		if !it.Void && at.After(in.AsOf) {
			in.AsOf = at
		}
	}
	for range 2 { // the new day may be that on which the patient is elsewhere
		facility := needling.Fold(in, needling.None).Facility
		if facility == "" {
			return in // nothing stands
		}
		day, err := time.ParseInLocation(time.DateOnly, days[facility], h.Zone(facility))
		if err != nil {
			t.Fatalf("history %d: facility %s has no day: %v", n, facility, err)
		}
		if day.After(in.AsOf) {
			in.AsOf = day
		}
	}
	return in
}

// registrationsFirst moves what registers facilities to the front, as ingest would ask.
func registrationsFirst(list []*logv1.Event) []*logv1.Event {
	out := slices.Clone(list)
	first := func(e *logv1.Event) int {
		for _, f := range e.GetFacts() {
			if f.GetRoster().GetFacilityRegistered() != nil {
				return 0
			}
		}
		return 1
	}
	slices.SortStableFunc(out, func(a, b *logv1.Event) int { return first(a) - first(b) })
	return out
}

func compare(t *testing.T, what string, want, got map[string]string) {
	t.Helper()
	n := 0
	for k, w := range want {
		if got[k] != w {
			if n++; n < 6 {
				t.Errorf("%s %s: stored %q, the reference says %q", what, k, got[k], w)
			}
		}
	}
	for k, g := range got {
		if _, ok := want[k]; !ok {
			if n++; n < 6 {
				t.Errorf("%s %s: stored %q, the reference knows none", what, k, g)
			}
		}
	}
	if n > 0 {
		t.Errorf("%d %ss differ", n, what)
	}
}
