package track

import (
	"slices"
	"time"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	"cannulary/internal/track/trend"
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
	// Items are the facts of one patient, of all merged identities, after corrections and voids,
	// in the order of record.Before.
	Items []record.Item
	// Ratings are the `cannulator_rated` facts of the staff concerned, after corrections and
	// voids, in the order of record.Before.
	Ratings []record.Item
	// TrackKeys and AccessKeys give, by name, the patient key of a track or an access, for
	// merged identities that use the same name. For a name that is missing, it is the key of the
	// first fact that names it.
	TrackKeys, AccessKeys map[string]string
	// Refused are the merges that had no effect, see record.Identities.
	Refused []record.Item
	// Book holds the protocols.
	Book *protocol.Book
	// Zone gives a facility's time zone.
	Zone func(facility string) *time.Location
	// AsOf is the moment asked for: later facts are ignored.
	AsOf time.Time
}

// Judgement is the answer for one patient at one moment.
type Judgement struct {
	AsOf time.Time
	// Tracks are in this order: those in use before retired ones, arterial before venous,
	// older before newer.
	Tracks []State
	// Holds are all holds ever placed, oldest first. Open returns the open ones.
	Holds []Hold
	// Findings are all findings, oldest first. Cleared is zero in those that stand.
	Findings []Finding
	// Accesses are the accesses that the facts name, in the order of first mention.
	Accesses []AccessState
	// Where is where the patient is dialysed. The protocol and calendar of its Facility judge.
	Where Whereabouts
	// Due is the first local date after AsOf on which the calendar alone can change the
	// judgement; empty if there is none.
	Due string
}

// Open returns the holds that are open at AsOf, oldest first.
func (j *Judgement) Open() []Hold {
	var out []Hold
	for _, h := range j.Holds {
		if h.Lifted.IsZero() {
			out = append(out, h)
		}
	}
	return out
}

// GivenUp reports whether every place that the hold covers is retired. Such a hold stays open
// until a person lifts it, but it holds no needle back.
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

// Standing returns the findings that stand at AsOf, oldest first.
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
	// Seen is what was seen. Asked is what the rule asks, with the protocol's values.
	Seen  string
	Asked string
	// Clears is what would clear it.
	Clears string
	// Facts are the ids of the facts that the finding rests on, the ground first.
	Facts []string
	// Protocol is the version in force for the ground.
	Protocol string
	// Hold is the id of the hold that goes with the finding, empty for none.
	Hold string
	// Cleared is when it ended, zero while it stands. ClearedBy is what ended it.
	Cleared   time.Time
	ClearedBy string

	aspect string // tells apart the findings of one rule at one place
	named  string // the fact that stands for the ground in the id, empty for the ground
	date   string // local date of the ground, for a rule that holds without a fact that places a hold
	// needled are the treatments with a needle under that hold. needledLast is the latest of
	// their dates.
	needled     []string
	needledLast string
	lapses      time.Time // when the calendar clears it, zero for never
	key         string    // occasion that it belongs to, or facility whose calendar clears it
	needs       int       // treatments that must still pass, or rescues that must stay in the window
	window      int       // days
}

// Hold bars the needle from its places until a person lifts it.
type Hold struct {
	ID   string // record.HoldID
	Rule string // a code of package rule
	// Tracks and Accesses are the names of the places that are held.
	Tracks   []string
	Accesses []string
	Since    time.Time
	// Date is the local date of the ground at its facility. If DayKnown, only the day is known,
	// and Since is its start.
	Date     string
	DayKnown bool
	Text     string // what was seen, or the person's reason
	Asked    string // what the rule asks
	Clears   string
	Ground   string                       // id of the fact
	By       *cannularyv1.StaffIdentifier // of a person's hold
	// GroundWithdrawn reports that the ground was corrected or voided since. The hold stays
	// until a person lifts it.
	GroundWithdrawn bool
	// Lifted is when it was lifted, zero while it is open.
	Lifted   time.Time
	LiftedBy *cannularyv1.StaffIdentifier
	Reason   string // of the lift
	// Needled counts the treatments in which a needle was used under the hold. NeedledLast is
	// the local date of the last of them.
	Needled     int
	NeedledLast string

	until  time.Time // a lift before it has no effect
	days   []span    // days on which it began at an unknown time
	places []string  // treatments with a needle under it
}

// span is a stretch of time, its end not included.
type span struct{ from, to time.Time }

// Shown returns the open holds in the groups in which they are shown and counted. Holds of one
// rule on the same places and of one local date are a group. Groups, and holds in a group, are
// oldest first.
func (j *Judgement) Shown() [][]Hold {
	var out [][]Hold
	for _, h := range j.Open() {
		i := slices.IndexFunc(out, func(g []Hold) bool {
			return g[0].Rule == h.Rule && g[0].Date == h.Date && h.Rule != rule.Person &&
				slices.Equal(slices.Sorted(slices.Values(g[0].Places())), slices.Sorted(slices.Values(h.Places())))
		})
		if i < 0 {
			out = append(out, []Hold{h})
		} else {
			out[i] = append(out[i], h)
		}
	}
	return out
}

// Places returns the held places as "access NAME" and "track NAME".
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

// Extra is one forming session that a rule adds to the target.
type Extra struct {
	Rule string // the rule's code: gap-long or peg-missing
	Text string
}

