package search

// Mutant names one wrong reading of R4's rules. A comparison that cannot tell a mutant
// from the right reading does not look closely enough.
type Mutant string

// The wrong readings. None is the right one.
const (
	None               Mutant = ""
	RepeatsAreOr       Mutant = "a repeated parameter holds once"
	CommasAreAnd       Mutant = "all of a list must match"
	NotNeedsValue      Mutant = ":not leaves out what has no value"
	NotOfAny           Mutant = ":not=a,b is what lacks one of them"
	ChainNeedsAny      Mutant = "a chain asks for no more than a reference"
	PairsAreAny        Mutant = "one component of a composite is enough"
	PairsFromAnywhere  Mutant = "a composite's components hold on different elements"
	GEIsGT             Mutant = "ge is gt"
	LEIsLT             Mutant = "le is lt"
	EqualOverlaps      Mutant = "a date equals what it overlaps"
	AfterOverlaps      Mutant = "sa does not mind the rest of the day"
	NotEqualIsNone     Mutant = "ne asks that no value is equal"
	OpenEndIsStart     Mutant = "a period without an end ends where it starts"
	ZoneIsUTC          Mutant = "a search value without a zone is of UTC"
	ZonesIgnored       Mutant = "a search value with a zone is compared with digits"
	DaysAreOfUTC       Mutant = "a day is one of UTC, wherever it was"
	EqualIsExact       Mutant = "a quantity equals exactly"
	OrderIsByRange     Mutant = "gt and lt of a quantity mind its precision"
	UnitIgnored        Mutant = "the unit of a quantity does not matter"
	SystemIgnored      Mutant = "the system of a token does not matter"
	BarIsAnySystem     Mutant = "|code is any system"
	EscapesStay        Mutant = "an escaped character keeps its backslash"
	StartsIsContains   Mutant = "a string matches anywhere"
	ContainsIsStarts   Mutant = ":contains asks for the start"
	CaseMatters        Mutant = "a string matches by case"
	AccentsMatter      Mutant = "a string matches by accent"
	ExactFolds         Mutant = ":exact does not mind case"
	TypeIgnored        Mutant = "a reference's type does not matter"
	SurvivorIgnored    Mutant = "a merged patient stays by itself"
	FirstElementOnly   Mutant = "only the first of repeated elements counts"
	RootOnly           Mutant = "a combination leaves out the components"
	IdentifierIgnored  Mutant = ":identifier matches no logical reference"
	CodeCaseIgnored    Mutant = "codes match by no case"
	URIStarts          Mutant = "a uri matches by its start"
	MinutesAreSeconds  Mutant = "a minute is its first second"
	DayIsTwentyFourHrs Mutant = "a day has 24 hours"
)

// Mutants lists every wrong reading.
func Mutants() []Mutant {
	return []Mutant{
		RepeatsAreOr, CommasAreAnd, NotNeedsValue, NotOfAny, ChainNeedsAny, PairsAreAny, PairsFromAnywhere, GEIsGT,
		LEIsLT, EqualOverlaps, AfterOverlaps, NotEqualIsNone, OpenEndIsStart, ZoneIsUTC, ZonesIgnored, DaysAreOfUTC,
		EqualIsExact, OrderIsByRange,
		UnitIgnored, SystemIgnored, BarIsAnySystem, EscapesStay, StartsIsContains, ContainsIsStarts, CaseMatters,
		AccentsMatter, ExactFolds, TypeIgnored, SurvivorIgnored, FirstElementOnly, RootOnly, IdentifierIgnored,
		CodeCaseIgnored, URIStarts, MinutesAreSeconds, DayIsTwentyFourHrs,
	}
}
