package testkit

import (
	"google.golang.org/protobuf/proto"

	v1 "cannulary/proto/cannulary/v1"
)

func cannulationFacts() []proto.Message {
	arterial, yes, no := v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, v1.Answer_ANSWER_YES, v1.Answer_ANSWER_NO
	return []proto.Message{
		&v1.CannulationFact{Fact: &v1.CannulationFact_SessionStarted{SessionStarted: &v1.SessionStarted{Access: "F1",
			PumpSpeedMillilitresPerMinute: proto.Uint32(350)}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_SessionEnded{SessionEnded: &v1.SessionEnded{TreatedMinutes: proto.Uint32(240),
			EndedEarly: no, Access: "F1", PumpSpeedMillilitresPerMinute: proto.Uint32(350)}}},
		&v1.CannulationFact{
			Fact: &v1.CannulationFact_SessionMissed{SessionMissed: &v1.SessionMissed{Reason: v1.MissedReason_MISSED_REASON_IN_HOSPITAL}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: &v1.TrackPlanned{
			Access: "F1", Tracks: []*v1.TrackPlan{plan("A1", arterial), plan("V1", v1.NeedleRole_NEEDLE_ROLE_VENOUS)},
			TipDistanceMillimetres: proto.Uint32(70),
			Engorgement:            v1.Engorgement_ENGORGEMENT_TOURNIQUET, ArmPosition: "Palm up", OperatorPosition: "Left of the chair",
			Antiseptic: v1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL, AllergyNotes: "None known", PlannedBy: Staff("S-101"),
		}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_TrackTakenOver{TrackTakenOver: &v1.TrackTakenOver{
			Track: "A1", Access: "F1", Role: arterial, Stage: v1.TrackStage_TRACK_STAGE_ESTABLISHED, InUseSince: proto.String("2023-02-01"),
			SharpSessions: proto.Uint32(8), AngleDegrees: proto.Float64(25), Direction: v1.NeedleDirection_NEEDLE_DIRECTION_RETROGRADE,
			DepthMillimetres: proto.Float64(5), Gauge: proto.Uint32(15), Creator: Staff("S-101"), DeclaredBy: Staff("S-101"),
			Evidence: "Needling log of the unit before", SiteFromAnastomosisMillimetres: proto.Uint32(60), Landmarks: "Above the scar",
		}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_SitePrepared{SitePrepared: &v1.SitePrepared{
			Track: "A1", Washed: yes, DisinfectionsComplete: yes, Scab: v1.Removal_REMOVAL_WHOLE, Peg: v1.Removal_REMOVAL_NONE_PRESENT,
			PreparedBy: Staff("S-101"),
			Disinfections: []*v1.Disinfection{{Moment: v1.DisinfectionMoment_DISINFECTION_MOMENT_BEFORE_REMOVAL,
				Agent: v1.Antiseptic_ANTISEPTIC_CHLORHEXIDINE_ALCOHOL, ContactSeconds: proto.Uint32(30)}},
		}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: inserted()}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_NeedleRemoved{NeedleRemoved: &v1.NeedleRemoved{
			Track: "A1", Access: "F1", Role: arterial, AngleDegrees: proto.Float64(25), HaemostasisMinutes: proto.Float64(7),
			CompressiveDressing: yes, WaterproofDressing: no, TopicalProphylaxis: no, RemovedBy: Staff("S-102"),
		}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_PegPlaced{PegPlaced: &v1.PegPlaced{Track: "A1", SamePath: yes, Device: device(),
			PlacedBy: Staff("S-102")}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_PegRemoved{PegRemoved: &v1.PegRemoved{Track: "A1", Whole: yes,
			RemovedBy: Staff("S-102")}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_PegFoundMissing{PegFoundMissing: &v1.PegFoundMissing{Track: "A1"}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_ComplicationSeen{ComplicationSeen: &v1.ComplicationSeen{
			Kind: v1.ComplicationKind_COMPLICATION_KIND_HAEMATOMA, Track: "A1", Access: "F1", Note: "Seen at removal"}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: &v1.HoldPlaced{Track: "A1", PlacedBy: Staff("S-101"),
			Reason: "Swelling"}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_HoldLifted{HoldLifted: &v1.HoldLifted{Hold: "0123456789abcdef0123456789abcdef",
			LiftedBy: Staff("S-101"), Reason: "Swelling gone",
			MoreHolds: []string{"fedcba9876543210fedcba9876543210"}}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_ReviewOpened{ReviewOpened: &v1.ReviewOpened{Review: "R-1", Track: "A1", Access: "F1",
			OpenedBy: Staff("S-101"), Reason: "Two rescues"}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_ReviewClosed{ReviewClosed: &v1.ReviewClosed{Review: "R-1", ClosedBy: Staff("S-101"),
			Outcome: "Go on"}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_TrackRested{TrackRested: &v1.TrackRested{Track: "A1",
			Until: proto.String("2025-02-20"), Reason: "Redness", DecidedBy: Staff("S-101")}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_TrackResumed{TrackResumed: &v1.TrackResumed{Track: "A1", DecidedBy: Staff("S-101")}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_TrackRetired{TrackRetired: &v1.TrackRetired{Track: "A1", Reason: "Aneurysm",
			ReplacedBy: "A2", DecidedBy: Staff("S-101")}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_FactCorrected{FactCorrected: &v1.CannulationFactCorrected{
			Correction:  correction("m-4"),
			Replacement: &v1.CannulationFact{Fact: &v1.CannulationFact_NeedleInserted{NeedleInserted: inserted()}},
		}}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: voided()}},
		&v1.CannulationFact{Fact: &v1.CannulationFact_SessionVoided{SessionVoided: sessionVoided()}},
	}
}

func plan(track string, role v1.NeedleRole) *v1.TrackPlan {
	return &v1.TrackPlan{
		Track: track, Role: role, SiteFromAnastomosisMillimetres: proto.Uint32(60), AngleDegrees: proto.Float64(25),
		Direction: v1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE, DepthMillimetres: proto.Float64(5), Bevel: v1.Bevel_BEVEL_UP,
		Gauge: proto.Uint32(15), NeedleLengthMillimetres: proto.Uint32(25), FormingSessionsTarget: proto.Uint32(9),
		Landmarks: "Two fingers below the crease", PictureReference: "https://pictures.example/1", Fallback: "Rope ladder above",
	}
}

func inserted() *v1.NeedleInserted {
	yes, no := v1.Answer_ANSWER_YES, v1.Answer_ANSWER_NO
	return &v1.NeedleInserted{
		Track: "A1", Access: "F1", Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, Pattern: v1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE,
		AttemptOrdinal: 1, Tip: v1.NeedleTip_NEEDLE_TIP_SHARP, Gauge: proto.Uint32(15), AngleDegrees: proto.Float64(25),
		DepthMillimetres: proto.Float64(5),
		Direction:        v1.NeedleDirection_NEEDLE_DIRECTION_ANTEGRADE, Bevel: v1.Bevel_BEVEL_UP, Passes: proto.Uint32(1),
		Resistance: v1.Resistance_RESISTANCE_NONE,
		SameSpot:   yes, NewPath: no, Flashback: yes, PainScore: proto.Uint32(2), Cannulator: Staff("S-101"),
		Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL, RescueReason: v1.RescueReason_RESCUE_REASON_TRACK_UNUSED,
		Device: device(), HubGapLeft: yes, Site: "In the track, two fingers below the crease",
	}
}
