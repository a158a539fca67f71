package web

import (
	"cmp"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"cannulary/internal/answer"
	"cannulary/internal/card"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	"cannulary/internal/trail/seen"
)

// card answers "/card".
func (h *handler) card(w http.ResponseWriter, r *http.Request) error {
	q, err := readCard(r)
	if err != nil {
		return err
	}
	if err := h.place(r, &q); err != nil {
		return err
	}
	c, err := h.cfg.Cards.Card(r.Context(), q.request)
	if err != nil {
		return err
	}
	seen.Patients(r.Context(), c.Patient.ID, c.Patient.Asked)
	switch q.form {
	case formHTML:
		page := h.cardPage(c)
		return h.render(w, r, "card", frame{Title: h.words.must("card.title", "Name", cmp.Or(c.Patient.Name, h.words.must("card.no-name"))),
			Facility: c.Facility}, &page)
	case formText:
		answer.Send(w, r, http.StatusOK, "text/plain; charset=utf-8", []byte(card.Text(c)))
		return nil
	}
	return answer.Value(w, r, http.StatusOK, c)
}

// place gives the request of a question its moments. A date is placed in the zone of the patient's facility, so the
// facility is asked for first.
func (h *handler) place(r *http.Request, q *question) error {
	now, zone := h.cfg.Now(), time.UTC
	if q.asOf.date || q.knownAt.date {
		c, err := h.cfg.Cards.Card(r.Context(), q.request)
		if err != nil {
			return err
		}
		zone = h.cfg.Cards.Zone(c.Facility)
	}
	q.request.AsOf, q.request.KnownAt = q.asOf.in(zone, now), q.knownAt.in(zone, now)
	return nil
}

// bandLines is how many lines the headline shows, and one on a phone. The others stand below, one
// touch away.
const bandLines = 3

// belowPart is a line of the headline that stands below the needles: for all, or, if the headline
// shows it where there is room, for phones.
type belowPart struct {
	card.HeadLine
	Shown bool
}

// cardPage is a card as its page shows it.
type cardPage struct {
	card.Card
	words     *words
	zone      *time.Location
	now       time.Time
	Back      backPart // for which moment the card is, and the way to another
	Headline  card.Headline
	More      bool // the headline has lines that have no room in it
	Below     []belowPart
	Needles   []trackPart // of the tracks in use
	Elsewhere string      // says that the access in use is not that of these tracks, empty where it is
	Retired   []trackPart
	Limbs     []template.HTML
	Because   []groundPart // what the card rests on: holds and findings
	Printed   string       // now, in words
	Blank     []string     // what can be written by hand on paper, a needle a line
}

// trackPart is a track as the card's page shows it.
type trackPart struct {
	card.Track
	Anchor  string
	Life    string // the address of the track's life
	Holds   []card.Hold
	Where   []string // side and place of its access, and which that is
	Forming bool     // its sessions are still counted
	Session string   // which session this is, empty where it is not counted
	Reason  string   // why, its caution aside
	First   string   // the first sentence of it
	Numbers []number
	Drawn   template.HTML // from the side
	Phases  []phasePart
	Figures []string
	Basis   *sourcePart // the plan or the takeover
}

// phasePart are the steps of one phase.
type phasePart struct {
	Title string
	First int // the number of its first step
	Steps []string
}

// groundPart is a hold or a finding with its rule and its facts.
type groundPart struct {
	Severity string
	Urgent   bool
	Place    string
	Text     string
	Since    string
	Clears   string
	Rule     rule.Rule
	Asked    string // with the values of the protocol
	Protocol string
	IDs      []string // of the holds
	Facts    []sourcePart
	Unknown  int // facts that are not in the record as it stands
}

// sourcePart is a fact in words.
type sourcePart struct {
	card.Source
	Happened, Arrived string
}

func (h *handler) phases(steps []card.Step) []phasePart {
	var out []phasePart
	last := ""
	for i, s := range steps {
		if s.Phase != last {
			out = append(out, phasePart{Title: h.words.must("card.phase." + s.Phase), First: i + 1})
			last = s.Phase
		}
		p := &out[len(out)-1]
		p.Steps = append(p.Steps, s.Text)
	}
	return out
}

// number is one named detail of the next needle.
type number struct {
	Name, Value string
	Missing     bool
	Wide        bool // it has a line of its own
}

