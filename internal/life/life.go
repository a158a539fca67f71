// Package life lays out the life of one track: a column for each session, as the fold judged it,
// with the findings and holds of its time. It is pure, and it judges nothing: stage, count, needle
// and reasons are those of track and card.
package life

import (
	"slices"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/record/zone"
	"cannulary/internal/track"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Life is a track's life within a window. All but Columns and Holds is of the moment asked for.
type Life struct {
	Patient  card.Patient `json:"patient"`
	Facility string       `json:"facility"`
	TimeZone string       `json:"timeZone"`
	AsOf     time.Time    `json:"asOf"`
	KnownAt  time.Time    `json:"knownAt"`
	// Past is the moment asked for, if it is not the present.
	Past    string     `json:"past,omitempty"`
	Lagging bool       `json:"lagging"`
	Track   card.Track `json:"track"`
	// Open are the card's open holds on the track.
	Open []card.Hold `json:"openHolds"`
	// Columns are the sessions of the window, oldest first. Holds are those of any of them.
	Columns []Column `json:"sessions"`
	Holds   []Hold   `json:"holds"`
	// Now is what came after the last session in the track; nil if the window ends before.
	Now    *Now   `json:"now"`
	Window Window `json:"window"`
	// Sessions counts all sessions in the track with a needle, Treatments those without one.
	Sessions   int    `json:"sessionsInAll"`
	Treatments int    `json:"treatmentsWithoutTheTrack"`
	Caution    string `json:"caution"`
}

// Needles of a column, beside sharp and blunt.
const (
	Unknown = "unknown" // a needle was used, and its tip is not recorded
	NoneYet = "none"    // no needle of the track is recorded in the treatment
)

// Column is one session, or one treatment without a needle in the track.
type Column struct {
	Date string    `json:"date"`
	At   time.Time `json:"at"`
	// Morning is the moment before the session for which the card can be asked.
	Morning  time.Time `json:"morning"`
	Needle   string    `json:"needle"`
	Stage    string    `json:"stage"` // of the track afterwards
	Attempts int       `json:"attempts"`
	Success  bool      `json:"success"`
	Used     bool      `json:"used"`
	Counted  bool      `json:"counted"`
	InDoubt  bool      `json:"inDoubt"`
	Rescue   bool      `json:"rescue"`
	WhyNot   []string  `json:"whyNot"`
	// Number is the count of sharp sessions afterwards, Needed what is asked for. Forming
	// reports that this session was counted towards it.
	Number  int  `json:"number"`
	Needed  int  `json:"needed"`
	Forming bool `json:"forming"`
	// Nil figures and empty words are not recorded.
	Angle      *float64 `json:"angleDegrees"`
	Reference  *float64 `json:"referenceDegrees"`
	Tolerance  float64  `json:"toleranceDegrees"`
	AngleAsked bool     `json:"angleAsked"`
	Off        bool     `json:"outOfTolerance"`
	Passes     *uint32  `json:"passes"`
	Resistance string   `json:"resistance"`
	Easy       bool     `json:"easy"`
	Pain       *uint32  `json:"pain"`
	Gauge      *uint32  `json:"gauge"`
	// Bleeding is in minutes. Usual and Limit are the patient's own in the track until then.
	Bleeding *float64 `json:"haemostasisMinutes"`
	Usual    *float64 `json:"usualMinutes"`
	Limit    *float64 `json:"limitMinutes"`
	Longer   bool     `json:"longerThanUsual"`
	// Pressure is that of the access at 200 mL/min, mmHg.
	Pressure      *float64 `json:"venousPressureMmhg"`
	PressureGauge uint32   `json:"pressureGauge,omitempty"`
	PegAsked      bool     `json:"pegAsked"`
	PegFound      string   `json:"pegFound"` // in place, none, unknown
	PegLeft       bool     `json:"pegLeft"`
	// Findings are those that began since the session before, or in this one.
	Findings      []Finding `json:"findings"`
	Complications []string  `json:"complications"`
	Held          bool      `json:"held"` // needled under a hold
	Who           string    `json:"who"`
	Missed        string    `json:"missed,omitempty"`
	Elsewhere     string    `json:"throughAccess,omitempty"`
}

// Finding is a finding of the track or of its access.
type Finding struct {
	Rule     string `json:"rule"`
	Severity string `json:"severity"`
	Seen     string `json:"seen"`
	Date     string `json:"date"`
	Cleared  string `json:"cleared,omitempty"` // its date, empty while it stands
}

// Hold is a hold on the track or its access. First and Last are the columns that it covers; Last
// is before First if it began and ended between two sessions. Both may lie outside the window.
type Hold struct {
	Text   string `json:"text"`
	Rule   string `json:"rule"`
	Since  string `json:"since"`
	Lifted string `json:"lifted,omitempty"` // a date, empty while it is open
	By     string `json:"liftedBy,omitempty"`
	Reason string `json:"reason,omitempty"`
	First  int    `json:"first"`
	Last   int    `json:"last"`
}

// Now is the moment asked for.
type Now struct {
	Date     string    `json:"date"`
	Needle   string    `json:"needle"` // the next one, as on the card
	Session  int       `json:"session,omitempty"`
	Findings []Finding `json:"findings"`
}

// Of returns the life of a track, named by its id or by the sender's name, in a judgement of
// track.FoldLives, and false if there is no such track. The card must be of the same judgement.
func Of(j *track.Judgement, c *card.Card, named string, w Window, local *time.Location) (Life, bool) {
	i := slices.IndexFunc(j.Tracks, func(s track.State) bool { return s.ID == named })
	if i < 0 {
		i = slices.IndexFunc(j.Tracks, func(s track.State) bool { return s.Name == named })
	}
	if i < 0 || j.Tracks[i].Life == nil {
		return Life{}, false
	}
	k := slices.IndexFunc(c.Tracks, func(t card.Track) bool { return t.ID == j.Tracks[i].ID })
	if k < 0 {
		return Life{}, false
	}
	s := &j.Tracks[i]
	l := Life{Patient: c.Patient, Facility: c.Facility, TimeZone: c.TimeZone, AsOf: c.AsOf, KnownAt: c.KnownAt, Past: c.Past,
		Lagging: c.Lagging, Track: c.Tracks[k], Open: c.HoldsOf(c.Tracks[k]), Columns: []Column{}, Holds: []Hold{}, Caution: c.Caution}
	for n := range s.Life.Sessions {
		x := column(&s.Life.Sessions[n], local)
		if x.Needle == NoneYet {
			l.Treatments++
		} else {
			l.Sessions++
		}
		l.Columns = append(l.Columns, x)
	}
	l.Now = &Now{Date: zone.Date(j.AsOf, local), Needle: l.Track.Next.Needle, Session: l.Track.Next.Session, Findings: []Finding{}}
	l.place(j, s, local)
	for n := range j.Holds {
		if h := &j.Holds[n]; on(h, s) {
			l.Holds = append(l.Holds, l.hold(h, local))
		}
	}
	l.cut(w)
	return l, true
}

// on reports whether a hold is, or was, on the track.
func on(h *track.Hold, s *track.State) bool {
	return slices.Contains(h.Tracks, s.Name) || s.Access != "" && slices.Contains(h.Accesses, s.Access) || slices.Contains(s.Held, h.ID)
}

// morningHour is when the morning of a day is looked at: before the first shift (ours).
const morningHour = 5

// Morning returns the moment of a local date at which its morning is looked at.
func Morning(date string, local *time.Location) time.Time {
	d, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return time.Time{}
	}
	return time.Date(d.Year(), d.Month(), d.Day(), morningHour, 0, 0, 0, local)
}

