package testkit

import (
	"google.golang.org/protobuf/proto"

	v1 "cannulary/proto/cannulary/v1"
)

func assessmentFacts() []proto.Message {
	present, absent := v1.Finding_FINDING_PRESENT, v1.Finding_FINDING_ABSENT
	pressure := &v1.VenousPressureRead{Access: "F1", PressureMmhg: proto.Float64(118), PumpSpeedMillilitresPerMinute: proto.Uint32(200),
		Gauge: proto.Uint32(15), Track: "V1"}
	return []proto.Message{
		&v1.AssessmentFact{Fact: &v1.AssessmentFact_AccessExamined{AccessExamined: &v1.AccessExamined{
			Access: "F1", Examiner: Staff("S-101"),
			Look: &v1.Look{Redness: absent, Swelling: absent, Pus: absent, ShinyOrThinSkin: absent, NonHealingScab: absent, Ulcer: absent,
				Haematoma: absent, Aneurysm: absent, CollapseOnElevation: present},
			Listen: &v1.Listen{Bruit: present, HighPitchedBruit: absent, ContinuousBruit: present},
			Feel: &v1.Feel{Thrill: present, DiscontinuousThrill: absent, BoundingPulse: absent, PulseAugmentation: present,
				Warmth: absent, Tenderness: absent},
			Sites: []*v1.SiteLook{{Track: "A1", Pus: absent, Redness: absent, Swelling: absent, NonHealingScab: absent,
				ShinyOrThinSkin: absent, Peg: absent}},
		}}},
		&v1.AssessmentFact{Fact: &v1.AssessmentFact_VenousPressureRead{VenousPressureRead: pressure}},
		&v1.AssessmentFact{Fact: &v1.AssessmentFact_AccessFlowMeasured{AccessFlowMeasured: &v1.AccessFlowMeasured{Access: "F1",
			FlowMillilitresPerMinute: proto.Float64(900), Method: v1.FlowMethod_FLOW_METHOD_ULTRASOUND_DILUTION}}},
		&v1.AssessmentFact{Fact: &v1.AssessmentFact_FactCorrected{FactCorrected: &v1.AssessmentFactCorrected{
			Correction:  correction("m-5"),
			Replacement: &v1.AssessmentFact{Fact: &v1.AssessmentFact_VenousPressureRead{VenousPressureRead: pressure}},
		}}},
		&v1.AssessmentFact{Fact: &v1.AssessmentFact_FactVoided{FactVoided: voided()}},
		&v1.AssessmentFact{Fact: &v1.AssessmentFact_SessionVoided{SessionVoided: sessionVoided()}},
	}
}

func surveillanceFacts() []proto.Message {
	present := v1.Finding_FINDING_PRESENT
	signs := &v1.SiteSignsSeen{Access: "F1", Track: "A1", Pus: present, Redness: present, Swelling: present}
	return []proto.Message{
		&v1.SurveillanceFact{Fact: &v1.SurveillanceFact_CultureResulted{CultureResulted: &v1.CultureResulted{
			CollectedAt: At("2025-02-01T07:20:00Z"), CollectedPrecision: v1.TimePrecision_TIME_PRECISION_MINUTE,
			Specimen: v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD, Setting: v1.CollectionSetting_COLLECTION_SETTING_OUTPATIENT,
			Growth: v1.CultureGrowth_CULTURE_GROWTH_POSITIVE,
			Organisms: []*v1.Organism{{Group: v1.OrganismGroup_ORGANISM_GROUP_STREPTOCOCCUS, Coding: coding("STR", "Streptococcus"),
				Susceptibilities: []*v1.Susceptibility{
					{Agent: coding("PEN", "Penicillin"), Result: v1.SusceptibilityResult_SUSCEPTIBILITY_RESULT_SUSCEPTIBLE}}}}, Track: "A1",
		}}},
		&v1.SurveillanceFact{Fact: &v1.SurveillanceFact_AntimicrobialStarted{AntimicrobialStarted: &v1.AntimicrobialStarted{
			Course: "C-1", Route: v1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS, Agent: coding("VAN", "Vancomycin"),
			ContinuedFromHospital: v1.Answer_ANSWER_NO,
			Vancomycin:            v1.Answer_ANSWER_YES, BloodCultureTaken: v1.Answer_ANSWER_YES,
		}}},
		&v1.SurveillanceFact{Fact: &v1.SurveillanceFact_AntimicrobialEnded{AntimicrobialEnded: &v1.AntimicrobialEnded{Course: "C-1",
			LastDoseOn: proto.String("2025-02-02")}}},
		&v1.SurveillanceFact{Fact: &v1.SurveillanceFact_SiteSignsSeen{SiteSignsSeen: signs}},
		&v1.SurveillanceFact{Fact: &v1.SurveillanceFact_SuspectedSourceAssessed{SuspectedSourceAssessed: &v1.SuspectedSourceAssessed{
			Culture: Fact("m-6", 0), SuspectedSource: v1.SuspectedSource_SUSPECTED_SOURCE_CONTAMINATION, Assessor: Staff("S-900"),
		}}},
		&v1.SurveillanceFact{Fact: &v1.SurveillanceFact_EventOutcomeAssessed{EventOutcomeAssessed: &v1.EventOutcomeAssessed{
			Event: Fact("m-6", 0), HospitalStay: v1.Answer_ANSWER_YES, AccessLost: v1.Answer_ANSWER_NO, Death: v1.Answer_ANSWER_NO,
			Assessor: Staff("S-900"),
		}}},
		&v1.SurveillanceFact{Fact: &v1.SurveillanceFact_FactCorrected{FactCorrected: &v1.SurveillanceFactCorrected{
			Correction:  correction("m-7"),
			Replacement: &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_SiteSignsSeen{SiteSignsSeen: signs}},
		}}},
		&v1.SurveillanceFact{Fact: &v1.SurveillanceFact_FactVoided{FactVoided: voided()}},
		&v1.SurveillanceFact{Fact: &v1.SurveillanceFact_SessionVoided{SessionVoided: sessionVoided()}},
	}
}
