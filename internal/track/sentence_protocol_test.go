package track_test

import (
	"fmt"
	"sort"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/track/rule"
	v1 "cannulary/proto/cannulary/v1"
)

// outcome is what a story comes to: findings that stand, and what the track is and needs.
func (s *story) outcome(day int) string {
	j := s.judge(day)
	found := map[string]bool{}
	for _, f := range j.Standing() {
		found[f.Rule+" "+string(f.Severity)] = true
	}
	var list []string
	for f := range found {
		list = append(list, f)
	}
	sort.Strings(list)
	st := s.on(day)
	return strings.TrimPrefix(fmt.Sprintf("%s; %s, %d of %d, %s", strings.Join(list, ", "), st.Stage, st.Counted, st.Target+len(st.Extras),
		st.Next.Needle), "; ")
}

// TestEveryParameterChangesWhatItSays tells, of each parameter of a protocol, one story by
// the defaults and again by a protocol that sets it: the judgement differs. The basis of each
// default stands beside it in the message and in package rule.
func TestEveryParameterChangesWhatItSays(t *testing.T) {
	spot := func(n *v1.NeedleInserted) { n.SameSpot = v1.Answer_ANSWER_NO }
	path := func(n *v1.NeedleInserted) { n.NewPath = v1.Answer_ANSWER_YES }
	hard := func(n *v1.NeedleInserted) { n.Passes = one(uint32(2)) }
	reason := because(v1.RescueReason_RESCUE_REASON_BLUNT_WOULD_NOT_PASS)
	steps := func(from, to float64) []float64 { // twelve values in even steps
		var out []float64
		for i := range 12 {
			out = append(out, from+(to-from)*float64(i)/11)
		}
		return out
	}
	told := map[string]bool{}
	for _, c := range []struct {
		field    string
		set      *v1.Protocol
		told     func(s *story)
		day      int
		defaults string
		changed  string
	}{
		// Common practice, no source: six sharp sessions.
		{"forming_sessions_target", &v1.Protocol{FormingSessionsTarget: one(uint32(7))}, func(s *story) { s.ready() }, 11,
			"ready, 6 of 6, blunt", "forming, 6 of 7, sharp"},
		// Common practice, no source: pegs are a unit's choice.
		{"uses_pegs", &v1.Protocol{UsesPegs: one(true)}, func(s *story) { s.made().planned(0).sharps(1, 2) }, 3, "forming, 2 of 6, sharp",
			"peg-missing caution; forming, 2 of 7, sharp"},
		// Common practice, no source: 60 to 80 mm; from memory: 50 mm.
		{"tip_distance_min_millimetres", &v1.Protocol{TipDistanceMinMillimetres: one(uint32(66))}, func(s *story) { s.plan(0, tips(65)) },
			1, "planned, 0 of 6, sharp", "spacing-short caution; planned, 0 of 6, sharp"},
		{"tip_distance_max_millimetres", &v1.Protocol{TipDistanceMaxMillimetres: one(uint32(81))}, func(s *story) { s.plan(0, tips(81)) },
			1, "spacing-long caution; planned, 0 of 6, sharp", "planned, 0 of 6, sharp"},
		{"tip_distance_stop_millimetres", &v1.Protocol{TipDistanceStopMillimetres: one(uint32(49))}, func(s *story) { s.plan(0, tips(49)) },
			1, "spacing-short stop; planned, 0 of 6, none", "spacing-short caution; planned, 0 of 6, sharp"},
		// From memory, 38 to 50 mm.
		{"anastomosis_distance_min_millimetres", &v1.Protocol{AnastomosisDistanceMinMillimetres: one(uint32(39))},
			func(s *story) { s.plan(0, siteOf(38)) }, 1, "planned, 0 of 6, sharp", "near-anastomosis caution; planned, 0 of 6, sharp"},
		// From memory: KDOQI 2006, tables 3 and 4: 20° to 35°.
		{"angle_min_degrees", &v1.Protocol{AngleMinDegrees: one(19.9)}, func(s *story) { s.plan(0, angled(19.9)) }, 1,
			"angle-unusual note; planned, 0 of 6, sharp", "planned, 0 of 6, sharp"},
		{"angle_max_degrees", &v1.Protocol{AngleMaxDegrees: one(35.1)}, func(s *story) { s.plan(0, angled(35.1)) }, 1,
			"angle-unusual note; planned, 0 of 6, sharp", "planned, 0 of 6, sharp"},
		// Ours: 5°.
		{"angle_tolerance_degrees", &v1.Protocol{AngleToleranceDegrees: one(5.1)}, func(s *story) {
			s.made().planned(0).sharps(1, 1).
				insert(3, 3, at(30.1))
		}, 3, "angle-drift caution; forming, 1 of 6, sharp", "forming, 2 of 6, sharp"},
		// Read in a facility's rating tool: 12 months.
		{"rating_valid_months", &v1.Protocol{RatingValidMonths: one(uint32(13))}, func(s *story) {
			s.rated("creator", "2024-02-28", creatorLevel).planned(0).insert(1, 1)
		}, 1, "first-by-novice caution; forming, 1 of 6, sharp", "forming, 1 of 6, sharp"},
		// Read in a unit's procedure: cannulator, spot and path; common practice, no source: angle.
		{"count_needs_listed_cannulator", &v1.Protocol{CountNeedsListedCannulator: one(false)},
			func(s *story) { s.made().planned(0).sharps(1, 1).insert(3, 3, by("stranger")) }, 3,
			"unlisted-cannulator caution; forming, 1 of 6, sharp", "forming, 2 of 6, sharp"},
		{"count_needs_same_spot", &v1.Protocol{CountNeedsSameSpot: one(false)}, func(s *story) {
			s.made().planned(0).sharps(1, 1).
				insert(3, 3, spot)
		}, 3, "off-site caution; forming, 1 of 6, sharp", "forming, 2 of 6, sharp"},
		{"count_needs_same_path", &v1.Protocol{CountNeedsSamePath: one(false)}, func(s *story) {
			s.made().planned(0).sharps(1, 1).
				insert(3, 3, path)
		}, 3, "off-path caution; forming, 1 of 6, sharp", "forming, 2 of 6, sharp"},
		{"count_needs_same_angle", &v1.Protocol{CountNeedsSameAngle: one(false)}, func(s *story) {
			s.made().planned(0).sharps(1, 1).
				insert(3, 3, at(60))
		}, 3, "angle-drift caution; forming, 1 of 6, sharp", "forming, 2 of 6, sharp"},
		// Ours: 7 and 14 days.
		{"gap_extra_days", &v1.Protocol{GapExtraDays: one(uint32(8))}, func(s *story) { s.made().planned(0).sharps(1, 1).insert(9, 9) }, 9,
			"gap-long caution; forming, 2 of 7, sharp", "forming, 2 of 6, sharp"},
		{"gap_restart_days", &v1.Protocol{GapRestartDays: one(uint32(15))}, func(s *story) {
			s.made().planned(0).sharps(1, 2).
				insert(18, 18)
		}, 18, "gap-long caution; forming, 1 of 6, sharp", "gap-long caution; forming, 3 of 7, sharp"},
		// From memory: the last two.
		{"easy_entries_needed", &v1.Protocol{EasyEntriesNeeded: one(uint32(1))}, func(s *story) {
			s.made().planned(0).sharps(1, 4).
				insert(9, 9, hard).insert(11, 11)
		}, 11, "hard-entry note; forming, 6 of 6, sharp", "ready, 6 of 6, blunt"},
		// Ours: three blunt sessions.
		{"trial_sessions", &v1.Protocol{TrialSessions: one(uint32(1))}, func(s *story) { s.trial() }, 13, "trial, 6 of 6, blunt",
			"established, 6 of 6, blunt"},
		{"sharp_only", &v1.Protocol{SharpOnly: one(true)}, func(s *story) { s.ready() }, 11, "ready, 6 of 6, blunt",
			"ready, 6 of 6, sharp"},
		// Ours: two within 28 days.
		{"rescue_repeat_count", &v1.Protocol{RescueRepeatCount: one(uint32(3))}, func(s *story) {
			s.trial().insert(15, 15, reason).
				insert(17, 17, reason)
		}, 17, "rescue note, rescue-repeat caution; trial, 6 of 6, blunt", "rescue note; trial, 6 of 6, blunt"},
		{"rescue_window_days", &v1.Protocol{RescueWindowDays: one(uint32(29))}, func(s *story) {
			s.trial().insert(15, 15, reason).
				insert(44, 44, reason)
		}, 44, "rescue note; trial, 6 of 6, blunt", "rescue note, rescue-repeat caution; trial, 6 of 6, blunt"},
		// Ours: 21 and 42 days.
		{"unused_caution_days", &v1.Protocol{UnusedCautionDays: one(uint32(22))}, func(s *story) { s.trial() }, 35,
			"unused-long caution; trial, 6 of 6, blunt", "trial, 6 of 6, blunt"},
		{"unused_stop_days", &v1.Protocol{UnusedStopDays: one(uint32(43))}, func(s *story) { s.trial() }, 56,
			"unused-long caution, unused-long stop; trial, 6 of 6, none", "unused-long caution; trial, 6 of 6, blunt"},
		// From memory: two attempts.
		{"attempts_max", &v1.Protocol{AttemptsMax: one(uint32(1))}, func(s *story) {
			s.made().planned(0).insert(1, 1, failed).insert(1, 1, attempt(2))
		}, 1, "hard-entry note; forming, 1 of 6, sharp", "attempts-exceeded caution, hard-entry note; forming, 1 of 6, sharp"},
		// From memory: two disinfections; KDOQI 2006, table 2: 30 and 120 s.
		{"disinfections_min", &v1.Protocol{DisinfectionsMin: one(uint32(3))}, func(s *story) { s.made().planned(0).sharps(1, 2) }, 3,
			"forming, 2 of 6, sharp", "single-disinfection note; forming, 2 of 6, sharp"},
		{"chlorhexidine_alcohol_contact_seconds", &v1.Protocol{ChlorhexidineAlcoholContactSeconds: one(uint32(31))}, func(s *story) {
			s.made().planned(0).prepared(1, acted(v1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL, 30)).insert(1, 1)
		}, 1, "forming, 1 of 6, sharp", "contact-short caution; forming, 1 of 6, sharp"},
		{"povidone_iodine_contact_seconds", &v1.Protocol{PovidoneIodineContactSeconds: one(uint32(121))}, func(s *story) {
			s.made().planned(0).prepared(1, acted(v1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE, 120)).insert(1, 1)
		}, 1, "forming, 1 of 6, sharp", "contact-short caution; forming, 1 of 6, sharp"},
		// From memory: 20 minutes. Read: three sessions running.
		{"haemostasis_long_minutes", &v1.Protocol{HaemostasisLongMinutes: one(20.1)}, func(s *story) { s.ready().bleeding(11, 20.1) }, 11,
			"haemostasis-rising caution; ready, 6 of 6, blunt", "ready, 6 of 6, blunt"},
		{"consecutive_sessions", &v1.Protocol{ConsecutiveSessions: one(uint32(2))},
			func(s *story) { s.ready().bleeding(1, 8, 8, 8, 8, 8, 8, 11.1, 11.1) }, 11, "ready, 6 of 6, blunt",
			"haemostasis-rising caution; ready, 6 of 6, blunt"},
		// From memory: K/DOQI 2000, a limit for each machine and needle; the slope is ours.
		{"venous_pressure_limit_mmhg", &v1.Protocol{VenousPressureLimitMmhg: one(150.0)},
			func(s *story) { s.ready().pressures(1, 16, 200, 151, 151, 151) }, 11, "ready, 6 of 6, blunt",
			"pressure-rising caution; ready, 6 of 6, blunt"},
		{"venous_pressure_slope_mmhg", &v1.Protocol{VenousPressureSlopeMmhg: one(16.0)},
			func(s *story) { s.trial().pressures(1, 16, 200, steps(100, 112)...) }, 13, "pressure-rising caution; trial, 6 of 6, blunt",
			"trial, 6 of 6, blunt"},
		// From memory: KDOQI 2006, guideline 4.4: 500 mL/min, 25 %, below 1000 mL/min.
		{"flow_low_millilitres_per_minute", &v1.Protocol{FlowLowMillilitresPerMinute: one(uint32(501))},
			func(s *story) { s.ready().flow(11, 500) }, 11, "ready, 6 of 6, blunt", "flow-low caution; ready, 6 of 6, blunt"},
		{"flow_fall_percent", &v1.Protocol{FlowFallPercent: one(25.2)}, func(s *story) { s.ready().flow(1, 1000).flow(11, 749) }, 11,
			"flow-falling caution; ready, 6 of 6, blunt", "ready, 6 of 6, blunt"},
		{"flow_fall_below_millilitres_per_minute", &v1.Protocol{FlowFallBelowMillilitresPerMinute: one(uint32(1001))},
			func(s *story) { s.ready().flow(1, 1500).flow(11, 1000) }, 11, "ready, 6 of 6, blunt",
			"flow-falling caution; ready, 6 of 6, blunt"},
		// Weak, read: one session.
		{"infiltration_rest_sessions", &v1.Protocol{InfiltrationRestSessions: one(uint32(2))}, func(s *story) {
			s.ready().said(12, 9, 12, &v1.ComplicationSeen{Kind: v1.ComplicationKind_COMPLICATION_KIND_INFILTRATION, Access: "F"}).
				said(13, 8, 13, &v1.SessionMissed{})
		}, 13, "ready, 6 of 6, blunt", "infiltration caution; ready, 6 of 6, blunt"},
	} {
		told[c.field] = true
		t.Run(c.field, func(t *testing.T) {
			field := c.set.ProtoReflect().Descriptor().Fields().ByName(protoreflect.Name(c.field))
			if field == nil || !c.set.ProtoReflect().Has(field) {
				t.Fatalf("the protocol of this row does not set %s", c.field)
			}
			plain, changed := tell(t), tell(t).adopted("2025-01-01", c.set)
			c.told(plain)
			c.told(changed)
			if got := plain.outcome(c.day); got != c.defaults {
				t.Errorf("by the defaults: %s\nwant %s", got, c.defaults)
			}
			if got := changed.outcome(c.day); got != c.changed {
				t.Errorf("with %v: %s\nwant %s", c.set, got, c.changed)
			}
		})
	}
	for _, r := range rule.All() {
		for _, p := range r.Parameters {
			if !told[p] {
				t.Errorf("%s reads %s, and no story tells what it changes", r.Code, p)
			}
		}
	}
	// What the card alone shows, and what it says where a track has more deputies.
	for _, shown := range []string{"antiseptics", "topical_prophylaxis", "deputies_max"} {
		told[shown] = true
	}
	fields := (&v1.Protocol{}).ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		if name := string(fields.Get(i).Name()); !told[name] {
			t.Errorf("no story tells what %s changes", name)
		}
	}
}
