package projector

import (
	"bytes"
	"slices"
	"testing"
	"time"

	"cannulary/internal/dossier"
	"cannulary/internal/surveil"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Index: a fact that describes a thing is always found by it, one that only mentions it when it is
// the first to do so.
func TestAnEventIsFoundByWhatItDescribes(t *testing.T) {
	b := newBench(t)
	b.send(message{patient: "P-1", session: "mon", day: 1, fact: needle("A1")})
	b.send(message{patient: "P-1", session: "wed", day: 3, fact: needle("A1")})
	b.send(message{patient: "P-1", day: 4, fact: testkit.SampleOf("cannulation track_retired").GetCannulation().GetFacts()[0]})
	b.project()
	b.read(func(l view.Loader) error {
		events, err := l.Topic(dossier.TrackTopic + b.key("P-1") + "/A1")
		if err == nil && len(events) != 2 {
			t.Errorf("%d events lead to the track, want the first needle and its retirement", len(events))
		}
		return err
	})
}

// Follow: a new time zone moves the day on which the record begins, and readers see it.
func TestAnotherTimeZoneIsFollowed(t *testing.T) {
	b := newBench(t)
	b.send(message{patient: "P-1", session: "mon", day: 1, fact: needle("A1")})
	b.project()
	before := b.begins()
	b.send(message{day: 59, fact: roster("facility_registered", func(f *cannularyv1.RosterFact) {
		f.GetFacilityRegistered().TimeZone = "Pacific/Auckland"
	})})
	b.project()
	if got := b.p.Zone(testkit.Facility).String(); got != "Pacific/Auckland" {
		t.Errorf("the zone is %s", got)
	}
	// The needle went in at 12:00 UTC, which is 01:00 of the next day there.
	if after := b.begins(); after != before+1 {
		t.Errorf("the record begins on %s, before the change on %s", after, before)
	}
}

// Reach: a void that comes before what it names is listed until that has come.
func TestAVoidThatComesFirstWaits(t *testing.T) {
	b := newBench(t)
	for step, want := range []int{1, 0} {
		b.send([]message{
			{patient: "P-1", day: 2, fact: void("b-2")},
			{patient: "P-1", session: "mon", day: 1, fact: needle("A1")},
		}[step])
		b.project()
		if _, got, err := b.p.cfg.Store.Unreached(testkit.Context(t), 10); err != nil || got != want {
			t.Errorf("after message %d %d voids wait (%v), want %d", step+1, got, err, want)
		}
	}
}

// Render, judge, survey and provenance: a needle becomes a Procedure, its track is judged, the
// record of the facility begins; when it is voided, all that stays is marked and says why.
func TestANeedleAndItsVoidGoThroughEveryStage(t *testing.T) {
	b := newBench(t)
	ctx := testkit.Context(t)
	store := b.p.cfg.Store
	b.send(message{patient: "P-1", session: "mon", day: 1, fact: needle("A1")})
	b.project()
	needles := b.rows("Procedure", "insertion-sharp")
	if len(needles) != 1 || !bytes.Contains(needles[0].Body, []byte(`"status":"completed"`)) {
		t.Fatalf("%d Procedures of a needle", len(needles))
	}
	tracks, err := store.Tracks(ctx)
	if err != nil || len(tracks) != 1 || tracks[0].Track != "A1" || tracks[0].Counted != 1 {
		t.Errorf("judged tracks %+v (%v), want A1 with one session", tracks, err)
	}
	if got, want := b.begins(), surveil.DayOf(testkit.Noon().AddDate(0, 0, -59), time.UTC); got != want {
		t.Errorf("the record begins on %s, want %s", got, want)
	}
	if got := b.activities(b.node.LastSeq(t)); !slices.Equal(got, []string{"CREATE"}) {
		t.Errorf("provenance of the needle: %v", got)
	}

	b.send(message{patient: "P-1", day: 2, fact: void("b-1")})
	b.project()
	needles = b.rows("Procedure", "insertion-sharp")
	if len(needles) != 1 || !bytes.Contains(needles[0].Body, []byte(`"status":"entered-in-error"`)) {
		t.Errorf("%d Procedures of a needle, none is entered in error", len(needles))
	}
	if tracks, err := store.Tracks(ctx); err != nil || len(tracks) != 0 {
		t.Errorf("judged tracks %+v (%v), want none", tracks, err)
	}
	if got := b.begins(); got != 0 {
		t.Errorf("the record begins on %s, but no treatment is left", got)
	}
	if got := b.activities(b.node.LastSeq(t)); !slices.Contains(got, "NULLIFY") {
		t.Errorf("provenance of the void: %v", got)
	}
}

func (b *bench) read(f func(l view.Loader) error) {
	b.t.Helper()
	if err := b.p.cfg.Store.Reading(testkit.Context(b.t), func(l view.Loader, _ view.Checkpoint) error { return f(l) }); err != nil {
		b.t.Fatal(err)
	}
}

// begins is the day on which the facility's record begins, 0 where it has none.
func (b *bench) begins() (d surveil.Day) {
	b.t.Helper()
	b.read(func(l view.Loader) error {
		at, ok, err := l.FirstTreatment(testkit.Facility)
		if ok {
			d = surveil.DayOf(at, b.p.Zone(testkit.Facility))
		}
		return err
	})
	return d
}

// rows are the newest versions of a type with a code.
func (b *bench) rows(typ, code string) []view.Row {
	b.t.Helper()
	page, err := b.p.cfg.Store.Search(testkit.Context(b.t), view.Query{Type: typ, Count: 100, Filters: []view.Filter{{view.TokenIs{Param: "code", Code: code}}}})
	if err != nil {
		b.t.Fatal(err)
	}
	return page.Rows
}

// activities are what the Provenance of an entry of the log says was done.
func (b *bench) activities(seq uint64) []string {
	b.t.Helper()
	page, err := b.p.cfg.Store.Search(testkit.Context(b.t), view.Query{Type: "Provenance", Count: 100})
	if err != nil {
		b.t.Fatal(err)
	}
	var out []string
	for _, r := range page.Rows {
		for _, a := range []string{"CREATE", "UPDATE", "NULLIFY"} {
			if r.Seq == seq && bytes.Contains(r.Body, []byte(`"code":"`+a+`"`)) {
				out = append(out, a)
			}
		}
	}
	return out
}
