package reference

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
	}
}