func (h *handler) cardPage(c card.Card) cardPage {
	z := h.cfg.Cards.Zone(c.Facility)
	p := cardPage{Card: c, words: h.words, zone: z, now: h.cfg.Now().In(z), Headline: c.Headline(),
		Back: h.back(c.Patient.ID, "", c.AsOf, c.KnownAt, z)}
	for i, l := range p.Headline.Lines {
		if i > 0 {
			p.Below = append(p.Below, belowPart{l, i < bandLines})
		}
	}
	if n := len(p.Headline.Lines); n > bandLines {
		p.More = true
		p.Headline.Lines = p.Headline.Lines[:bandLines]
	}
	facts := map[string]sourcePart{}
	for _, s := range c.Sources {
		facts[s.Fact] = sourcePart{s, cmp.Or(s.Day, p.When(s.At)), p.When(s.ArrivedAt)}
	}
	sides := c.Sides()
	for i, t := range c.Tracks {
		part := trackPart{Track: t, Anchor: fmt.Sprintf("track-%d", i+1), Forming: forming(track.Stage(t.Stage)), Holds: c.HoldsOf(t),
			Life:   "track?" + url.Values{paramPatient: {c.Patient.ID}, "track": {t.ID}}.Encode(),
			Reason: t.Next.Reason(), Numbers: h.numbers(t), Phases: h.phases(t.Preparation), Figures: card.Figures(t)}
		part.Where = h.where(&c, t.Access)
		part.First, _, _ = strings.Cut(part.Reason, ". ")
		part.First = card.Sentence(part.First)
		for _, s := range card.Session(t) {
			part.Session = s
		}
		if side, ok := sides[t.Name]; ok {
			part.Drawn = side.SVG()
		}
		if s, ok := facts[t.Basis]; ok {
			part.Basis = &s
		}
		if t.Stage == "retired" {
			p.Retired = append(p.Retired, part)
		} else {
			p.Needles = append(p.Needles, part)
		}
	}
	p.Elsewhere = h.elsewhere(&c, p.Needles)
	for _, l := range c.Limbs() {
		p.Limbs = append(p.Limbs, l.SVG())
	}
	p.Because = p.grounds(facts)
	p.Printed = p.When(p.now)
	for _, t := range p.Needles {
		p.Blank = append(p.Blank, t.Name, t.Name)
	}
	if len(p.Blank) == 0 {
		a, v := h.words.must("card.arterial"), h.words.must("card.venous")
		p.Blank = []string{a, a, v, v}
	}
	return p
}

// where says where an access is and which it is: side and place, its name, and its kind where that is no fistula.
func (h *handler) where(c *card.Card, name string) []string {
	if name == "" {
		return []string{h.words.must("card.where.no-side"), h.words.must("card.where.no-access")}
	}
	var a card.Access
	if i := slices.IndexFunc(c.Accesses, func(a card.Access) bool { return a.Name == name }); i >= 0 {
		a = c.Accesses[i]
	}
	side, region := h.words.must("card.where.no-side"), ""
	if a.Side != "" {
		side = h.words.must("card.side." + key(a.Side))
	}
	if a.Region != "" {
		region = h.words.must("card.region." + key(a.Region))
	}
	switch {
	case region == "":
	case a.Side == "":
		side = region + ", " + side
	default:
		side = h.words.must("card.where.place", "Side", side, "Region", region)
	}
	out := []string{side, h.words.must("card.where.access", "Name", name)}
	if a.Kind != "" && a.Kind != card.Fistula {
		out = append(out, h.words.must("card.kind."+key(a.Kind)))
	}
	return out
}

// key is the part of a message's key that stands for a value in words.
func key(value string) string { return strings.ReplaceAll(value, " ", "-") }

// elsewhere says that the access in use is another one than that of some tracks; empty where it is theirs or not known.
func (h *handler) elsewhere(c *card.Card, tracks []trackPart) string {
	var names []string
	for _, t := range tracks {
		if t.Access != "" && t.Access != c.Use.Access {
			names = append(names, t.Name)
		}
	}
	if c.Use.Access == "" || len(names) == 0 {
		return ""
	}
	return h.words.must("card.elsewhere", "Access", strings.Join(h.where(c, c.Use.Access), ", "), "Count", len(names),
		"Tracks", strings.Join(names, ", "))
}

