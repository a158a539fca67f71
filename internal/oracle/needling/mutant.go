package needling

// Mutant names one wrong reading of the rules. A comparison that cannot tell a mutant from
// the right reading does not look closely enough.
type Mutant string

// The wrong readings. None is the right one.
const (
	None                  Mutant = ""
	GapOfSevenAsks        Mutant = "a gap of 7 days asks for one more"
	GapOfFourteenRestarts Mutant = "a gap of 14 days restarts"
	RestartKeepsExtras    Mutant = "a restart keeps the extras"
	RestartKeepsEntries   Mutant = "a restart counts on"
	UnknownSpotCounts     Mutant = "an unknown spot counts"
	UnknownPathCounts     Mutant = "a path not recorded counts"
	DoubtIsNothing        Mutant = "a session in doubt changes nothing"
	DoubtCounts           Mutant = "a session in doubt counts"
	DeputyBeforeNamed     Mutant = "a deputy counts before being named"
	LatestAngle           Mutant = "the reference angle is that of the latest entry"
	PlanAngleSteps        Mutant = "the plan's angle steps in for an unrecorded one"
	ToleranceOpen         Mutant = "the boundary of the tolerance is outside"
	FinalEntryOnly        Mutant = "only the final entry is asked for spot, path and hand"
	RescueBreaksStage     Mutant = "a rescue ends the trial"
	FailureIsIgnored      Mutant = "a blunt failure before a success does not end the streak"
	TrialCurrentStreak    Mutant = "a track is established by its current streak only"
	LiftLiftsAll          Mutant = "a lift lifts every hold"
	LiftAnyTime           Mutant = "a lift dated before its hold lifts it"
	RetractedLifts        Mutant = "a retracted ground lifts its hold"
	PegTwice              Mutant = "a peg is judged twice per interval"
	PegMissingIsFound     Mutant = "a peg told as none present is found"
	EasyLastOnly          Mutant = "easy looks at the last entry only"
	SlightIsEasy          Mutant = "slight resistance is easy"
	TwoOfOneDay           Mutant = "two sessions of a day count"
	UTCDays               Mutant = "days are those of UTC"
	WindowOpen            Mutant = "the window of rescues leaves out its far end"
	ReadyIgnoresHolds     Mutant = "a held track is ready"
	BluntAnywhereTrial    Mutant = "a blunt entry before ready begins the trial"
	ResumeForgotten       Mutant = "a rest is not ended by resuming"
	AccessKeepsTracks     Mutant = "a retired access leaves its tracks"
	GraftAllowed          Mutant = "a graft is as good as a fistula"
	UsualIncludesRun      Mutant = "the usual haemostasis takes in the run"
	TwoDisinfectionsFirst Mutant = "the first session is asked for two disinfections"
	PlaceDecidesTarget    Mutant = "the protocol of the place decides the target"
	HomeDecidesPlace      Mutant = "the home protocol decides pegs, angle and preparation"
	AdmissionLooksAhead   Mutant = "an admission still to come moves the protocol"
	GuestMovesStay        Mutant = "a session as a guest moves the protocol"
	LeavingAnywhereEnds   Mutant = "leaving elsewhere ends the stay"
	UnreferencedAlone     Mutant = "attempts without a reference are sessions by themselves"
	NightIsAnother        Mutant = "attempts after midnight are another session"
	ReviewedForGood       Mutant = "a stop that a review ended never returns"
	DayHoldIsOver         Mutant = "a session of the day of a ground known to the day is under its hold"
	LiftedHoldIsForgotten Mutant = "a hold that was lifted reaches no session"
	AnyEntryGivesGauge    Mutant = "any successful entry gives the gauge"
	SplitIsOne            Mutant = "a reference over days is one session"
	LaterEntryDirects     Mutant = "a later entry changes the direction to repeat"
	EntryFoundsTakenOver  Mutant = "an entry founds a track that was taken over"
	TakeoverKeepsCreator  Mutant = "a takeover keeps the earlier creator"
	UnknownAccessIsFree   Mutant = "a hold on an access leaves tracks of unknown access"
	UnderHoldCounts       Mutant = "a session under a hold counts"
	FirstAttemptForHold   Mutant = "only the first attempt is looked at for a hold"
	DayGroundAtNoon       Mutant = "a ground known to the day holds from noon"
	TimedLiftLiftsDay     Mutant = "a lift within the day lifts a hold known to the day"
	DayLiftAtNoon         Mutant = "a lift known to the day works at noon"
	DayHoldIsNoDoubt      Mutant = "a session of the day of a ground known to the day counts"
	EarlyBluntInDoubt     Mutant = "a blunt needle in doubt because of a hold is too early"
	MoreHoldsForgotten    Mutant = "a lift lifts the first hold that it names"
	BluntAfterGapBegins   Mutant = "a blunt needle after a long gap begins the trial"
	UnusedSinceAnything   Mutant = "unused counts from the last session whatever was used"
	NeedleEndsStop        Mutant = "a needle ends the stop of a track not used"
	EarlyReviewEndsStop   Mutant = "a review before the stop ends it"
	RestIsNotSilent       Mutant = "a rest does not silence a track not used"
	AwayIsNotSilent       Mutant = "being away does not silence a track not used"
	AnyExaminationEnds    Mutant = "what an examination found ends with any later one"
	PulseSaidTwice        Mutant = "an outflow sign of the pulse is said twice"
	AneurysmStaysCaution  Mutant = "an aneurysm stays a caution after a review"
	RestatedByFirst       Mutant = "an access is restated against its first statement"
	UnusedNamedByLast     Mutant = "what a track not used shows is named by its last needle"
	LiftFreesUnheardOf    Mutant = "a lift frees a place that a later correction brings in"
)

