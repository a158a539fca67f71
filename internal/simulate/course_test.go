package simulate_test

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/simulate"
	v1 "cannulary/proto/cannulary/v1"
)

// plain is the default without what disturbs the order or the course.
func plain() simulate.Scenario {
	s := simulate.Default()
	s.Corrections, s.Merges, s.Late, s.Repeats, s.Infections, s.Trouble = false, false, false, false, false, false
	return s
}

// TestPlannedTracksAreFormedBySharpNeedlesFirst: at least six sharp sessions come before the
// first blunt needle (common practice, no source).
func TestPlannedTracksAreFormedBySharpNeedlesFirst(t *testing.T) {
	planned, sharp, blunt := map[string]time.Time{}, map[string]int{}, map[string]int{}
	s := plain()
	for _, m := range generate(t, s) {
		who := envelope(m).GetPatient().GetValue() + "/"
		facts(m, func(_ string, fact protoreflect.Message) {
			switch f := fact.Interface().(type) {
			case *v1.TrackPlanned:
				for _, p := range f.GetTracks() {
					planned[who+p.GetTrack()] = envelope(m).GetOccurredAt().AsTime()
				}
			case *v1.NeedleInserted:
				name := who + f.GetTrack()
				switch {
				case planned[name].IsZero():
				case f.GetTip() == v1.NeedleTip_NEEDLE_TIP_BLUNT:
					if blunt[name]++; blunt[name] == 1 && sharp[name] < 6 {
						t.Errorf("%s: first blunt needle after %d sharp ones", name, sharp[name])
					}
				case blunt[name] == 0:
					sharp[name]++
				default:
					t.Errorf("%s: a sharp needle after blunt ones in a plain course", name)
				}
			}
		})
	}
	early := 0
	for name, at := range planned {
		if s.Until.Sub(at) < 60*24*time.Hour {
			continue // so planned that the period ends before
		}
		if early++; blunt[name] == 0 {
			t.Errorf("%s was planned on %s and came to no blunt needle", name, at.Format(time.DateOnly))
		}
	}
	if len(planned) < 16 || early < 8 {
		t.Errorf("%d tracks planned, %d of them two months before the end", len(planned), early)
	}
	longest := 0
	for name := range blunt {
		longest = max(longest, sharp[name])
	}
	if longest < 12 {
		t.Errorf("the slowest healer had %d sharp sessions, want at least 12", longest)
	}
}

// TestCensusAgreesWithTheSessions counts again whom the sessions show (CDC NHSN form 57.503:
// each patient once over the first two working days).
func TestCensusAgreesWithTheSessions(t *testing.T) {
	s := plain()
	seen := map[string]map[string]bool{} // date → patients
	loc, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	months := 0
	for _, m := range generate(t, s) {
		facts(m, func(_ string, fact protoreflect.Message) {
			switch f := fact.Interface().(type) {
			case *v1.SessionStarted:
				day := envelope(m).GetOccurredAt().AsTime().In(loc).Format(time.DateOnly)
				if seen[day] == nil {
					seen[day] = map[string]bool{}
				}
				seen[day][envelope(m).GetPatient().GetValue()] = true
			case *v1.CensusCounted:
				months++
				all := map[string]bool{}
				for _, day := range f.GetCountedOn() {
					if len(seen[day]) == 0 {
						t.Errorf("%s: nobody was dialysed on %s", f.GetMonth(), day)
					}
					for who := range seen[day] {
						all[who] = true
					}
				}
				total := f.GetFistula() + f.GetGraft() + f.GetTunneledCatheter() + f.GetNonTunneledCatheter() + f.GetOther()
				if int(total) != len(all) {
					t.Errorf("%s: census %d, sessions show %d", f.GetMonth(), total, len(all))
				}
				if f.GetFistulaOfWhichConstantSite() == 0 || f.GetGraft() == 0 || f.GetTunneledCatheter() == 0 {
					t.Errorf("%s: a kind of access is missing: %v", f.GetMonth(), f)
				}
			}
		})
	}
	if months != s.Months {
		t.Errorf("%d months counted, want %d", months, s.Months)
	}
}