func column(s *track.Session, local *time.Location) Column {
	x := Column{Date: s.Date, At: s.At.UTC(), Needle: string(s.Tip), Stage: string(s.Stage), Attempts: s.Attempts, Success: s.Success,
		Used: s.Used, Counted: s.Counted, InDoubt: s.InDoubt, Rescue: s.Rescue, WhyNot: list(s.WhyNot), Number: s.Number,
		Needed: s.Needed, Forming: s.Attempts > 0 && !s.Past && (s.Stage == track.Forming || s.Stage == track.Ready),
		Angle: s.Angle, Reference: s.Reference, Tolerance: s.Tolerance, AngleAsked: s.AngleAsked,
		Passes: s.Passes, Easy: s.Easy, Pain: s.Pain, Gauge: s.Gauge,
		Resistance: track.Words(s.Resistance.String(), "RESISTANCE_"), Pressure: s.Pressure, PressureGauge: s.PressureGauge,
		PegAsked: s.PegAsked, PegFound: string(s.PegFound), PegLeft: s.PegLeft, Findings: []Finding{},
		Complications: list(s.Complications), Held: s.Held, Who: s.Who.GetValue(), Missed: s.Missed, Elsewhere: s.Elsewhere}
	switch {
	case s.Attempts == 0:
		x.Needle = NoneYet
	case s.Tip == track.None:
		x.Needle = Unknown
	}
	if _, known := cannularyv1.Resistance_name[int32(s.Resistance)]; !known || s.Resistance == 0 {
		x.Resistance = ""
	}
	x.Off = s.Off()
	if b := s.Bleeding; b != nil {
		x.Bleeding, x.Longer = &b.Minutes, b.Longer
		if b.Usual != nil {
			x.Usual, x.Limit = &b.Usual.Median, &b.Usual.Limit
		}
	}
	x.Morning = Morning(s.Date, local)
	if !x.Morning.Before(s.At) { // a treatment by night
		x.Morning = zone.Midnight(s.At, local)
	}
	x.Morning = x.Morning.UTC()
	return x
}

