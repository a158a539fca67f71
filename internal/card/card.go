// Package card makes the chairside card: what the cannulator must know of one patient before
// touching the arm, each advice with its reason. It is a pure function: the caller states who
// the patient is and how far the view is behind. Package track decides what a track is and which
// needle comes next. The card puts that into words and adds what to do.
package card

import (
	"cmp"
	"slices"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/track"
	"cannulary/internal/worklist"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Caution stands on every card.
const Caution = "Decision support only, from what was recorded. The record may lag behind the patient, and what was not recorded was not " +
	"judged. Examine the access yourself before every needling, whatever this card says: with no thrill or no bruit, with redness, pus, " +
	"swelling, thin skin or a scab that does not heal, do not needle and call. The unit's protocol and a licensed practitioner decide."

// Card is the answer for one patient at one moment. Instants are in UTC. TimeZone is the IANA
// name of the facility's zone, in which Text and the pages show them.
type Card struct {
	Patient     Patient    `json:"patient"`
	Facility    string     `json:"facility"`
	TimeZone    string     `json:"timeZone"`
	AsOf        time.Time  `json:"asOf"`
	KnownAt     time.Time  `json:"knownAt"`
	Past        string     `json:"past,omitempty"` // the moment asked for, if it is not the present
	LastFactAt  *time.Time `json:"lastFactAt"`
	Lagging     bool       `json:"lagging"`
	Quarantined int        `json:"quarantined"`
	// Partial reports that a part of the record is not shown to this reader: see package extract.
	Partial bool `json:"partial,omitempty"`
	// Left reports that the patient left the unit and was not admitted again since.
	Left bool `json:"left"`
	// StandingHold reports that a hold is open on a place that is still used.
	StandingHold bool `json:"standingHold"`
	// Holds are the open holds, oldest first. Those of one rule, on the same places and of one
	// local date, are shown as one. History are the open holds on places that are no longer
	// used.
	Holds   []Hold `json:"holds"`
	History []Hold `json:"history"`
	Use     Use    `json:"use"`
	// Findings are those that belong to no track and no access on the card.
	Findings []Finding `json:"findings"`
	Accesses []Access  `json:"accesses"`
	Tracks   []Track   `json:"tracks"`
	// Treatments are the latest sessions with a needle in no track, or with none, newest first.
	Treatments []Treatment `json:"treatments"`
	Schedule   *Schedule   `json:"schedule,omitempty"` // nil if none is in force
	Due        []Due       `json:"due"`                // of the card's date and the next
	// ChangesOn is the first local date on which what the card says may change though nothing happens; empty for none.
	ChangesOn string `json:"changesOn,omitempty"`
	// Sources are the facts that holds, findings and tracks rest on, oldest first.
	Sources []Source `json:"sources"`
	Notices []string `json:"notices"`
	Caution string   `json:"caution"`
}

// IdentityConflict is the rule of what may be another person's in a patient's identity facts.
const IdentityConflict = "identity-conflict"

// Patient is what positive identification needs.
type Patient struct {
	ID          string       `json:"id"`
	Name        string       `json:"name,omitempty"`
	BirthDate   string       `json:"birthDate,omitempty"`
	Identifiers []Identifier `json:"identifiers"`
	Asked       string       `json:"askedFor,omitempty"` // set when a merged identity was asked for
	// Doubt says in a list what may be another person's in the identity facts. The card has findings of it.
	Doubt string `json:"-"`
}

// Identifier is one identifier of the patient.
type Identifier struct {
	System string `json:"system"`
	Value  string `json:"value"`
}

// Hold is an open hold: no needle until a person lifts it.
type Hold struct {
	ID       string    `json:"id"`  // of the oldest ground
	IDs      []string  `json:"ids"` // of all grounds that are shown as this hold; each must be lifted
	Rule     string    `json:"rule"`
	Scope    string    `json:"scope"` // "track A1", "access F1", or several joined by ", "
	Tracks   []string  `json:"tracks"`
	Accesses []string  `json:"accesses"`
	Since    time.Time `json:"since"`
	// Day is the local date of a hold of which only the day is known. Since is then the start of
	// that day.
	Day string `json:"day,omitempty"`
	// Text says everything: what was seen, what to do, the rule, since when, what clears it and
	// who decides. Seen is only what was seen, Asked only what the rule asks.
	Text            string `json:"text"`
	Seen            string `json:"seen"`
	Asked           string `json:"asked"`
	Clears          string `json:"clears"`
	PlacedBy        string `json:"placedBy,omitempty"` // of a person's hold
	Ground          string `json:"ground,omitempty"`   // id of the fact that it rests on
	Urgent          bool   `json:"urgent"`             // it needs a physician or surgeon at once
	GroundWithdrawn bool   `json:"groundWithdrawn"`
	// NeedledSessions counts the sessions in which a needle was used under the hold. NeedledLast
	// is the local date of the last one.
	NeedledSessions int    `json:"needledSessions,omitempty"`
	NeedledLast     string `json:"needledLast,omitempty"`
}

// Use is the access in use.
type Use struct {
	Access string `json:"access"` // its name; empty if it is not known
	Held   bool   `json:"held"`
	Text   string `json:"text"` // which access, how that is known, and why it is held
}

// Access is one of the patient's accesses.
type Access struct {
	Name    string `json:"name"`
	Kind    string `json:"kind,omitempty"` // empty if not recorded, like Side and Region
	Side    string `json:"side,omitempty"`
	Region  string `json:"region,omitempty"`
	InUse   bool   `json:"inUse"`
	Retired bool   `json:"retired"`
	Held    bool   `json:"held"`
	// ExaminedAt is the time of the last examination. NotExamined are the parts that no
	// examination of that session recorded; without a session reference, of that day.
	ExaminedAt  *time.Time `json:"examinedAt"`
	NotExamined []string   `json:"notExamined"`
	Flow        *float64   `json:"flowMillilitresPerMinute,omitempty"`
	FlowAt      *time.Time `json:"flowAt,omitempty"`
	Pressure    *Pressure  `json:"pressure,omitempty"`
	Findings    []Finding  `json:"findings"` // of the access alone
}

// Pressure is the last look at the venous pressure of an access: the readings of N sessions at
// 200 mL/min with one gauge.
type Pressure struct {
	At             time.Time `json:"at"`
	Gauge          uint32    `json:"gauge"`
	N              int       `json:"n"`
	SlopePerTwelve float64   `json:"slopeMmhgPerTwelveSessions"`
	P              float64   `json:"p"` // one-sided
	Rising         bool      `json:"rising"`
}

// Track is one track on the card.
type Track struct {
	ID          string   `json:"id"`
	Name        string   `json:"name"`
	Role        string   `json:"role"`
	Access      string   `json:"access"`
	Stage       string   `json:"stage"`
	UnderReview bool     `json:"underReview"`
	Held        []string `json:"held"` // ids of the open holds on it or its access
	Declared    string   `json:"declared,omitempty"`
	// SiteMillimetres is the site's distance from the anastomosis along the vessel.
	SiteMillimetres *uint32 `json:"siteFromAnastomosisMillimetres,omitempty"`
	// PlannedAt is the time of the latest plan. TipDistance is the distance of the needle tips that
	// was measured for it.
	PlannedAt   *time.Time `json:"plannedAt,omitempty"`
	TipDistance *uint32    `json:"tipDistanceMillimetres,omitempty"`
	// KeepAway is how far from the anastomosis the protocol in force wants a site.
	KeepAway int `json:"anastomosisDistanceMinMillimetres"`
	// Basis is the fact of the plan or takeover that the track rests on, empty for none.
	Basis string `json:"basis,omitempty"`
	// Remarks say what is taken from the plan because the first insertion did not record it, and
	// where the plan says otherwise.
	Remarks         []string `json:"remarks"`
	SessionsCounted int      `json:"sessionsCounted"`
	SessionsTarget  int      `json:"sessionsTarget"` // with the extra sessions
	Extras          []Extra  `json:"extras"`
	// Again and OneMore are those of track.State: what a gap asks for that no session has ended yet.
	Again        int      `json:"startsAgainOf,omitempty"`
	OneMore      bool     `json:"gapAddsOne,omitempty"`
	Next         Next     `json:"next"`
	Bevel        string   `json:"bevel,omitempty"` // up or down
	NeedleLength *uint32  `json:"needleLengthMillimetres,omitempty"`
	Creator      string   `json:"creator,omitempty"`
	Deputies     []string `json:"deputies"`
	Peg          string   `json:"peg"` // in place, none, unknown
	// Preparation is what to do from examining to dressing, in order. OnResistance is what to do
	// if the needle does not pass. Without a needle, Preparation says only whom to call and
	// OnResistance is empty.
	Preparation     []Step     `json:"preparation"`
	OnResistance    []string   `json:"onResistance"`
	Handover        []Item     `json:"handover"`
	Findings        []Finding  `json:"findings"` // of the track and its access, gravest first
	Recent          []Visit    `json:"recent"`   // newest first
	Trends          TrackTrend `json:"trends"`
	ProtocolVersion string     `json:"protocolVersion"`
}

// Extra is one forming session that a rule adds.
type Extra struct {
	Rule string `json:"rule"`
	Text string `json:"text"`
}

// Next is the next needle and why. With needle none, all other fields but the reason are empty.
type Next struct {
	Needle           string   `json:"needle"`
	Session          int      `json:"session,omitempty"`
	Gauge            *uint32  `json:"gauge,omitempty"`
	AngleDegrees     *float64 `json:"angleDegrees,omitempty"`
	Direction        string   `json:"direction,omitempty"`
	DepthMillimetres *float64 `json:"depthMillimetres,omitempty"`
	Who              []string `json:"who"`
	// Why gives the reason in sentences. Caution is its beginning, if something is serious.
	Why     string `json:"why"`
	Caution string `json:"caution,omitempty"`
}

// Finding is a standing finding of a rule.
type Finding struct {
	ID       string    `json:"id"`
	Rule     string    `json:"rule"`
	Severity string    `json:"severity"`
	Scope    string    `json:"scope"` // "track A1", "access F1" or empty
	Since    time.Time `json:"since"`
	// Day is the local date of a finding of which only the day is known. Since is then the start
	// of that day.
	Day      string   `json:"day,omitempty"`
	Seen     string   `json:"seen"`
	Text     string   `json:"text"` // what was seen, as a sentence
	Asked    string   `json:"asked,omitempty"`
	Clears   string   `json:"clears"`
	Facts    []string `json:"facts"`
	Hold     string   `json:"hold,omitempty"`            // the hold that it opened
	Protocol string   `json:"protocolVersion,omitempty"` // the version that was in force
}

// Visit is one recent session in the track.
type Visit struct {
	Date          string   `json:"date"`
	Needle        string   `json:"needle"`
	Attempts      int      `json:"attempts"`
	Success       bool     `json:"success"`
	Counted       bool     `json:"counted"`
	InDoubt       bool     `json:"inDoubt"` // it does not count, only because a detail is not recorded
	WhyNot        []string `json:"whyNot,omitempty"`
	AngleDegrees  *float64 `json:"angleDegrees,omitempty"`
	Gauge         *uint32  `json:"gauge,omitempty"`
	Passes        *uint32  `json:"passes,omitempty"`
	Resistance    string   `json:"resistance,omitempty"`
	Pain          *uint32  `json:"pain,omitempty"` // 0 to 10
	Complications []string `json:"complications"`
	Rescue        bool     `json:"rescue"`
	Who           string   `json:"who,omitempty"`
}

// TrackTrend are the figures of a track. A nil figure has too few values.
type TrackTrend struct {
	Angles      *Angles      `json:"angles,omitempty"`
	Haemostasis *Haemostasis `json:"haemostasis,omitempty"`
	Blunt       *Blunt       `json:"blunt,omitempty"`
}

// Angles summarises the latest entries that recorded an angle, in degrees.
type Angles struct {
	N         int     `json:"n"`
	Mean      float64 `json:"meanDegrees"`
	Deviation float64 `json:"deviationDegrees"` // circular standard deviation
}

// Haemostasis is the patient's usual in this track, in minutes.
type Haemostasis struct {
	N     int     `json:"n"`
	Usual float64 `json:"usualMinutes"`
	Limit float64 `json:"limitMinutes"` // above this it is longer than usual
	Run   int     `json:"run"`          // latest sessions in a row above the limit
}

// Blunt is how blunt needles did in the track, in trial and after.
type Blunt struct {
	Sessions   int     `json:"sessions"`
	Successful int     `json:"successful"` // blunt, without a rescue or failure
	Lower      float64 `json:"lower"`      // exact 95 % limits of the share
	Upper      float64 `json:"upper"`
	Rescues    int     `json:"rescues"`
	// RescueSum signals when it reaches RescueLimit.
	RescueSum   float64 `json:"rescueSum"`
	RescueLimit float64 `json:"rescueLimit"`
}

// Input is what a card is made of.
type Input struct {
	track.Input
	Patient     Patient
	KnownAt     time.Time
	Lagging     bool
	Quarantined int
	// Person is what the work list has of the patient at the moment asked for; nil has it read from the facts.
	Person *worklist.Person

	facility string // where the patient belongs
}

// Build judges the facts and returns the card.
func Build(in Input) Card { return Of(in, track.Fold(in.Input)) }

// Of returns the card of a judgement of the input's facts.
func Of(in Input, j track.Judgement) Card {
	in.facility = j.Where.Facility
	local := in.location()
	c := Card{
		Patient: in.Patient, Facility: in.facility, Left: j.Where.Left, TimeZone: local.String(), AsOf: in.AsOf.UTC(),
		KnownAt: in.KnownAt.UTC(),
		Lagging: in.Lagging, Quarantined: in.Quarantined,
		Holds: []Hold{}, History: []Hold{}, Tracks: []Track{}, Notices: []string{}, Caution: Caution,
		Treatments: treatments(&in),
	}
	c.Schedule, c.Due = due(&in)
	c.ChangesOn = j.Due
	if c.Patient.Identifiers == nil {
		c.Patient.Identifiers = []Identifier{}
	}
	for i := range in.Items {
		if at := in.from(&in.Items[i].Fact).UTC(); !in.Items[i].Void && !at.After(in.AsOf) &&
			(c.LastFactAt == nil || at.After(*c.LastFactAt)) {
			c.LastFactAt = &at
		}
	}
	for _, g := range j.Shown() {
		if h := hold(g, &j, local); j.GivenUp(&g[0]) {
			c.History = append(c.History, h)
		} else {
			c.Holds = append(c.Holds, h)
		}
	}
	c.StandingHold = len(c.Holds) > 0
	c.Use = use(in, j, c.Holds)
	standing, days := standing(&j, c.History), in.dated()
	c.Findings = findings(standing, days, func(f *track.Finding) bool { return !shown(f, &j) })
	c.Accesses = accesses(j, standing, days, c.Use, c.Holds)
	for i := range j.Tracks {
		c.Tracks = append(c.Tracks, one(&j.Tracks[i], standing, days, c.Holds))
	}
	basis := map[string]bool{}
	for i := range c.Tracks {
		c.Tracks[i].Basis = basisOf(in.Items, j.Tracks[i].Taken, j.Tracks[i].Planned)
		basis[c.Tracks[i].Basis] = true
	}
	c.Sources = sources(&in, &c, basis)
	c.Notices = notices(in, j, c)
	return c
}

func (in *Input) location() *time.Location { return in.locationOf(in.facility) }

// locationOf is a facility's time zone; UTC for one that is not known.
func (in *Input) locationOf(facility string) *time.Location {
	if in.Zone == nil {
		return time.UTC
	}
	return cmp.Or(in.Zone(facility), time.UTC)
}

// from returns the moment from which a fact counts: the start of its day if only the day is
// known.
func (in *Input) from(f *record.Fact) time.Time {
	if f.Precision != cannularyv1.TimePrecision_TIME_PRECISION_DAY || in.Zone == nil {
		return f.At
	}
	return zone.Midnight(f.At, in.Zone(f.Facility))
}

// standing returns the standing findings without those of the holds in history. The card says
// those once, with the hold.
func standing(j *track.Judgement, history []Hold) []track.Finding {
	return slices.DeleteFunc(j.Standing(), func(f track.Finding) bool {
		return f.Hold != "" && slices.ContainsFunc(history, func(h Hold) bool { return slices.Contains(h.IDs, f.Hold) })
	})
}

// dated returns, by id, the local dates of the facts of which only the day is known.
func (in *Input) dated() map[string]string {
	out := map[string]string{}
	for i := range in.Items {
		if f := &in.Items[i].Fact; f.Precision == cannularyv1.TimePrecision_TIME_PRECISION_DAY && in.Zone != nil {
			out[f.ID] = zone.Date(f.At, in.Zone(f.Facility))
		}
	}
	return out
}

func one(s *track.State, standing []track.Finding, days map[string]string, holds []Hold) Track {
	t := Track{
		ID: s.ID, Name: s.Name, Role: track.RoleName(s.Role), Access: s.Access, Stage: string(s.Stage), UnderReview: s.UnderReview,
		Held: list(s.Held), SessionsCounted: s.Counted, SessionsTarget: s.Target + len(s.Extras), Extras: []Extra{},
		Again: s.Again, OneMore: s.OneMore,
		Next: next(s), Bevel: bevel(s.Bevel), NeedleLength: s.NeedleLength, Creator: s.Creator.GetValue(), Deputies: deputies(s),
		Peg: string(s.Peg), Recent: []Visit{}, Trends: trends(s.Trends), ProtocolVersion: s.Protocol.Version,
	}
	if t.Peg == "" {
		t.Peg = string(track.PegUnknown)
	}
	for _, e := range s.Extras {
		t.Extras = append(t.Extras, Extra(e))
	}
	if s.Taken != nil {
		t.Declared = declared(s)
	}
	place(&t, s)
	t.Remarks = remarks(s)
	for _, v := range s.Recent {
		t.Recent = append(t.Recent, Visit{Date: v.Date, Needle: string(v.Tip), Attempts: v.Attempts, Success: v.Success,
			Counted: v.Counted, InDoubt: v.InDoubt, WhyNot: v.WhyNot, AngleDegrees: v.Angle, Gauge: v.Gauge, Passes: v.Passes,
			Resistance: resistance(v.Resistance), Pain: v.Pain, Complications: list(v.Complications), Rescue: v.Rescue,
			Who: v.Who.GetValue()})
	}
	t.Findings = findings(standing, days, func(f *track.Finding) bool {
		return f.Track == s.Name || f.Track == "" && f.Access == s.Access && s.Access != ""
	})
	mine := holdsOf(t, holds)
	t.Preparation, t.OnResistance = preparation(s, mine, t.Findings), onResistance(s)
	t.Handover = handover(s, t, mine)
	return t
}

// place sets where the track lies.
func place(t *Track, s *track.State) {
	t.KeepAway = s.Protocol.AnastomosisMin
	if s.Taken != nil {
		t.SiteMillimetres = s.Taken.SiteFromAnastomosisMillimetres
	}
	if s.Plan != nil && s.Plan.SiteFromAnastomosisMillimetres != nil {
		t.SiteMillimetres = s.Plan.SiteFromAnastomosisMillimetres
	}
	if s.Planned != nil {
		t.PlannedAt, t.TipDistance = new(s.PlanAt.UTC()), s.Planned.TipDistanceMillimetres
	}
}

// holdsOf returns the holds that keep the track from the needle.
func holdsOf(t Track, holds []Hold) []Hold {
	var out []Hold
	for _, h := range holds {
		for _, id := range t.Held {
			if slices.Contains(h.IDs, id) {
				out = append(out, h)
				break
			}
		}
	}
	return out
}

// HoldsOf returns the card's holds that keep the track from the needle.
func (c *Card) HoldsOf(t Track) []Hold { return holdsOf(t, c.Holds) }

// list returns the list, never nil: in JSON an empty list is [].
func list(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}

func next(s *track.State) Next {
	n := Next{Needle: string(s.Next.Needle), Who: []string{}, Why: s.Next.Why, Caution: s.Next.Caution}
	if n.Needle == "" {
		n.Needle = string(track.None)
	}
	if n.Needle == string(track.None) {
		return n
	}
	n.Session, n.Gauge, n.AngleDegrees, n.DepthMillimetres, n.Direction = s.Next.Session, s.Gauge, s.ReferenceAngle, s.Depth,
		direction(s.Direction)
	if s.Stage == track.Forming || s.Stage == track.Ready {
		if v := s.Creator.GetValue(); v != "" {
			n.Who = append(n.Who, v)
		}
		n.Who = append(n.Who, deputies(s)...)
	}
	return n
}

// deputies returns the named deputies without the creator, each once.
func deputies(s *track.State) []string {
	out := []string{}
	seen := map[string]bool{s.Creator.GetValue(): true, "": true}
	for _, d := range s.Deputies {
		if v := d.GetValue(); !seen[v] {
			seen[v] = true
			out = append(out, v)
		}
	}
	return out
}

func accesses(j track.Judgement, standing []track.Finding, days map[string]string, u Use, holds []Hold) []Access {
	out := []Access{}
	for i := range j.Accesses {
		x := &j.Accesses[i]
		a := Access{Name: x.Name, Kind: accessKind(x.Kind), Side: side(x.Side), Region: region(x.Region), InUse: x.Name == u.Access,
			Retired: x.Retired, Held: heldBy(x.Name, holds) != nil, NotExamined: list(x.NotExamined)}
		a.Findings = findings(standing, days, func(f *track.Finding) bool { return f.Track == "" && f.Access == x.Name })
		if !x.Examined.IsZero() {
			a.ExaminedAt = new(x.Examined.UTC())
		}
		if x.Flow != nil {
			a.Flow, a.FlowAt = x.Flow, new(x.FlowAt.UTC())
		}
		if x.PressureKnown && finite(x.Pressure.SlopePerTwelve, x.Pressure.P) {
			a.Pressure = &Pressure{At: x.PressureAt.UTC(), Gauge: x.PressureGauge, N: x.Pressure.N,
				SlopePerTwelve: x.Pressure.SlopePerTwelve, P: x.Pressure.P, Rising: x.Pressure.Rising}
		}
		out = append(out, a)
	}
	return out
}

func trends(t track.Trends) TrackTrend {
	var out TrackTrend
	if a := t.Angles; a.N > 0 && finite(a.Mean, a.Deviation) {
		out.Angles = &Angles{N: a.N, Mean: a.Mean, Deviation: a.Deviation}
	}
	if h := t.Haemostasis; t.HaemostasisKnown && finite(h.Median, h.Limit) {
		out.Haemostasis = &Haemostasis{N: h.N, Usual: h.Median, Limit: h.Limit, Run: t.HaemostasisRun}
	}
	if t.BluntSessions > 0 && finite(t.BluntLower, t.BluntUpper, t.RescueSum, t.RescueLimit) {
		out.Blunt = &Blunt{Sessions: t.BluntSessions, Successful: t.BluntSuccessful, Lower: t.BluntLower, Upper: t.BluntUpper,
			Rescues: t.Rescues, RescueSum: t.RescueSum, RescueLimit: t.RescueLimit}
	}
	return out
}
