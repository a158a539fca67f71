package track

import (
	"slices"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/rule"
	"cannulary/internal/trend"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Stage is how far a track has come.
type Stage string

// The stages.
const (
	Planned     Stage = "planned"
	Forming     Stage = "forming"
	Ready       Stage = "ready"
	Trial       Stage = "trial"
	Established Stage = "established"
	Resting     Stage = "resting"
	Retired     Stage = "retired"
)

// Needle is the needle that comes next.
type Needle string

// The needles.
const (
	Sharp Needle = "sharp"
	Blunt Needle = "blunt"
	None  Needle = "none"
)

// Input is everything that the judgement looks at.
type Input struct {
	// Items are the facts of one patient, all merged identities together, after
	// corrections and voids, in the order of record.Before.
	Items []record.Item
	// Ratings are the `cannulator_rated` facts of the staff concerned, after corrections and
	// voids, in the order of record.Before.
	Ratings []record.Item
	// TrackKeys and AccessKeys tell, by name, under which patient key a track or an access is
	// known, where merged identities have the same names. Without it, it is that of the first
	// fact that names it.
	TrackKeys, AccessKeys map[string]string
	// Refused are merges that had no effect, see record.Identities.
	Refused []record.Item
	// Book knows the protocols.
	Book *protocol.Book
	// Zone gives a facility's time zone.
	Zone func(facility string) *time.Location
	// AsOf is the moment that is asked for: later facts are not looked at.
	AsOf time.Time
}

// Judgement is the answer for one patient at one moment.
type Judgement struct {
	AsOf time.Time
	// Tracks are in this order: those in use before retired ones, arterial before venous,
	// older before newer.
	Tracks []State
	// Holds are all holds ever placed, oldest first; see Open.
	Holds []Hold
	// Findings are all findings, oldest first; those that stand have no time of clearing.
	Findings []Finding
	// Accesses are those that the facts name, in the order of first mention.
	Accesses []AccessState
	// Where is where the patient is; its Facility is the one whose protocol and calendar judge.
	Where Whereabouts
	// Due is the first local date after AsOf's on which the answer may change by the
	// calendar alone; empty where none is known.
	Due string
}

// Open are the holds that are open at AsOf, oldest first.
func (j *Judgement) Open() []Hold {
	var out []Hold
	for _, h := range j.Holds {
		if h.Lifted.IsZero() {
			out = append(out, h)
		}
	}
	return out
}

// GivenUp tells whether all that the hold covers is no longer used. It still stays until a
// person lifts it, but holds no needle back.
func (j *Judgement) GivenUp(h *Hold) bool {
	used := map[string]bool{}
	for i := range j.Tracks {
		used["track "+j.Tracks[i].Name] = j.Tracks[i].Stage != Retired
	}
	for i := range j.Accesses {
		used["access "+j.Accesses[i].Name] = !j.Accesses[i].Retired
	}
	places := h.Places()
	for _, p := range places {
		if in, known := used[p]; in || !known {
			return false
		}
	}
	return len(places) > 0
}

// Standing are the findings that stand at AsOf, oldest first.
func (j *Judgement) Standing() []Finding {
	var out []Finding
	for _, f := range j.Findings {
		if f.Cleared.IsZero() {
			out = append(out, f)
		}
	}
	return out
}

// Finding is one judgement of a rule.
type Finding struct {
	ID       string // record.FindingID
	Rule     string // a code of package rule
	Severity rule.Severity
	Track    string // the track's name; empty where the finding is about an access
	Access   string // the access's name, where known
	// Since is the clinical time of the ground, the fact that raised it.
	Since time.Time
	// Seen is what was seen, Asked what the rule asks with the protocol's values.
	Seen  string
	Asked string
	// Clears is what would clear it.
	Clears string
	// Facts are the ids of the facts that it rests on, the ground first.
	Facts []string
	// Protocol is the version that was in force.
	Protocol string
	// Hold is the id of the hold that it opened, empty for none.
	Hold string
	// Cleared is when it ended, zero while it stands; ClearedBy what ended it.
	Cleared   time.Time
	ClearedBy string

	aspect string // tells findings of one rule and place apart
	date   string // local date of the ground, where it opens a hold by itself
	// needled are the treatments with a needle under that hold, needledLast their latest date.
	needled     []string
	needledLast string
	lapses      time.Time // when the calendar clears it, zero for never
	key         string    // occasion that it belongs to, or facility whose calendar clears it
	needs       int       // treatments that must still pass, or rescues that must stay in the window
	window      int       // days
}

// Hold is a hold: no needle until a person lifts it.
type Hold struct {
	ID   string // record.HoldID
	Rule string // a code of package rule
	// Tracks and Accesses are the names of what is held.
	Tracks   []string
	Accesses []string
	Since    time.Time
	// Date is the local date of the ground at its facility. DayKnown tells that its time is not
	// known: Since is the start of the day.
	Date     string
	DayKnown bool
	Text     string // what was seen, or the person's reason
	Asked    string // what the rule asks
	Clears   string
	Ground   string                       // id of the fact
	By       *cannularyv1.StaffIdentifier // of a person's hold
	// GroundWithdrawn tells that the fact it rests on was corrected or taken back since; the
	// hold stays until a person lifts it.
	GroundWithdrawn bool
	// Lifted is when it was lifted, zero while it is open.
	Lifted   time.Time
	LiftedBy *cannularyv1.StaffIdentifier
	Reason   string // of the lift
	LiftFact string
	// Needled counts the sessions in which a needle was used under the hold, NeedledLast is the
	// local date of the last of them.
	Needled     int
	NeedledLast string

	until  time.Time // no lift before it works
	days   []span    // on which it began, nobody knows at what time
	places []string  // treatments with a needle under it
}

// span is a stretch of time, its end not included.
type span struct{ from, to time.Time }

// Shown gathers the open holds as they are shown and counted: those of one rule on the same
// places from one local date are one. Each group is oldest first, and so are the groups.
func (j *Judgement) Shown() [][]Hold {
	var out [][]Hold
	for _, h := range j.Open() {
		i := slices.IndexFunc(out, func(g []Hold) bool {
			return g[0].Rule == h.Rule && g[0].Date == h.Date && h.Rule != rule.Person && slices.Equal(sortedCopy(g[0].Places()), sortedCopy(h.Places()))
		})
		if i < 0 {
			out = append(out, []Hold{h})
		} else {
			out[i] = append(out[i], h)
		}
	}
	return out
}

func sortedCopy(list []string) []string {
	out := slices.Clone(list)
	slices.Sort(out)
	return out
}

// Places names what is held: "access NAME", "track NAME".
func (h *Hold) Places() []string {
	var out []string
	for _, a := range h.Accesses {
		out = append(out, "access "+a)
	}
	for _, t := range h.Tracks {
		out = append(out, "track "+t)
	}
	return out
}

// Extra is one more forming session that a rule asks for.
type Extra struct {
	Rule string // the rule's code: gap-long or peg-missing
	Text string
}

// State is what one track is.
type State struct {
	ID     string // record.TrackID
	Name   string // the sender's name
	Access string
	Role   cannularyv1.NeedleRole
	Stage  Stage
	// Folded is the stage that rest and retirement cover.
	Folded Stage
	// Counted are the sharp sessions that count; Target is what the protocol and the plan
	// ask for, Extras come on top.
	Counted int
	Target  int
	Extras  []Extra
	// Streak is the number of consecutive successful blunt sessions.
	Streak int
	// ReferenceAngle in degrees; nil if not known. With Direction, Bevel and Depth it is what
	// the next cannulator repeats.
	ReferenceAngle *float64
	Direction      cannularyv1.NeedleDirection
	Bevel          cannularyv1.Bevel
	Depth          *float64 // millimetres
	Gauge          *uint32
	NeedleLength   *uint32 // millimetres, the plan's
	// Founded tells that a first insertion, or a takeover, has set what is repeated. FromPlan
	// names those of angle, direction, bevel and depth that are shown as the plan has them;
	// PlanDiffers says where the plan asks for something else than was set.
	Founded     bool
	FromPlan    []string
	PlanDiffers []string
	// Mend says what of the first insertion is missing, so that no session can count, and what
	// mends it; empty where nothing is.
	Mend    string
	Creator *cannularyv1.StaffIdentifier
	// FirstBy made the first insertion of a track that was not taken over; nil if not known.
	FirstBy *cannularyv1.StaffIdentifier
	// Entered tells that a needle was used in it, or that it was taken over.
	Entered  bool
	Deputies []*cannularyv1.StaffIdentifier
	// IdleDays are the local calendar days since the latest session in the track, Unserved
	// those since the last that counted; -1 where there was none.
	IdleDays int
	Unserved int
	// NotReady says, for a forming track, what is missing beside the count.
	NotReady []string
	// Held are the ids of the open holds on the track or its access.
	Held     []string
	Rest     string // why it rests, and until when
	Retired  string // why it was given up
	Replaced string // the track that replaces it
	Plan     *cannularyv1.TrackPlan
	Planned  *cannularyv1.TrackPlanned
	PlanAt   time.Time
	Taken    *cannularyv1.TrackTakenOver
	TakenAt  time.Time
	// UnderReview tells that a review of the track or its access is open.
	UnderReview bool
	// Peg is what is known of a peg in the track now.
	Peg Peg
	// Next is the next needle.
	Next     Next
	Recent   []Visit // newest first, at most five
	Trends   Trends
	Protocol protocol.Parameters // in force at the moment asked for
	// Newest is the clinical time of the newest fact about the track.
	Newest time.Time
}

// Peg is what is known of a peg in a track.
type Peg string

// What may be known of a peg.
const (
	PegUnknown Peg = "unknown" // nothing recorded since the last session
	PegIn      Peg = "in place"
	PegOut     Peg = "none"
)

// Next is the next needle and why.
type Next struct {
	Needle Needle
	// Session is its number among the sharp sessions that count, or among the consecutive
	// blunt ones in the trial; 0 where it has none.
	Session int
	// Why says it in sentences. Caution is the part of it that comes first: the cautions and stops
	// that stand on the track and its access, and a gap that is still open; empty for none.
	Why     string
	Caution string
}

// Visit is one session in a track, as the card shows it.
type Visit struct {
	Date       string // local
	At         time.Time
	Tip        Needle // of the final entry; none where it is not recorded
	Attempts   int
	Success    bool
	Counted    bool // towards the target, or in the run of blunt sessions
	InDoubt    bool // does not count only because of what is not recorded
	WhyNot     []string
	Angle      *float64
	Gauge      *uint32
	Passes     *uint32
	Resistance cannularyv1.Resistance
	Pain       *uint32
	Who        *cannularyv1.StaffIdentifier
	Rescue     bool
	// Complications of the session in the track, in words.
	Complications []string
}

// recentVisits is how many sessions the card shows.
const recentVisits = 5

// Trends are the figures of a track beside the rules.
type Trends struct {
	// Angles are those of the last twelve entries that recorded one.
	Angles trend.CircularSummary
	// Haemostasis is the patient's usual in this track, minutes; HaemostasisKnown is false
	// with fewer than six recorded. HaemostasisRun counts the sessions running above it.
	Haemostasis      trend.Band
	HaemostasisKnown bool
	HaemostasisRun   int
	// BluntSessions are those in trial and after in which a needle was used, BluntSuccessful
	// those whose final entry was blunt and successful without a rescue or failure;
	// BluntLower and BluntUpper are exact 95 % limits of their share.
	BluntSessions, BluntSuccessful int
	BluntLower, BluntUpper         float64
	// Rescues are the sessions with a rescue; RescueSum is the Bernoulli CUSUM over the
	// sessions past forming, which signals at RescueLimit.
	Rescues     int
	RescueSum   float64
	RescueLimit float64
}

// AccessState is what is known of an access.
type AccessState struct {
	ID      string // record.AccessID
	Name    string
	Kind    cannularyv1.AccessKind
	Side    cannularyv1.BodySide
	Region  cannularyv1.AccessRegion
	Retired bool
	// Examined is when it was last examined; zero if never. ExaminedOn is that local date.
	Examined   time.Time
	ExaminedOn string
	// NotExamined are the parts of looking, listening and feeling that none of the examinations
	// of that session (without a reference, of that day) recorded.
	NotExamined []string
	// Pressure is the last look at its venous pressure; PressureKnown is false before the
	// first. Flow is the last flow, mL/min.
	Pressure      trend.Trend
	PressureKnown bool
	PressureAt    time.Time
	Flow          *float64
	FlowAt        time.Time
	// Usual gives the gauge of the pressure series.
	PressureGauge uint32
}