// place puts each finding of the track and its access into the first column on or after its day,
// else after the last one.
func (l *Life) place(j *track.Judgement, s *track.State, local *time.Location) {
	for i := range j.Findings {
		f := &j.Findings[i]
		if f.Track != s.Name && (f.Track != "" || f.Access != s.Access || s.Access == "") {
			continue
		}
		out := Finding{Rule: f.Rule, Severity: string(f.Severity), Seen: f.Seen, Date: zone.Date(f.Since, local)}
		if !f.Cleared.IsZero() {
			out.Cleared = zone.Date(f.Cleared, local)
		}
		n := slices.IndexFunc(l.Columns, func(x Column) bool { return x.Date >= out.Date })
		switch {
		case n >= 0:
			l.Columns[n].Findings = append(l.Columns[n].Findings, out)
		default:
			l.Now.Findings = append(l.Now.Findings, out)
		}
	}
}

// hold places a hold among all columns. An open one lasts until Now, which stands after them.
func (l *Life) hold(h *track.Hold, local *time.Location) Hold {
	out := Hold{Text: h.Text, Rule: h.Rule, Since: h.Date, First: len(l.Columns), Last: len(l.Columns)}
	if out.Since == "" {
		out.Since = zone.Date(h.Since, local)
	}
	if i := slices.IndexFunc(l.Columns, func(x Column) bool { return !x.At.Before(h.Since) }); i >= 0 {
		out.First = i
	}
	if h.Lifted.IsZero() {
		return out
	}
	out.Lifted, out.By, out.Reason = zone.Date(h.Lifted, local), h.LiftedBy.GetValue(), h.Reason
	if i := slices.IndexFunc(l.Columns, func(x Column) bool { return !x.At.Before(h.Lifted) }); i >= 0 {
		out.Last = i - 1
	} else {
		out.Last = len(l.Columns) - 1
	}
	return out
}

// list returns the list, never nil: in JSON an empty list is [].
func list(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}
