package track_test

import (
	"fmt"

	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	v1 "cannulary/proto/cannulary/v1"
)

func planSentences() []sentence {
	adopt := func(p *v1.Protocol) func(s *story) { return func(s *story) { s.adopted("2025-01-01", p) } }
	return []sentence{
		{"tips 60 mm apart are far enough", func(s *story) { s.plan(0, tips(60)) }, 1, "", "", track.Sharp},
		{"tips 59 mm apart are a caution", func(s *story) { s.plan(0, tips(59)) }, 1, "spacing-short caution", "", track.Sharp},
		{"tips 50 mm apart are still a caution", func(s *story) { s.plan(0, tips(50)) }, 1, "spacing-short caution", "", track.Sharp},
		{"tips 49 mm apart are a stop for both tracks", func(s *story) { s.plan(0, tips(49)) }, 1, "spacing-short stop",
			"spacing-short", track.None},
		{"tips 80 mm apart are close enough", func(s *story) { s.plan(0, tips(80)) }, 1, "", "", track.Sharp},
		{"tips 81 mm apart are a caution", func(s *story) { s.plan(0, tips(81)) }, 1, "spacing-long caution", "", track.Sharp},
		{"a distance that was not measured is not judged", func(s *story) { s.plan(0, siteOf(40)) }, 1, "", "", track.Sharp},
		{"a protocol may ask for 70 mm", func(s *story) {
			adopt(&v1.Protocol{TipDistanceMinMillimetres: one(uint32(70)), TipDistanceMaxMillimetres: one(uint32(90))})(s)
			s.plan(0, tips(69))
		}, 1, "spacing-short caution", "", track.Sharp},
		{"a later plan with the tips further apart clears the caution", func(s *story) { s.plan(0, tips(55)).plan(1, tips(65)) }, 1, "",
			"", track.Sharp},
		{"a later plan clears the finding of a stop and not its hold", func(s *story) { s.plan(0, tips(40)).plan(1, tips(65)) }, 1, "",
			"spacing-short", track.None},
		{"a stop for spacing is lifted by name", func(s *story) { s.plan(0, tips(40)).plan(1, tips(65)).lifted(1, rule.SpacingShort, 0) },
			2, "", "", track.Sharp},
		{"a site 38 mm from the anastomosis is far enough", func(s *story) { s.plan(0, siteOf(38)) }, 1, "", "", track.Sharp},
		{"a site 37 mm from the anastomosis is a caution", func(s *story) { s.plan(0, siteOf(37)) }, 1, "near-anastomosis caution",
			"", track.Sharp},
		{"20° are a usual angle", func(s *story) { s.plan(0, angled(20)) }, 1, "", "", track.Sharp},
		{"19.9° are noted", func(s *story) { s.plan(0, angled(19.9)) }, 1, "angle-unusual note", "", track.Sharp},
		{"35° are a usual angle", func(s *story) { s.plan(0, angled(35)) }, 1, "", "", track.Sharp},
		{"35.1° are noted", func(s *story) { s.plan(0, angled(35.1)) }, 1, "angle-unusual note", "", track.Sharp},
		{"a plan on a graft is a stop", func(s *story) { s.access(0, v1.AccessKind_ACCESS_KIND_GRAFT).plan(0) }, 1, "not-a-fistula stop",
			"not-a-fistula", track.None},
		{"a plan on a fistula is none", func(s *story) { s.access(0, v1.AccessKind_ACCESS_KIND_FISTULA).plan(0) }, 1, "", "", track.Sharp},
		{"a kind that is not recorded holds nothing", func(s *story) { s.plan(0) }, 1, "", "", track.Sharp},
		{"a graft found out later is a stop from then on", func(s *story) { s.plan(0).access(1, v1.AccessKind_ACCESS_KIND_GRAFT) }, 1,
			"not-a-fistula stop", "not-a-fistula", track.None},
		{"a kind stated anew as fistula ends the stop", func(s *story) {
			s.access(0, v1.AccessKind_ACCESS_KIND_GRAFT).plan(0).access(1, v1.AccessKind_ACCESS_KIND_FISTULA)
		}, 1, "access-restated caution", "", track.Sharp},
		{"a graft cannot be lifted", func(s *story) { s.access(0, v1.AccessKind_ACCESS_KIND_GRAFT).plan(0).lifted(0, rule.NotAFistula, 1) },
			1, "not-a-fistula stop", "not-a-fistula", track.None},
		{"retiring the track ends it", func(s *story) {
			s.access(0, v1.AccessKind_ACCESS_KIND_GRAFT).planned(0).said(1, 6, 0, &v1.TrackRetired{Track: "A", Reason: "On a graft."})
		}, 1, "", "", track.None},
		{"a takeover on a tunneled catheter is a stop as well", func(s *story) {
			s.access(0, v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER).
				said(0, 6, 0, &v1.TrackTakenOver{Track: "A", Access: "F", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL,
					Stage: v1.TrackStage_TRACK_STAGE_ESTABLISHED, DeclaredBy: nurse("lead"), Evidence: "Chart."})
		}, 1, "not-a-fistula stop", "not-a-fistula", track.None},
	}
}

