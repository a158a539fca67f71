package testkit

import (
	"google.golang.org/protobuf/proto"

	v1 "cannulary/proto/cannulary/v1"
)

func rosterFacts() []proto.Message {
	monday, wednesday := v1.Weekday_WEEKDAY_MONDAY, v1.Weekday_WEEKDAY_WEDNESDAY
	constant, bloodstream := v1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE, v1.InfectionClass_INFECTION_CLASS_BLOODSTREAM
	identity := &v1.IdentityStated{
		Identifiers: []*v1.PatientIdentifier{Patient("INV-0001"), {System: "urn:oid:2.999.1", Value: "INV-N-77"}},
		FamilyName:  "Invented", GivenNames: "Example", BirthDate: "1961-05-17",
	}
	schedule := &v1.ScheduleSet{Days: []v1.Weekday{monday, wednesday}, Shift: "morning", Chair: "12"}
	return []proto.Message{
		&v1.RosterFact{Fact: &v1.RosterFact_FacilityRegistered{FacilityRegistered: &v1.FacilityRegistered{
			Name: "Invented Unit North", TimeZone: TimeZone, DialysisDays: []v1.Weekday{monday, wednesday},
			Shifts: []*v1.Shift{{Name: "morning", StartsAt: "07:00", EndsAt: "12:00"}}, Holidays: []string{"2025-12-25"},
			ReferenceRates: []*v1.ReferenceRate{{AccessKind: v1.AccessKind_ACCESS_KIND_FISTULA, Pattern: constant,
				InfectionClass: bloodstream, Per_100PatientMonths: 0.3, Basis: "Invented for a test"}},
		}}},
		&v1.RosterFact{Fact: &v1.RosterFact_ProtocolAdopted{ProtocolAdopted: &v1.ProtocolAdopted{Version: "2025-1",
			EffectiveFrom: "2025-01-06", Protocol: protocol()}}},
		&v1.RosterFact{
			Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: &v1.PatientAdmitted{FirstTreatmentOn: proto.String("2025-02-03")}}},
		&v1.RosterFact{Fact: &v1.RosterFact_PatientLeft{PatientLeft: &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_TRANSFER,
			ToFacility: "invented-south"}}},
		&v1.RosterFact{Fact: &v1.RosterFact_IdentityStated{IdentityStated: identity}},
		&v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{Retired: Patient("INV-0002")}}},
		&v1.RosterFact{Fact: &v1.RosterFact_MergeReversed{MergeReversed: &v1.MergeReversed{Retired: Patient("INV-0002")}}},
		&v1.RosterFact{Fact: &v1.RosterFact_ScheduleSet{ScheduleSet: schedule}},
		&v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{
			Access: "F1", Kind: v1.AccessKind_ACCESS_KIND_FISTULA, Side: v1.BodySide_BODY_SIDE_LEFT,
			Region: v1.AccessRegion_ACCESS_REGION_FOREARM, CreatedOn: proto.String("2022-09-14"),
		}}},
		&v1.RosterFact{Fact: &v1.RosterFact_AccessRetired{AccessRetired: &v1.AccessRetired{Access: "F1",
			Reason: v1.AccessRetirementReason_ACCESS_RETIREMENT_REASON_THROMBOSIS}}},
		&v1.RosterFact{Fact: &v1.RosterFact_CannulatorRated{CannulatorRated: &v1.CannulatorRated{
			Cannulator: Staff("S-101"), Level: v1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR, Assessor: Staff("S-900"),
			Evidence: "Observed three times",
		}}},
		&v1.RosterFact{Fact: &v1.RosterFact_DeputyNamed{DeputyNamed: &v1.DeputyNamed{Track: "A1", Deputy: Staff("S-102"),
			NamedBy: Staff("S-101")}}},
		&v1.RosterFact{Fact: &v1.RosterFact_HospitalAdmission{HospitalAdmission: &v1.HospitalAdmission{Reason: "Pneumonia"}}},
		&v1.RosterFact{Fact: &v1.RosterFact_HospitalDischarge{HospitalDischarge: &v1.HospitalDischarge{Outcome: "Recovered"}}},
		&v1.RosterFact{Fact: &v1.RosterFact_CensusCounted{CensusCounted: &v1.CensusCounted{
			Month: "2025-02", CountedOn: []string{"2025-02-03"}, Fistula: 21, FistulaOfWhichConstantSite: 9, Graft: 4, TunneledCatheter: 6,
			NonTunneledCatheter: 1, Other: 1,
		}}},
		&v1.RosterFact{Fact: &v1.RosterFact_SurveillanceThresholdSet{SurveillanceThresholdSet: &v1.SurveillanceThresholdSet{
			Pattern: constant, InfectionClass: bloodstream, ReferencePer_100PatientMonths: 0.3, RateRatio: 2, Threshold: 3.5,
			InControlMonths: 120, SetBy: Staff("S-900"),
		}}},
		&v1.RosterFact{Fact: &v1.RosterFact_SurveillanceSignalAcknowledged{
			SurveillanceSignalAcknowledged: &v1.SurveillanceSignalAcknowledged{
				Pattern: constant, InfectionClass: bloodstream, AcknowledgedBy: Staff("S-900"), Reason: "Reviewed the preparation of sites",
			}}},
		&v1.RosterFact{Fact: &v1.RosterFact_FactCorrected{FactCorrected: &v1.RosterFactCorrected{Correction: correction("m-1"),
			Replacement: &v1.RosterFact{Fact: &v1.RosterFact_ScheduleSet{ScheduleSet: schedule}}}}},
		&v1.RosterFact{Fact: &v1.RosterFact_FactCorrected{FactCorrected: &v1.RosterFactCorrected{Correction: correction("m-2"),
			Replacement: &v1.RosterFact{Fact: &v1.RosterFact_IdentityStated{IdentityStated: identity}}}}},
		&v1.RosterFact{Fact: &v1.RosterFact_FactCorrected{FactCorrected: &v1.RosterFactCorrected{Correction: correction("m-3"),
			Replacement: &v1.RosterFact{Fact: &v1.RosterFact_CensusCounted{CensusCounted: &v1.CensusCounted{Month: "2025-02",
				CountedOn: []string{"2025-02-03"}, Fistula: 20, FistulaOfWhichConstantSite: 9}}}}}},
		&v1.RosterFact{Fact: &v1.RosterFact_FactVoided{FactVoided: voided()}},
		&v1.RosterFact{Fact: &v1.RosterFact_SessionVoided{SessionVoided: sessionVoided()}},
	}
}