// State is one track at the moment asked for.
type State struct {
	ID     string // record.TrackID
	Name   string // the sender's name
	Access string
	Role   cannularyv1.NeedleRole
	Stage  Stage
	// Folded is the stage below a rest or a retirement.
	Folded Stage
	// Counted is the number of sharp sessions that count. Target is what protocol and plan ask
	// for; Extras are added to it.
	Counted int
	Target  int
	Extras  []Extra
	// Streak is the number of consecutive successful blunt sessions.
	Streak int
	// ReferenceAngle is in degrees, nil if not known. With Direction, Bevel and Depth it is what
	// the next cannulator repeats.
	ReferenceAngle *float64
	Direction      cannularyv1.NeedleDirection
	Bevel          cannularyv1.Bevel
	Depth          *float64 // millimetres
	Gauge          *uint32
	NeedleLength   *uint32 // millimetres, the plan's
	// Founded reports that a first insertion or a takeover has set these values. FromPlan names
	// those of angle, direction, bevel and depth that are taken from the plan. PlanDiffers says
	// what the plan states otherwise.
	Founded     bool
	FromPlan    []string
	PlanDiffers []string
	// Mend says what the first insertion lacks, so that no session can count, and what mends it;
	// empty if it lacks nothing.
	Mend    string
	Creator *cannularyv1.StaffIdentifier
	// FirstBy made the first insertion; nil if that is not known, or if the track was taken
	// over.
	FirstBy *cannularyv1.StaffIdentifier
	// Entered reports that a needle was used in the track, or that it was taken over.
	Entered  bool
	Deputies []*cannularyv1.StaffIdentifier
	// IdleDays is the number of local calendar days since the latest session in the track; -1 if
	// there was none.
	IdleDays int
	// NotReady says why a forming track is not ready.
	NotReady []string
	// Held are the ids of the open holds on the track.
	Held     []string
	Rest     string // why it rests, and until when
	Retired  string // why it was given up
	Replaced string // the track that replaces it
	Plan     *cannularyv1.TrackPlan
	Planned  *cannularyv1.TrackPlanned
	PlanAt   time.Time
	Taken    *cannularyv1.TrackTakenOver
	TakenAt  time.Time
	// TakenOn is the local date of the takeover. SinceTaken is the number of sessions in the track
	// that are folded since then.
	TakenOn    string
	SinceTaken int
	// UnderReview reports that a review of the track or its access is open.
	UnderReview bool
	// Peg is what is known of a peg in the track now.
	Peg Peg
	// Again is of how many sessions the next one that counts is number 1, where counting starts again with it after a gap;
	// else 0. What counts so far is no progress then. OneMore tells that a shorter gap, which no session has ended, adds one.
	Again   int
	OneMore bool
	// Next is the next needle.
	Next     Next
	Recent   []Visit // newest first, at most five
	Life     *Life   // nil but for FoldLives
	Trends   Trends
	Protocol protocol.Parameters // in force at the moment asked for
	// Newest is the clinical time of the newest fact about the track.
	Newest time.Time
}

// Course is how many sessions the course has to which the next session belongs: with the one that a gap adds, although no
// session has ended the gap yet.
func (s *State) Course() int {
	switch needed := s.Target + len(s.Extras); {
	case s.Again > 0:
		return s.Again
	case s.OneMore:
		return needed + 1
	default:
		return needed
	}
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
	// Session is the number of the next session: among the sharp sessions that count, or in the
	// trial among the consecutive blunt ones; 0 if it has none.
	Session int
	// Why gives the reason in sentences. Caution is its first part, empty for none: the cautions
	// and stops on the track and its access, and a gap that no session has ended.
	Why     string
	Caution string
}

// Visit is one session in a track, as the card shows it.
type Visit struct {
	Date       string // local
	At         time.Time
	Tip        Needle // of the final entry; none if it is not recorded
	Attempts   int
	Success    bool
	Counted    bool // towards the target, or in the streak
	InDoubt    bool // it does not count, only because a detail is not recorded
	WhyNot     []string
	Angle      *float64
	Gauge      *uint32
	Passes     *uint32
	Resistance cannularyv1.Resistance
	Pain       *uint32
	Who        *cannularyv1.StaffIdentifier
	Rescue     bool
	// Complications of the session in this track, in words.
	Complications []string
}

// recentVisits is how many sessions the card shows.
const recentVisits = 5

// Trends are the figures of a track beside the rules.
type Trends struct {
	// Angles summarises the last twelve entries that recorded an angle.
	Angles trend.CircularSummary
	// Haemostasis is the patient's usual in this track, minutes. HaemostasisKnown is false with
	// fewer than six values. HaemostasisRun is the number of latest sessions in a row above it.
	Haemostasis      trend.Band
	HaemostasisKnown bool
	HaemostasisRun   int
	// BluntSessions counts the sessions in trial and after in which a needle was used.
	// BluntSuccessful counts those in which every used needle was blunt and successful.
	// BluntLower and BluntUpper are exact 95 % limits of their share.
	BluntSessions, BluntSuccessful int
	BluntLower, BluntUpper         float64
	// Rescues counts the sessions with a rescue. RescueSum is the Bernoulli CUSUM over the
	// sessions past forming. It signals at RescueLimit.
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
	// Examined is the time of the last examination, zero if there was none. ExaminedOn is its
	// local date.
	Examined   time.Time
	ExaminedOn string
	// NotExamined are the parts of looking, listening and feeling that no examination of that
	// session recorded; without a session reference, no examination of that day.
	NotExamined []string
	// Pressure is the last trend of its venous pressure; PressureKnown is false before the
	// first. Flow is the last flow, mL/min.
	Pressure      trend.Trend
	PressureKnown bool
	PressureAt    time.Time
	Flow          *float64
	FlowAt        time.Time
	// PressureGauge is the gauge of the running pressure series.
	PressureGauge uint32
}