func sessionSentences() []sentence {
	rescueOn := func(days ...int) func(s *story) {
		return func(s *story) {
			s.trial()
			for _, d := range days {
				s.insert(d, d, because(v1.RescueReason_RESCUE_REASON_BLUNT_WOULD_NOT_PASS))
			}
		}
	}
	return []sentence{
		{"5.0° from the track's angle are no drift", func(s *story) { s.made().planned(0).sharps(1, 1).insert(3, 3, at(30)) }, 3, "",
			"", track.Sharp},
		{"5.1° from the track's angle are drift", func(s *story) { s.made().planned(0).sharps(1, 1).insert(3, 3, at(30.1)) }, 3,
			"angle-drift caution", "", track.Sharp},
		{"an established track drifts as well", func(s *story) { s.trial().insert(15, 15, blunt, at(19.9)) }, 15, "angle-drift caution",
			"", track.Blunt},
		{"a needle comes out within 5.0°", func(s *story) { s.made().planned(0).sharps(1, 1).removed(1, one(20.0), nil) }, 1, "",
			"", track.Sharp},
		{"a needle that comes out 5.1° off is drift", func(s *story) { s.made().planned(0).sharps(1, 1).removed(1, one(19.9), nil) }, 1,
			"angle-drift caution", "", track.Sharp},
		{"the next session clears the drift of the last", func(s *story) {
			s.made().planned(0).sharps(1, 1).insert(3, 3, at(31)).
				insert(5, 5)
		}, 5, "", "", track.Sharp},
		{"a creator rated a year ago to the day may make the first insertion", func(s *story) {
			s.rated("creator", "2024-03-03", creatorLevel).planned(0).insert(1, 1)
		}, 1, "", "", track.Sharp},
		{"a rating a day older than a year has lapsed", func(s *story) {
			s.rated("creator", "2024-03-02", creatorLevel).planned(0).insert(1, 1)
		}, 1, "first-by-novice caution", "", track.Sharp},
		{"a cannulator without a rating is no creator", func(s *story) { s.planned(0).insert(1, 1) }, 1, "first-by-novice caution",
			"", track.Sharp},
		{"one rated to follow tracks is no creator", func(s *story) {
			s.rated("creator", "2025-01-01", v1.CannulatorLevel_CANNULATOR_LEVEL_INDEPENDENT).planned(0).insert(1, 1)
		}, 1, "first-by-novice caution", "", track.Sharp},
		{"the latest rating holds, not the best", func(s *story) {
			s.rated("creator", "2025-01-01", creatorLevel).rated("creator", "2025-02-01", v1.CannulatorLevel_CANNULATOR_LEVEL_SUPERVISED).
				planned(0).insert(1, 1)
		}, 1, "first-by-novice caution", "", track.Sharp},
		{"a rating of the next day is none yet", func(s *story) { s.rated("creator", "2025-03-04", creatorLevel).planned(0).insert(1, 1) },
			2, "first-by-novice caution", "", track.Sharp},
		{"the second insertion is not asked for a rating", func(s *story) { s.made().planned(0).insert(1, 1).insert(3, 3, by("other")) }, 3,
			"unlisted-cannulator caution", "", track.Sharp},
		{"a track taken over asks for no rating", func(s *story) {
			s.said(0, 6, 0, &v1.TrackTakenOver{Track: "A", Access: "F", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL,
				Stage: v1.TrackStage_TRACK_STAGE_ESTABLISHED, AngleDegrees: one(25.0), DeclaredBy: nurse("lead"), Evidence: "Chart."})
			s.prepared(1, disinfected(2, 0)).insert(1, 1, blunt, by("anybody"))
		}, 1, "", "", track.Blunt},
		{"a stranger in a forming track is a caution", func(s *story) { s.made().planned(0).sharps(1, 1).insert(3, 3, by("stranger")) }, 3,
			"unlisted-cannulator caution", "", track.Sharp},
		{"a named deputy is none", func(s *story) {
			s.made().planned(0).sharps(1, 1).said(2, 8, 0, &v1.DeputyNamed{Track: "A", Deputy: nurse("deputy")}).insert(3, 3, by("deputy"))
		}, 3, "", "", track.Sharp},
		{"anybody may needle once the trial has begun", func(s *story) { s.trial().insert(15, 15, blunt, by("stranger")) }, 15, "",
			"", track.Blunt},
		{"another spot is a caution", func(s *story) {
			s.made().planned(0).sharps(1, 1).insert(3, 3, func(n *v1.NeedleInserted) { n.SameSpot = v1.Answer_ANSWER_NO })
		}, 3, "off-site caution", "", track.Sharp},
		{"a spot that is not recorded is no finding, though the session does not count", func(s *story) {
			s.made().planned(0).sharps(1, 1).insert(3, 3, func(n *v1.NeedleInserted) { n.SameSpot = 0 })
		}, 3, "", "", track.Sharp},
		{"a new path is a caution", func(s *story) {
			s.made().planned(0).sharps(1, 1).insert(3, 3, func(n *v1.NeedleInserted) { n.NewPath = v1.Answer_ANSWER_YES })
		}, 3, "off-path caution", "", track.Sharp},
		{"a protocol that does not ask for the same path finds nothing", func(s *story) {
			s.adopted("2025-01-01", &v1.Protocol{CountNeedsSamePath: one(false)}).made().planned(0).sharps(1, 1).
				insert(3, 3, func(n *v1.NeedleInserted) { n.NewPath = v1.Answer_ANSWER_YES })
		}, 3, "", "", track.Sharp},
		{"7 days between counted sessions are no gap", func(s *story) { s.made().planned(0).sharps(1, 1).insert(8, 8) }, 8, "",
			"", track.Sharp},
		{"8 days are a long gap", func(s *story) { s.made().planned(0).sharps(1, 1).insert(9, 9) }, 9, "gap-long caution", "", track.Sharp},
		{"after 15 days counting starts again", func(s *story) { s.made().planned(0).sharps(1, 1).insert(16, 16) }, 16, "gap-long caution",
			"", track.Sharp},
		{"a gap is over when the track is ready", func(s *story) { s.made().planned(0).sharps(1, 5).insert(17, 17).insert(19, 19) }, 19, "",
			"", track.Blunt},
		{"where pegs are used a missing one is a caution", func(s *story) {
			s.adopted("2025-01-01", &v1.Protocol{UsesPegs: one(true)}).made().planned(0).sharps(1, 2).pegLeft(1)
		}, 3, "peg-missing caution", "", track.Sharp},
		{"a blunt needle before the track is ready is a caution", func(s *story) { s.made().planned(0).sharps(1, 3).insert(7, 7, blunt) },
			7, "early-blunt caution", "", track.Sharp},
		{"a blunt needle given up before the skin is none", func(s *story) {
			s.made().planned(0).sharps(1, 3).
				insert(7, 7, blunt, func(n *v1.NeedleInserted) { n.Outcome = v1.InsertionOutcome_INSERTION_OUTCOME_ABANDONED })
		}, 7, "", "", track.Sharp},
		{"the first blunt needle into a ready track is none", func(s *story) { s.trial() }, 13, "", "", track.Blunt},
		{"a blunt needle under a sharp-only protocol is a caution", func(s *story) {
			s.adopted("2025-01-01", &v1.Protocol{SharpOnly: one(true)}).ready().insert(13, 13, blunt)
		}, 13, "early-blunt caution", "", track.Sharp},
		{"a hard entry is noted", func(s *story) {
			s.made().planned(0).insert(1, 1, func(n *v1.NeedleInserted) { n.Passes = one(uint32(2)) })
		}, 1, "hard-entry note", "", track.Sharp},
		{"two easy entries clear it", func(s *story) {
			s.made().planned(0).insert(1, 1, func(n *v1.NeedleInserted) { n.Passes = one(uint32(2)) }).insert(3, 3).insert(5, 5)
		}, 5, "", "", track.Sharp},
		{"a rescue with a reason is a note", rescueOn(15), 15, "rescue note", "", track.Blunt},
		{"a rescue without a reason is a caution", func(s *story) { s.trial().insert(15, 15) }, 15, "rescue caution", "", track.Blunt},
		{"a sharp needle in a forming track is no rescue", func(s *story) { s.ready().insert(13, 13) }, 13, "", "", track.Blunt},
		{"under a sharp-only protocol there is no rescue", func(s *story) {
			s.trial().adopted("2025-03-16", &v1.Protocol{SharpOnly: one(true)}).insert(15, 15)
		}, 15, "", "", track.Sharp},
		{"two rescues 27 days apart ask for a review", rescueOn(15, 42), 42, "rescue note, rescue-repeat caution", "", track.Blunt},
		{"two rescues 28 days apart ask for a review: both ends count", rescueOn(15, 43), 43, "rescue note, rescue-repeat caution",
			"", track.Blunt},
		{"two rescues 29 days apart do not", rescueOn(15, 44), 44, "rescue note", "", track.Blunt},
		{"a blunt session clears the rescue and not the review", func(s *story) { rescueOn(15, 20)(s); s.insert(22, 22, blunt) }, 22,
			"rescue-repeat caution", "", track.Blunt},
		{"the calendar clears it 29 days after the first rescue", func(s *story) { rescueOn(15, 20)(s); s.insert(22, 22, blunt) }, 44,
			"unused-long caution", "", track.Blunt},
		{"and not a day before", func(s *story) { rescueOn(15, 20)(s); s.insert(22, 22, blunt) }, 43, "rescue-repeat caution",
			"", track.Blunt},
		{"a closed review clears it", func(s *story) {
			rescueOn(15, 20)(s)
			s.said(21, 8, 0, &v1.ReviewOpened{Review: "R", Track: "A", Reason: "Two rescues."}).
				said(22, 8, 0, &v1.ReviewClosed{Review: "R", ClosedBy: nurse("lead"), Outcome: "Technique observed."})
		}, 22, "rescue note", "", track.Blunt},
		{"two attempts by one cannulator are within the rule",
			func(s *story) { s.made().planned(0).insert(1, 1, failed).insert(1, 1, attempt(2)) }, 1, "hard-entry note", "", track.Sharp},
		{"three attempts by one cannulator are too many", func(s *story) {
			s.made().planned(0).insert(1, 1, failed).insert(1, 1, failed, attempt(2)).insert(1, 1, attempt(3))
		}, 1, "attempts-exceeded caution, hard-entry note", "", track.Sharp},
		{"three attempts by two cannulators are within the rule", func(s *story) {
			s.made().planned(0).said(0, 8, 0, &v1.DeputyNamed{Track: "A", Deputy: nurse("deputy")}).insert(1, 1, failed).
				insert(1, 1, failed, attempt(2)).insert(1, 1, attempt(3), by("deputy"))
		}, 1, "unlisted-cannulator caution", "", track.Sharp},
		{"a scab removed in part stops the blunt entry", func(s *story) { s.trial().prepared(15, scab(v1.Removal_REMOVAL_PARTLY)) }, 15,
			"scab-incomplete stop", "", track.None},
		{"a scab left on stops it as well", func(s *story) { s.trial().prepared(15, scab(v1.Removal_REMOVAL_NOT_REMOVED)) }, 15,
			"scab-incomplete stop", "", track.None},
		{"removed whole in the same session it stops nothing", func(s *story) {
			s.trial().prepared(15, scab(v1.Removal_REMOVAL_PARTLY)).
				said(15, 7.7, 15, &v1.SitePrepared{Track: "A", Scab: v1.Removal_REMOVAL_WHOLE})
		}, 15, "", "", track.Blunt},
		{"a scab before a sharp needle stops nothing", func(s *story) {
			s.made().planned(0).sharps(1, 2).prepared(5, scab(v1.Removal_REMOVAL_PARTLY))
		}, 5, "", "", track.Sharp},
		{"it is no hold: the next day's needle is offered again",
			func(s *story) { s.trial().prepared(15, scab(v1.Removal_REMOVAL_PARTLY)) }, 16, "", "", track.Blunt},
		{"a needle that went in all the same stays on record until the next session",
			func(s *story) { s.trial().prepared(15, scab(v1.Removal_REMOVAL_PARTLY)).insert(15, 15, blunt) }, 15, "scab-incomplete stop",
			"", track.Blunt},
		{"the first session is not asked for disinfections", func(s *story) {
			s.rated("creator", "2025-01-01", creatorLevel).planned(0).
				insert(1, 1)
		}, 1, "", "", track.Sharp},
		{"from the second on none recorded is a note", func(s *story) {
			s.rated("creator", "2025-01-01", creatorLevel).planned(0).
				insert(1, 1).insert(3, 3)
		}, 3, "single-disinfection note", "", track.Sharp},
		{"one recorded and not said to be all is a note", func(s *story) {
			s.rated("creator", "2025-01-01", creatorLevel).planned(0).insert(1, 1).prepared(3, disinfected(1, 0)).insert(3, 3)
		}, 3, "single-disinfection note", "", track.Sharp},
		{"one and no more is a caution", func(s *story) {
			s.rated("creator", "2025-01-01", creatorLevel).planned(0).insert(1, 1).
				prepared(3, disinfected(1, v1.Answer_ANSWER_YES)).insert(3, 3)
		}, 3, "single-disinfection caution", "", track.Sharp},
		{"two are enough", func(s *story) {
			s.rated("creator", "2025-01-01", creatorLevel).planned(0).insert(1, 1).
				prepared(3, disinfected(2, v1.Answer_ANSWER_YES)).insert(3, 3)
		}, 3, "", "", track.Sharp},
		{"chlorhexidine in alcohol acts for 30 s", func(s *story) {
			s.made().planned(0).prepared(1, acted(v1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL, 30)).insert(1, 1)
		}, 1, "", "", track.Sharp},
		{"29 s are short", func(s *story) {
			s.made().planned(0).prepared(1, acted(v1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL, 29)).insert(1, 1)
		}, 1, "contact-short caution", "", track.Sharp},
		{"povidone-iodine acts for 120 s", func(s *story) {
			s.made().planned(0).prepared(1, acted(v1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE, 120)).insert(1, 1)
		}, 1, "", "", track.Sharp},
		{"119 s are short", func(s *story) {
			s.made().planned(0).prepared(1, acted(v1.Antiseptic_ANTISEPTIC_POVIDONE_IODINE, 119)).insert(1, 1)
		}, 1, "contact-short caution", "", track.Sharp},
	}
}

