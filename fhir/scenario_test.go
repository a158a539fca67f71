package fhir_test

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/testkit/fhirtest"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// scenario is one forming session of an invented patient, with what the messages of an
// invented engine would tell of it.
func scenario() []*logv1.Event {
	t := fhirtest.Start
	w := fhirtest.Wrap
	min := func(n int) time.Time { return t.Add(time.Duration(n) * time.Minute) }
	needle := func(track string, role cannularyv1.NeedleRole, ordinal uint32, outcome cannularyv1.InsertionOutcome) *cannularyv1.NeedleInserted {
		return &cannularyv1.NeedleInserted{
			Track: track, Access: "AVF", Role: role, Pattern: cannularyv1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE,
			AttemptOrdinal: ordinal, Tip: cannularyv1.NeedleTip_NEEDLE_TIP_SHARP, Gauge: p(uint32(15)), AngleDegrees: p(25.0),
			DepthMillimetres: p(4.5), Direction: cannularyv1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE, Bevel: cannularyv1.Bevel_BEVEL_UP,
			Passes: p(uint32(1)), Resistance: cannularyv1.Resistance_RESISTANCE_NONE, SameSpot: cannularyv1.Answer_ANSWER_YES,
			NewPath: cannularyv1.Answer_ANSWER_UNKNOWN, PainScore: p(uint32(0)), Cannulator: staff("N-021"), Outcome: outcome,
			Device: &cannularyv1.DeviceIdentity{Lot: "LOT-7"},
		}
	}
	failed := needle("V1", cannularyv1.NeedleRole_NEEDLE_ROLE_VENOUS, 1, cannularyv1.InsertionOutcome_INSERTION_OUTCOME_FAILED)
	failed.Flashback, failed.Resistance = cannularyv1.Answer_ANSWER_NO, cannularyv1.Resistance_RESISTANCE_HARD
	return []*logv1.Event{
		fhirtest.Event("m1", "T-100", t, minute,
			w(&cannularyv1.AccessExamined{
				Access: "AVF",
				Look:   &cannularyv1.Look{Redness: cannularyv1.Finding_FINDING_ABSENT, Swelling: cannularyv1.Finding_FINDING_NOT_EXAMINED},
				Listen: &cannularyv1.Listen{Bruit: cannularyv1.Finding_FINDING_PRESENT},
				Feel:   &cannularyv1.Feel{Thrill: cannularyv1.Finding_FINDING_PRESENT},
				Sites:  []*cannularyv1.SiteLook{{Track: "A1", Pus: cannularyv1.Finding_FINDING_ABSENT, Peg: cannularyv1.Finding_FINDING_PRESENT}},
			}),
			w(&cannularyv1.SitePrepared{
				Track: "A1", Washed: cannularyv1.Answer_ANSWER_YES, Peg: cannularyv1.Removal_REMOVAL_WHOLE,
				Disinfections: []*cannularyv1.Disinfection{
					{Moment: cannularyv1.DisinfectionMoment_DISINFECTION_MOMENT_BEFORE_REMOVAL, Agent: cannularyv1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL, ContactSeconds: p(uint32(30))},
					{},
				},
			}),
			w(&cannularyv1.PegRemoved{Track: "A1", Whole: cannularyv1.Answer_ANSWER_YES}),
		),
		fhirtest.Event("m2", "T-100", min(10), second,
			w(needle("A1", cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL, 1, cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL)),
			w(failed),
			w(needle("V1", cannularyv1.NeedleRole_NEEDLE_ROLE_VENOUS, 2, cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL)),
			w(&cannularyv1.ComplicationSeen{Kind: cannularyv1.ComplicationKind_COMPLICATION_KIND_HAEMATOMA, Track: "V1", Note: "small, beside the entry"}),
			w(&cannularyv1.SessionStarted{Access: "AVF", PumpSpeedMillilitresPerMinute: p(uint32(250))}),
		),
		fhirtest.Event("m3", "T-100", min(30), minute,
			w(&cannularyv1.VenousPressureRead{Access: "AVF", Track: "V1", PressureMmhg: p(120.0), PumpSpeedMillilitresPerMinute: p(uint32(200)), Gauge: p(uint32(15))}),
			w(&cannularyv1.AccessFlowMeasured{Access: "AVF", FlowMillilitresPerMinute: p(850.0), Method: cannularyv1.FlowMethod_FLOW_METHOD_ULTRASOUND_DILUTION}),
		),
		fhirtest.Event("m4", "T-100", min(250), minute,
			w(&cannularyv1.SessionEnded{TreatedMinutes: p(uint32(240)), EndedEarly: cannularyv1.Answer_ANSWER_NO}),
			w(&cannularyv1.NeedleRemoved{Track: "A1", Role: cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AngleDegrees: p(25.0), HaemostasisMinutes: p(7.5), CompressiveDressing: cannularyv1.Answer_ANSWER_YES, RemovedBy: staff("N-021")}),
			w(&cannularyv1.PegPlaced{Track: "A1", SamePath: cannularyv1.Answer_ANSWER_YES, Device: &cannularyv1.DeviceIdentity{Udi: "(01)00000000000017(10)P-3"}, PlacedBy: staff("N-021")}),
		),
		fhirtest.Event("m5", "", min(3000), day,
			w(&cannularyv1.CultureResulted{
				CollectedAt: timestamppb.New(min(5)), CollectedPrecision: minute,
				Specimen: cannularyv1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD, Setting: cannularyv1.CollectionSetting_COLLECTION_SETTING_OUTPATIENT,
				Growth: cannularyv1.CultureGrowth_CULTURE_GROWTH_POSITIVE,
				Organisms: []*cannularyv1.Organism{{Group: cannularyv1.OrganismGroup_ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS,
					Coding: &cannularyv1.Coding{System: "https://laboratory.example/organism", Code: "SAU", Display: "S. aureus"},
					Susceptibilities: []*cannularyv1.Susceptibility{{Agent: &cannularyv1.Coding{System: "https://laboratory.example/agent", Code: "OXA", Display: "Oxacillin"},
						Result: cannularyv1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_RESISTANT}}}},
			}),
			w(&cannularyv1.SuspectedSourceAssessed{Culture: fhirtest.Ref("m5", 0), SuspectedSource: cannularyv1.SuspectedSource_SUSPECTED_SOURCE_ACCESS}),
			w(&cannularyv1.SiteSignsSeen{Access: "AVF", Track: "V1", Pus: cannularyv1.Finding_FINDING_PRESENT}),
			w(&cannularyv1.AntimicrobialStarted{Course: "C1", Route: cannularyv1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS,
				Vancomycin: cannularyv1.Answer_ANSWER_YES, BloodCultureTaken: cannularyv1.Answer_ANSWER_NO}),
			w(&cannularyv1.AntimicrobialEnded{Course: "C1", LastDoseOn: p("2027-03-15")}),
			w(&cannularyv1.EventOutcomeAssessed{Event: fhirtest.Ref("m5", 0), HospitalStay: cannularyv1.Answer_ANSWER_YES, Death: cannularyv1.Answer_ANSWER_NO}),
		),
	}
}