// protocol has every parameter at or near its default.
func protocol() *v1.Protocol {
	yes, no := proto.Bool(true), proto.Bool(false)
	return &v1.Protocol{
		FormingSessionsTarget: proto.Uint32(8), UsesPegs: no,
		TipDistanceMinMillimetres: proto.Uint32(60), TipDistanceMaxMillimetres: proto.Uint32(80),
		TipDistanceStopMillimetres:        proto.Uint32(50),
		AnastomosisDistanceMinMillimetres: proto.Uint32(38), AngleMinDegrees: proto.Float64(20), AngleMaxDegrees: proto.Float64(35),
		AngleToleranceDegrees: proto.Float64(5), RatingValidMonths: proto.Uint32(12), CountNeedsListedCannulator: yes,
		CountNeedsSameSpot: yes,
		CountNeedsSamePath: yes, CountNeedsSameAngle: yes, GapExtraDays: proto.Uint32(7), GapRestartDays: proto.Uint32(14),
		EasyEntriesNeeded: proto.Uint32(2), TrialSessions: proto.Uint32(3), SharpOnly: no, RescueRepeatCount: proto.Uint32(2),
		UnusedCautionDays: proto.Uint32(21), UnusedStopDays: proto.Uint32(42),
		RescueWindowDays: proto.Uint32(28), AttemptsMax: proto.Uint32(2), DisinfectionsMin: proto.Uint32(2),
		ChlorhexidineAlcoholContactSeconds: proto.Uint32(30), PovidoneIodineContactSeconds: proto.Uint32(120),
		HaemostasisLongMinutes: proto.Float64(20), ConsecutiveSessions: proto.Uint32(3), VenousPressureLimitMmhg: proto.Float64(150),
		VenousPressureSlopeMmhg: proto.Float64(10), FlowLowMillilitresPerMinute: proto.Uint32(500), FlowFallPercent: proto.Float64(25),
		FlowFallBelowMillilitresPerMinute: proto.Uint32(1000), InfiltrationRestSessions: proto.Uint32(1),
		Antiseptics: []v1.Antiseptic{v1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL}, TopicalProphylaxis: no, DeputiesMax: proto.Uint32(1),
	}
}