func examinationSentences() []sentence {
	site := func(change func(*v1.SiteLook)) func(*v1.AccessExamined) {
		return func(x *v1.AccessExamined) {
			l := &v1.SiteLook{Track: "A"}
			change(l)
			x.Sites = []*v1.SiteLook{l}
		}
	}
	return []sentence{
		{"with thrill and bruit the needle is offered", func(s *story) { s.ready().exam(12) }, 12, "", "", track.Blunt},
		{"no thrill is an urgent stop", func(s *story) { s.ready().exam(12, func(x *v1.AccessExamined) { x.Feel.Thrill = absent }) }, 12,
			"thrill-absent stop", "thrill-absent", track.None},
		{"no bruit is one as well", func(s *story) { s.ready().exam(12, func(x *v1.AccessExamined) { x.Listen.Bruit = absent }) }, 12,
			"thrill-absent stop", "thrill-absent", track.None},
		{"not examined opens no hold", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Feel.Thrill, x.Listen.Bruit = unseen, 0 })
		}, 12, "", "", track.Blunt},
		{"a hold never lifts itself", func(s *story) { s.ready().exam(12, func(x *v1.AccessExamined) { x.Feel.Thrill = absent }).exam(13) },
			14, "thrill-absent stop", "thrill-absent", track.None},
		{"a named person lifts it", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Feel.Thrill = absent })
			s.lifted(13, rule.ThrillAbsent, s.last())
		}, 14, "", "", track.Blunt},
		{"a lift before the ground lifts nothing", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Feel.Thrill = absent })
			s.lifted(11, rule.ThrillAbsent, s.last())
		}, 12, "thrill-absent stop", "thrill-absent", track.None},
		{"a late ground after the lift opens its own hold", func(s *story) {
			s.ready().exam(13, func(x *v1.AccessExamined) { x.Feel.Thrill = absent })
			s.lifted(14, rule.ThrillAbsent, s.last()).exam(12, func(x *v1.AccessExamined) { x.Listen.Bruit = absent })
		}, 15, "thrill-absent stop", "thrill-absent", track.None},
		{"a ground taken back leaves the hold and not the finding", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Feel.Thrill = absent })
			s.void(13, s.last())
		}, 14, "", "thrill-absent", track.None},
		{"redness at a site stops the track", func(s *story) { s.ready().exam(12, site(func(l *v1.SiteLook) { l.Redness = present })) }, 12,
			"site-infection stop", "site-infection", track.None},
		{"redness at the other track's site does not stop this one", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Sites = []*v1.SiteLook{{Track: "B", Pus: present}} })
		}, 12, "site-infection stop", "site-infection", track.Blunt},
		{"pus over the access stops all its tracks", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Look.Pus = present })
		}, 12, "site-infection stop", "site-infection", track.None},
		{"a swollen limb is no infection of a site", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Look.Swelling = present })
		}, 12, "examination-finding caution", "", track.Blunt},
		{"signs reported by the surveillance stop the track", func(s *story) {
			s.ready().said(12, 9, 0, &v1.SiteSignsSeen{Access: "F", Track: "A", Swelling: present})
		}, 12, "site-infection stop", "site-infection", track.None},
		{"shiny skin is an urgent stop", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Look.ShinyOrThinSkin = present })
		}, 12, "skin-at-risk stop", "skin-at-risk", track.None},
		{"a scab that does not heal at a site stops the access", func(s *story) {
			s.ready().exam(12, site(func(l *v1.SiteLook) { l.NonHealingScab = present }))
		}, 12, "skin-at-risk stop", "skin-at-risk", track.None},
		{"an ulcer over the access is an urgent stop", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Look.Ulcer = present })
		}, 12, "skin-at-risk stop", "skin-at-risk", track.None},
		{"a fistula that does not collapse is a sign of the outflow", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Look.CollapseOnElevation = absent })
		}, 12, "outflow-sign caution", "", track.Blunt},
		{"a bounding pulse alone is none", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Feel.BoundingPulse = present })
		}, 12, "examination-finding caution", "", track.Blunt},
		{"a bounding pulse with a discontinuous thrill is one", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Feel.BoundingPulse, x.Feel.DiscontinuousThrill = present, present })
		}, 12, "outflow-sign caution", "", track.Blunt},
		{"a bounding pulse with a high-pitched bruit is one", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Feel.BoundingPulse, x.Listen.HighPitchedBruit = present, present })
		}, 12, "outflow-sign caution", "", track.Blunt},
		{"an examination that finds it gone clears it", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Look.CollapseOnElevation = absent }).
				exam(13, func(x *v1.AccessExamined) { x.Look.CollapseOnElevation = present })
		}, 13, "", "", track.Blunt},
		{"an examination that did not look does not", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Look.CollapseOnElevation = absent }).exam(13)
		}, 13, "outflow-sign caution", "", track.Blunt},
		{"a pulse that does not grow is a sign of the inflow", func(s *story) {
			s.ready().exam(12, func(x *v1.AccessExamined) { x.Feel.PulseAugmentation = absent })
		}, 12, "inflow-sign caution", "", track.Blunt},
		{"after an infiltration the access rests", func(s *story) {
			s.ready().said(12, 9, 12, &v1.ComplicationSeen{Kind: v1.ComplicationKind_COMPLICATION_KIND_INFILTRATION, Track: "A",
				Access: "F"})
		}, 12, "infiltration caution", "", track.Blunt},
		{"one treatment through another access is rest enough", func(s *story) {
			s.ready().said(12, 9, 12, &v1.ComplicationSeen{Kind: v1.ComplicationKind_COMPLICATION_KIND_INFILTRATION, Access: "F"}).
				said(13, 8, 13, &v1.SessionStarted{Access: "K"})
		}, 13, "", "", track.Blunt},
		{"a treatment through the same access is none", func(s *story) {
			s.ready().said(12, 9, 12, &v1.ComplicationSeen{Kind: v1.ComplicationKind_COMPLICATION_KIND_INFILTRATION, Access: "F"}).
				said(13, 8, 13, &v1.SessionStarted{Access: "F"})
		}, 13, "infiltration caution", "", track.Blunt},
		{"a haematoma is on record and no rule's matter", func(s *story) {
			s.ready().said(12, 9, 12, &v1.ComplicationSeen{Kind: v1.ComplicationKind_COMPLICATION_KIND_HAEMATOMA, Track: "A"})
		}, 12, "", "", track.Blunt},
		{"S. aureus in blood with a track in use stops the access", func(s *story) { s.ready().culture(12, nil) }, 12, "bacteraemia stop",
			"bacteraemia", track.None},
		{"the meticillin-resistant as well", func(s *story) {
			s.ready().culture(12, func(c *v1.CultureResulted) {
				c.Organisms[0].Group = v1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS_METICILLIN_RESISTANT
			})
		}, 12, "bacteraemia stop", "bacteraemia", track.None},
		{"another organism does not", func(s *story) {
			s.ready().culture(12, func(c *v1.CultureResulted) { c.Organisms[0].Group = v1.OrganismGroup_ORGANISM_GROUP_STREPTOCOCCUS })
		}, 12, "", "", track.Blunt},
		{"a swab of the site does not", func(s *story) {
			s.ready().culture(12, func(c *v1.CultureResulted) { c.Specimen = v1.CultureSpecimen_CULTURE_SPECIMEN_ACCESS_SITE })
		}, 12, "", "", track.Blunt},
		{"with a track that is only planned it does not", func(s *story) { s.planned(0).culture(1, nil) }, 1, "", "", track.Sharp},
		{"with a track given up before it does not", func(s *story) {
			s.ready().said(12, 6, 0, &v1.TrackRetired{Track: "A", Reason: "Replaced."}).culture(12, nil)
		}, 12, "", "", track.None},
		{"a person's hold stops the track", func(s *story) {
			s.ready().said(12, 9, 0, &v1.HoldPlaced{Track: "A", PlacedBy: nurse("lead"), Reason: "Looks odd."})
		}, 12, "", "person", track.None},
	}
}