// grounds returns what the card rests on, the gravest first, each once.
func (p *cardPage) grounds(facts map[string]sourcePart) []groundPart {
	var out []groundPart
	for _, h := range p.Holds {
		g := groundPart{Severity: string(rule.Stop), Urgent: h.Urgent, Place: h.Scope, Text: h.Text, Since: cmp.Or(h.Day, p.When(h.Since)),
			Clears: h.Clears, Rule: card.RuleOf(h.Rule), Asked: h.Asked, IDs: h.IDs}
		g.rests(facts, []string{h.Ground})
		out = append(out, g)
	}
	var found []card.Finding
	for _, a := range p.Accesses {
		found = append(found, a.Findings...)
	}
	for _, t := range p.Tracks {
		found = append(found, t.Findings...)
	}
	found = append(found, p.Card.Findings...)
	seen := map[string]bool{}
	var rest []groundPart
	for _, f := range found {
		if p.Held(f) || seen[f.ID] && f.ID != "" {
			continue // its hold stands above
		}
		seen[f.ID] = true
		g := groundPart{Severity: f.Severity, Place: f.Scope, Text: f.Text, Since: cmp.Or(f.Day, p.When(f.Since)), Clears: f.Clears,
			Rule: card.RuleOf(f.Rule), Asked: f.Asked, Protocol: f.Protocol}
		g.rests(facts, f.Facts)
		rest = append(rest, g)
	}
	order := []string{string(rule.Stop), string(rule.Caution), string(rule.Note)}
	slices.SortStableFunc(rest, func(a, b groundPart) int {
		return cmp.Compare(slices.Index(order, a.Severity), slices.Index(order, b.Severity))
	})
	return append(out, rest...)
}

func (g *groundPart) rests(facts map[string]sourcePart, ids []string) {
	for _, id := range ids {
		if s, ok := facts[id]; ok {
			g.Facts = append(g.Facts, s)
		} else if id != "" {
			g.Unknown++
		}
	}
}

// Time shows an instant in the facility's zone, exactly.
func (p cardPage) Time(t time.Time) string { return t.In(p.zone).Format(minutes) }

// When shows an instant in the facility's zone, as people say it.
func (p cardPage) When(t time.Time) string { return p.words.when(t.In(p.zone), p.now) }

// headLine is a line of the headline with its moment in words.
type headLine struct {
	card.HeadLine
	When string
}

// Line words the moment of a line of the headline.
func (p cardPage) Line(l card.HeadLine) headLine {
	when := l.Day
	if when == "" && l.Since != nil {
		when = p.When(*l.Since)
	}
	return headLine{l, when}
}

// Birth shows the birth date as people say it.
func (p cardPage) Birth() string {
	d, err := time.Parse(time.DateOnly, p.Patient.BirthDate)
	if err != nil {
		return p.Patient.BirthDate
	}
	return p.words.date(d)
}

// Lines are a session without a track.
func (p cardPage) Lines(t card.Treatment) []string { return card.TreatmentText(t) }

// Spot says what to do where the spot changes each time; empty where there is no such needle.
func (p cardPage) Spot() string { return card.Rotation(p.Treatments) }

// Why is why a track gets no needle, in a few words.
func (p cardPage) Why(t trackPart) string { return card.Sentence(p.WhyNone(t.Track)) }

// minutes is how instants are shown exactly: in the facility's time, with the zone's name.
const minutes = "2006-01-02 15:04 MST"

// numbers are the details of a needle that is to be inserted; what is not recorded is said.
func (h *handler) numbers(t card.Track) []number {
	n := t.Next
	if n.Needle == "none" {
		return nil
	}
	var out []number
	add := func(key, value string) {
		out = append(out, number{Name: h.words.must("card.number." + key), Value: cmp.Or(value, h.words.must("card.not-recorded")),
			Missing: value == "", Wide: key == "direction"})
	}
	add("angle", card.Known(n.AngleDegrees, "%g°", ""))
	add("depth", card.Known(n.DepthMillimetres, "%g mm", ""))
	direction := n.Direction
	switch direction {
	case "antegrade":
		direction = h.words.must("card.way.antegrade")
	case "retrograde":
		direction = h.words.must("card.way.retrograde")
	}
	add("direction", direction)
	bevel := t.Bevel
	switch bevel {
	case "up":
		bevel = h.words.must("card.bevel.up")
	case "down":
		bevel = h.words.must("card.bevel.down")
	}
	add("bevel", bevel)
	add("length", card.Known(t.NeedleLength, "%d mm", ""))
	return out
}

// Gauge is the next needle's gauge.
func (t trackPart) Gauge() string { return card.Known(t.Next.Gauge, "%dG", "") }
