package surveillance

// Mutant names one wrong reading of what a facility's figures are. A comparison that cannot
// tell a mutant from the product could not tell the product from it either.
type Mutant string

// The wrong readings.
const (
	None                 Mutant = ""
	RestartAtZero        Mutant = "a chart restarts at 0"
	RestartSameDay       Mutant = "a chart restarts on the day of the acknowledgement"
	NoRestart            Mutant = "a chart goes on after an acknowledgement"
	ExposureOfTomorrow   Mutant = "a day's step takes the next day's exposure"
	MonthIsThirty        Mutant = "a patient-month is 30 days"
	SumBelowZero         Mutant = "the sum may fall below 0"
	LateIsLost           Mutant = "a late event of before the restart is lost"
	KnownCountsAgain     Mutant = "what was known counts again after the restart"
	SignalNeedsThreshold Mutant = "a signal goes with its threshold"
	SignalFalls          Mutant = "a signal falls with the sum"
	AnswerWithoutSignal  Mutant = "an acknowledgement without a signal restarts"
	AnyChartAnswered     Mutant = "an acknowledgement answers every chart"
	EarlyAnswerStands    Mutant = "an early acknowledgement restarts before the signal"
	NewLimitOldSum       Mutant = "a new threshold goes on with the old sum"
	DatesAreUTC          Mutant = "a message's date is that of UTC"
	BeforeTheRecord      Mutant = "days before the first treatment count"
	BeforeTheRecordRated Mutant = "a census of before the first treatment makes a rate"
	TomorrowCounts       Mutant = "tomorrow counts"
	Anywhere             Mutant = "events of other facilities count"
	UncountedCount       Mutant = "what does not count counts"
	UncertainIsElsewhere Mutant = "an uncertain source is none of the access"
	NearIsLocalToo       Mutant = "signs near a bloodstream infection are local"
	SIRBelowOne          Mutant = "an SIR is shown below one predicted"
	GeneralGoesFirst     Mutant = "a general reference goes before a special one"
	HolidaysWork         Mutant = "holidays are working days"
	EveryDayWorks        Mutant = "every day is a working day"
	FirstCensusStands    Mutant = "the first census of a month stands"
	ConstantSiteIsAdded  Mutant = "constant-site is added to the fistulas"
	YearMayLackMonths    Mutant = "a year may lack a month's census"
	OpenMonthHasRate     Mutant = "a month that is not over has a rate"
	TenPercentIsEnough   Mutant = "10 % are a disagreement by themselves"
	TwoPatientsAreEnough Mutant = "more than two patients are a disagreement by themselves"
	EarliestOfCensus     Mutant = "a patient's technique is that of the first day of the census"
	TwiceIsTwo           Mutant = "a patient on both days of the census is two"
	NoDaysNobody         Mutant = "a census without days is one of nobody"
	OldAnswerRestarts    Mutant = "what was acknowledged before a threshold restarts its chart"
	PendingIsLost        Mutant = "what the former chart had still to count is lost"
	BeforeTheChart       Mutant = "what was before the first threshold counts on a later one's first day"
	FormerRestarts       Mutant = "an acknowledgement after a new threshold restarts the former chart"
	SameDayIsLost        Mutant = "what a threshold of the same day had still to count is lost"
	ReachedAfterAnswer   Mutant = "a signal's sum is looked at beyond its acknowledgement"
	NegativeIsNone       Mutant = "a negative blood culture is none"
	MidPIsExact          Mutant = "mid-P limits are the exact ones"
	OneSided             Mutant = "p is that of one side"
	RatioUpsideDown      Mutant = "the other technique is divided by constant-site"
	LastIsFirst          Mutant = "days since the first event"
)

// Mutants lists every wrong reading.
func Mutants() []Mutant {
	return []Mutant{
		RestartAtZero, RestartSameDay, NoRestart, ExposureOfTomorrow, MonthIsThirty, SumBelowZero,
		LateIsLost, KnownCountsAgain, SignalNeedsThreshold, SignalFalls, AnswerWithoutSignal, AnyChartAnswered, EarlyAnswerStands,
		NewLimitOldSum, DatesAreUTC, BeforeTheRecord, BeforeTheRecordRated, TomorrowCounts, Anywhere, UncountedCount,
		UncertainIsElsewhere, NearIsLocalToo, SIRBelowOne, GeneralGoesFirst, HolidaysWork, EveryDayWorks,
		FirstCensusStands, ConstantSiteIsAdded, YearMayLackMonths, OpenMonthHasRate, TenPercentIsEnough,
		TwoPatientsAreEnough, EarliestOfCensus, TwiceIsTwo, NoDaysNobody, OldAnswerRestarts, PendingIsLost,
		BeforeTheChart, FormerRestarts, SameDayIsLost, ReachedAfterAnswer, NegativeIsNone, MidPIsExact, OneSided, RatioUpsideDown,
		LastIsFirst,
	}
}