func trendSentences() []sentence {
	usual := []float64{8, 9, 8, 9, 8, 9} // median 8.5, MAD 0.5: the band ends at 8.5 + max(3, 2 × 1.4826 × 0.5) = 11.5 min
	limit := &v1.Protocol{VenousPressureLimitMmhg: one(150.0)}
	out := []sentence{
		{"bleeding for 20 minutes is within the rule", func(s *story) { s.ready().bleeding(11, 20) }, 11, "", "", track.Blunt},
		{"bleeding for longer is a caution by itself", func(s *story) { s.ready().bleeding(11, 20.1) }, 11, "haemostasis-rising caution",
			"", track.Blunt},
		{"with fewer than six before there is no usual", func(s *story) {
			s.made().planned(0).sharps(1, 6).bleeding(1, 8, 9, 8, 9, 8, 15, 15, 15)
		}, 11, "", "", track.Blunt},
		{"at the band's end three times is usual", func(s *story) { s.ready().bleeding(1, usual...).bleeding(7, 11.5, 11.5, 11.5) }, 11, "",
			"", track.Blunt},
		{"above it twice is no run yet", func(s *story) { s.ready().bleeding(1, usual...).bleeding(7, 11.6, 11.6) }, 11, "",
			"", track.Blunt},
		{"above it three times is a run", func(s *story) { s.ready().bleeding(1, usual...).bleeding(7, 11.6, 11.6, 11.6) }, 11,
			"haemostasis-rising caution", "", track.Blunt},
		{"a usual time ends the run", func(s *story) { s.ready().bleeding(1, usual...).bleeding(7, 11.6, 11.6, 11.6, 9) }, 11, "",
			"", track.Blunt},
		{"without a limit no pressure is above it", func(s *story) { s.ready().pressures(1, 16, 200, 200, 200, 200) }, 11, "",
			"", track.Blunt},
		{"the limit itself is not above it", func(s *story) { s.adopted("2025-01-01", limit).ready().pressures(1, 16, 200, 150, 150, 150) },
			11, "", "", track.Blunt},
		{"above the limit in two sessions is no run", func(s *story) {
			s.adopted("2025-01-01", limit).ready().pressures(1, 16, 200, 151, 151)
		}, 11, "", "", track.Blunt},
		{"above the limit in three sessions is a caution", func(s *story) {
			s.adopted("2025-01-01", limit).ready().pressures(1, 16, 200, 151, 151, 151)
		}, 11, "pressure-rising caution", "", track.Blunt},
		{"at another pump speed it is not judged", func(s *story) {
			s.adopted("2025-01-01", limit).ready().pressures(1, 16, 300, 151, 151, 151)
		}, 11, "", "", track.Blunt},
		{"with another needle between the run begins anew", func(s *story) {
			s.adopted("2025-01-01", limit).ready().pressures(1, 16, 200, 151, 151).pressures(3, 15, 200, 151)
		}, 11, "", "", track.Blunt},
		{"a reading below the limit ends it", func(s *story) {
			s.adopted("2025-01-01", limit).ready().pressures(1, 16, 200, 151, 151, 151, 149)
		}, 11, "", "", track.Blunt},
		{"twelve sessions with a steady rise are a trend", func(s *story) {
			s.trial().pressures(1, 16, 200, 100, 102, 101, 104, 105, 107, 106, 109, 111, 112, 114, 115)
		}, 13, "pressure-rising caution", "", track.Blunt},
		{"eleven are no look yet", func(s *story) {
			s.trial().pressures(1, 16, 200, 100, 102, 101, 104, 105, 107, 106, 109, 111, 112, 114)
		}, 13, "", "", track.Blunt},
		{"a rise of less than 10 mmHg is none worth a word", func(s *story) {
			s.trial().pressures(1, 16, 200, 100, 100.5, 101, 101.5, 102, 102.5, 103, 103.5, 104, 104.5, 105, 105.5)
		}, 13, "", "", track.Blunt},
		{"500 mL/min are enough flow", func(s *story) { s.ready().flow(11, 500) }, 11, "", "", track.Blunt},
		{"499 mL/min are too little", func(s *story) { s.ready().flow(11, 499) }, 11, "flow-low caution", "", track.Blunt},
		{"a fall by 25 % is within the rule", func(s *story) { s.ready().flow(1, 1000).flow(11, 750) }, 11, "", "", track.Blunt},
		{"a fall by more is a caution", func(s *story) { s.ready().flow(1, 1000).flow(11, 749) }, 11, "flow-falling caution",
			"", track.Blunt},
		{"a fall that ends at 1000 mL/min is none", func(s *story) { s.ready().flow(1, 1500).flow(11, 1000) }, 11, "", "", track.Blunt},
		{"one that ends below is", func(s *story) { s.ready().flow(1, 1500).flow(11, 999) }, 11, "flow-falling caution", "", track.Blunt},
		{"a flow of four months ago to the day still compares", func(s *story) { s.ready().flow(1, 1000).flow(123, 700) }, 123,
			"flow-falling caution", "", track.Sharp},
		{"one a day older does not", func(s *story) { s.ready().flow(1, 1000).flow(124, 700) }, 124, "", "", track.Sharp},
		{"a later flow without the fall clears it", func(s *story) { s.ready().flow(1, 1000).flow(5, 700).flow(11, 900) }, 11, "",
			"", track.Blunt},
	}
	// The union of two published tables (from memory, see rule.GaugeFlow): both ends.
	for _, g := range []struct {
		gauge, speed uint32
		finds        string
	}{
		{17, 299, ""}, {17, 300, "gauge-flow note"}, {16, 249, "gauge-flow note"}, {16, 250, ""}, {16, 350, ""},
		{16, 351, "gauge-flow note"},
		{15, 349, "gauge-flow note"}, {15, 350, ""}, {15, 450, ""}, {15, 451, "gauge-flow note"}, {14, 450, "gauge-flow note"},
		{14, 451, ""}, {18, 500, ""}, {13, 100, ""},
	} {
		out = append(out, sentence{fmt.Sprintf("%dG at %d mL/min", g.gauge, g.speed),
			func(s *story) { s.made().planned(0).pump(1, g.speed).insert(1, 1, gauge(g.gauge)) }, 1, g.finds, "", track.Sharp})
	}
	return out
}