// Mutants lists every wrong reading.
func Mutants() []Mutant {
	return []Mutant{
		GapOfSevenAsks, GapOfFourteenRestarts, RestartKeepsExtras, RestartKeepsEntries, UnknownSpotCounts,
		UnknownPathCounts, DoubtIsNothing, DoubtCounts, DeputyBeforeNamed, LatestAngle, PlanAngleSteps,
		ToleranceOpen, FinalEntryOnly, RescueBreaksStage, FailureIsIgnored, TrialCurrentStreak, LiftLiftsAll,
		LiftAnyTime, RetractedLifts, PegTwice, PegMissingIsFound, EasyLastOnly, SlightIsEasy, TwoOfOneDay,
		UTCDays, WindowOpen, ReadyIgnoresHolds, BluntAnywhereTrial, ResumeForgotten, AccessKeepsTracks,
		GraftAllowed, UsualIncludesRun, TwoDisinfectionsFirst,
		PlaceDecidesTarget, HomeDecidesPlace, AdmissionLooksAhead, GuestMovesStay, LeavingAnywhereEnds, UnreferencedAlone,
		SplitIsOne,
		NightIsAnother, ReviewedForGood, DayHoldIsOver, LiftedHoldIsForgotten, AnyEntryGivesGauge,
		LaterEntryDirects, EntryFoundsTakenOver, TakeoverKeepsCreator, UnknownAccessIsFree, UnderHoldCounts,
		FirstAttemptForHold, DayGroundAtNoon, TimedLiftLiftsDay, DayLiftAtNoon, DayHoldIsNoDoubt, EarlyBluntInDoubt,
		MoreHoldsForgotten, BluntAfterGapBegins, UnusedSinceAnything, NeedleEndsStop, EarlyReviewEndsStop, RestIsNotSilent,
		AwayIsNotSilent, AnyExaminationEnds, PulseSaidTwice, AneurysmStaysCaution, RestatedByFirst, LiftFreesUnheardOf,
		UnusedNamedByLast,
	}
}