// contents is the multiset of messages; bare leaves their ids out.
func contents(t *testing.T, msgs []*v1.FeedRequest, bare bool) map[string]int {
	t.Helper()
	all := map[string]int{}
	for _, m := range msgs {
		if bare {
			m = proto.Clone(m).(*v1.FeedRequest)
			envelope(m).SourceMessageId = "x"
		}
		b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		all[string(b)]++
	}
	return all
}

// TestLatenessChangesTheOrderOnly and, with it, repeats add only what was sent already.
func TestLatenessChangesTheOrderOnly(t *testing.T) {
	s := small()
	on := contents(t, generate(t, s), false)
	s.Late = false
	off := contents(t, generate(t, s), false)
	if len(on) != len(off) {
		t.Errorf("%d different messages with late arrivals, %d without", len(on), len(off))
	}
	s.Repeats = false
	once := contents(t, generate(t, s), false)
	for m := range off {
		if once[m] != 1 {
			t.Fatal("a repeated message differs from those sent once")
		}
	}
}

func TestSwitches(t *testing.T) {
	base := simulate.Default()
	base.Months = 4
	all := generate(t, base)
	whole := contents(t, all, true)
	for name, c := range map[string]struct {
		off   func(*simulate.Scenario)
		kinds []string
		same  float64 // share of the messages that stay as they are
	}{
		"Corrections": {func(s *simulate.Scenario) { s.Corrections = false },
			[]string{"roster.fact_corrected", "cannulation.fact_corrected", "assessment.fact_voided", "cannulation.session_voided"}, 0.98},
		"Merges": {func(s *simulate.Scenario) { s.Merges = false }, []string{"roster.patients_merged", "roster.merge_reversed"}, 0.98},
		"Infections": {func(s *simulate.Scenario) { s.Infections = false },
			[]string{"surveillance.culture_resulted", "surveillance.antimicrobial_started", "surveillance.site_signs_seen"}, 0.9},
		"Trouble": {func(s *simulate.Scenario) { s.Trouble = false },
			[]string{"cannulation.complication_seen", "cannulation.track_retired", "cannulation.hold_placed"}, 0.8},
	} {
		s := base
		c.off(&s)
		msgs := generate(t, s)
		for _, m := range msgs {
			facts(m, func(kind string, _ protoreflect.Message) {
				for _, k := range c.kinds {
					if k == kind {
						t.Errorf("%s off: %s in %s", name, kind, envelope(m).GetSourceMessageId())
					}
				}
			})
		}
		kept := 0
		for m := range contents(t, msgs, true) {
			if whole[m] > 0 {
				kept++
			}
		}
		share := float64(kept) / float64(len(whole))
		t.Logf("%s off: %.1f%% of the messages stay", name, share*100)
		if share < c.same || share == 1 {
			t.Errorf("%s off: %.3f of the messages stay, want at least %.2f and not all", name, share, c.same)
		}
	}
}

// TestOutbreak: the factor adds infections in the last quarter and none before.
func TestOutbreak(t *testing.T) {
	s := simulate.Default()
	quarter := time.Date(2026, time.August, 1, 0, 0, 0, 0, time.UTC)
	count := func(factor float64) (before, after int) {
		s.OutbreakFactor = factor
		seen := map[string]bool{}
		for _, m := range generate(t, s) {
			e := envelope(m)
			facts(m, func(_ string, fact protoreflect.Message) {
				positive := false
				at := e.GetOccurredAt().AsTime()
				switch f := fact.Interface().(type) {
				case *v1.CultureResulted:
					positive = f.GetGrowth() == v1.CultureGrowth_CULTURE_GROWTH_POSITIVE &&
						f.GetSpecimen() == v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD
					at = f.GetCollectedAt().AsTime()
				case *v1.SiteSignsSeen:
					positive = true
				}
				id := fmt.Sprint(e.GetSourceMessageId())
				if positive && !seen[id] {
					seen[id] = true
					if at.Before(quarter) {
						before++
					} else {
						after++
					}
				}
			})
		}
		return before, after
	}
	calmBefore, calmAfter := count(1)
	before, after := count(15)
	t.Logf("infections before and in the last quarter: %d, %d; with factor 15: %d, %d", calmBefore, calmAfter, before, after)
	if before != calmBefore {
		t.Errorf("%d infections before the outbreak, %d without one", before, calmBefore)
	}
	if after < calmAfter+8 {
		t.Errorf("%d infections in the last quarter, %d without an outbreak", after, calmAfter)
	}
}
