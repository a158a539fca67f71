package simulate

import v1 "cannulary/proto/cannulary/v1"

// The wrappers below spare every caller the two layers of a fact's oneof.

func facilityRegisteredFact(f *v1.FacilityRegistered) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_FacilityRegistered{FacilityRegistered: f}}
}

func protocolAdoptedFact(f *v1.ProtocolAdopted) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_ProtocolAdopted{ProtocolAdopted: f}}
}

func patientAdmittedFact(f *v1.PatientAdmitted) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: f}}
}

func patientLeftFact(f *v1.PatientLeft) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_PatientLeft{PatientLeft: f}}
}

func identityStatedFact(f *v1.IdentityStated) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_IdentityStated{IdentityStated: f}}
}

func patientsMergedFact(f *v1.PatientsMerged) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: f}}
}

func mergeReversedFact(f *v1.MergeReversed) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_MergeReversed{MergeReversed: f}}
}

func scheduleSetFact(f *v1.ScheduleSet) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_ScheduleSet{ScheduleSet: f}}
}

func accessCreatedFact(f *v1.AccessCreated) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: f}}
}

func accessRetiredFact(f *v1.AccessRetired) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_AccessRetired{AccessRetired: f}}
}

func cannulatorRatedFact(f *v1.CannulatorRated) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_CannulatorRated{CannulatorRated: f}}
}

func deputyNamedFact(f *v1.DeputyNamed) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_DeputyNamed{DeputyNamed: f}}
}

func hospitalAdmissionFact(f *v1.HospitalAdmission) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_HospitalAdmission{HospitalAdmission: f}}
}

func hospitalDischargeFact(f *v1.HospitalDischarge) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_HospitalDischarge{HospitalDischarge: f}}
}

func censusCountedFact(f *v1.CensusCounted) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_CensusCounted{CensusCounted: f}}
}

func surveillanceThresholdSetFact(f *v1.SurveillanceThresholdSet) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_SurveillanceThresholdSet{SurveillanceThresholdSet: f}}
}

func surveillanceSignalAcknowledgedFact(f *v1.SurveillanceSignalAcknowledged) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_SurveillanceSignalAcknowledged{SurveillanceSignalAcknowledged: f}}
}

func rosterFactCorrectedFact(f *v1.RosterFactCorrected) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_FactCorrected{FactCorrected: f}}
}

func rosterFactVoidedFact(f *v1.FactVoided) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_FactVoided{FactVoided: f}}
}

func rosterSessionVoidedFact(f *v1.SessionVoided) *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_SessionVoided{SessionVoided: f}}
}

func sessionStartedFact(f *v1.SessionStarted) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_SessionStarted{SessionStarted: f}}
}

func sessionEndedFact(f *v1.SessionEnded) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_SessionEnded{SessionEnded: f}}
}

func sessionMissedFact(f *v1.SessionMissed) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_SessionMissed{SessionMissed: f}}
}

func trackPlannedFact(f *v1.TrackPlanned) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: f}}
}

func trackTakenOverFact(f *v1.TrackTakenOver) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_TrackTakenOver{TrackTakenOver: f}}
}

func sitePreparedFact(f *v1.SitePrepared) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_SitePrepared{SitePrepared: f}}
}

func needleInsertedFact(f *v1.NeedleInserted) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: f}}
}

func needleRemovedFact(f *v1.NeedleRemoved) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleRemoved{NeedleRemoved: f}}
}

func pegPlacedFact(f *v1.PegPlaced) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_PegPlaced{PegPlaced: f}}
}

func pegRemovedFact(f *v1.PegRemoved) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_PegRemoved{PegRemoved: f}}
}

func pegFoundMissingFact(f *v1.PegFoundMissing) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_PegFoundMissing{PegFoundMissing: f}}
}

func complicationSeenFact(f *v1.ComplicationSeen) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_ComplicationSeen{ComplicationSeen: f}}
}

func holdPlacedFact(f *v1.HoldPlaced) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: f}}
}

func holdLiftedFact(f *v1.HoldLifted) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_HoldLifted{HoldLifted: f}}
}

func reviewOpenedFact(f *v1.ReviewOpened) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_ReviewOpened{ReviewOpened: f}}
}

func reviewClosedFact(f *v1.ReviewClosed) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_ReviewClosed{ReviewClosed: f}}
}

func trackRestedFact(f *v1.TrackRested) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_TrackRested{TrackRested: f}}
}

func trackResumedFact(f *v1.TrackResumed) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_TrackResumed{TrackResumed: f}}
}

func trackRetiredFact(f *v1.TrackRetired) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_TrackRetired{TrackRetired: f}}
}

func cannulationFactCorrectedFact(f *v1.CannulationFactCorrected) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_FactCorrected{FactCorrected: f}}
}

func cannulationFactVoidedFact(f *v1.FactVoided) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: f}}
}

func cannulationSessionVoidedFact(f *v1.SessionVoided) *v1.CannulationFact {
	return &v1.CannulationFact{Fact: &v1.CannulationFact_SessionVoided{SessionVoided: f}}
}

func accessExaminedFact(f *v1.AccessExamined) *v1.AssessmentFact {
	return &v1.AssessmentFact{Fact: &v1.AssessmentFact_AccessExamined{AccessExamined: f}}
}

func venousPressureReadFact(f *v1.VenousPressureRead) *v1.AssessmentFact {
	return &v1.AssessmentFact{Fact: &v1.AssessmentFact_VenousPressureRead{VenousPressureRead: f}}
}

func accessFlowMeasuredFact(f *v1.AccessFlowMeasured) *v1.AssessmentFact {
	return &v1.AssessmentFact{Fact: &v1.AssessmentFact_AccessFlowMeasured{AccessFlowMeasured: f}}
}

func assessmentFactCorrectedFact(f *v1.AssessmentFactCorrected) *v1.AssessmentFact {
	return &v1.AssessmentFact{Fact: &v1.AssessmentFact_FactCorrected{FactCorrected: f}}
}

func assessmentFactVoidedFact(f *v1.FactVoided) *v1.AssessmentFact {
	return &v1.AssessmentFact{Fact: &v1.AssessmentFact_FactVoided{FactVoided: f}}
}

func assessmentSessionVoidedFact(f *v1.SessionVoided) *v1.AssessmentFact {
	return &v1.AssessmentFact{Fact: &v1.AssessmentFact_SessionVoided{SessionVoided: f}}
}

func cultureResultedFact(f *v1.CultureResulted) *v1.SurveillanceFact {
	return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_CultureResulted{CultureResulted: f}}
}

func antimicrobialStartedFact(f *v1.AntimicrobialStarted) *v1.SurveillanceFact {
	return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_AntimicrobialStarted{AntimicrobialStarted: f}}
}

func antimicrobialEndedFact(f *v1.AntimicrobialEnded) *v1.SurveillanceFact {
	return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_AntimicrobialEnded{AntimicrobialEnded: f}}
}

func siteSignsSeenFact(f *v1.SiteSignsSeen) *v1.SurveillanceFact {
	return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_SiteSignsSeen{SiteSignsSeen: f}}
}

func suspectedSourceAssessedFact(f *v1.SuspectedSourceAssessed) *v1.SurveillanceFact {
	return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_SuspectedSourceAssessed{SuspectedSourceAssessed: f}}
}

func eventOutcomeAssessedFact(f *v1.EventOutcomeAssessed) *v1.SurveillanceFact {
	return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_EventOutcomeAssessed{EventOutcomeAssessed: f}}
}

func surveillanceFactCorrectedFact(f *v1.SurveillanceFactCorrected) *v1.SurveillanceFact {
	return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_FactCorrected{FactCorrected: f}}
}

func surveillanceFactVoidedFact(f *v1.FactVoided) *v1.SurveillanceFact {
	return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_FactVoided{FactVoided: f}}
}

func surveillanceSessionVoidedFact(f *v1.SessionVoided) *v1.SurveillanceFact {
	return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_SessionVoided{SessionVoided: f}}
}
