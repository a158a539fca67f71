package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"cannulary/internal/answer"
	"cannulary/internal/card"
	"cannulary/internal/track"
)

// card answers "/card".
func (h *handler) card(w http.ResponseWriter, r *http.Request) error {
	q, err := readCard(r)
	if err != nil {
		return err
	}
	c, err := h.ask(r, q)
	if err != nil {
		return err
	}
	switch q.form {
	case formHTML:
		page, err := h.cardPage(r, c)
		if err != nil {
			return err
		}
		return h.render(w, r, "card", frame{Title: "Card: " + or(c.Patient.Name, "name not stated"), Facility: c.Facility}, page)
	case formText:
		answer.Send(w, r, http.StatusOK, "text/plain; charset=utf-8", []byte(card.Text(c)))
		return nil
	}
	return answer.Value(w, r, http.StatusOK, c)
}

// ask has the card made. A date is placed in the zone of the patient's facility, so the
// facility is asked for first.
func (h *handler) ask(r *http.Request, q question) (card.Card, error) {
	now, zone := h.cfg.Now(), time.UTC
	if q.asOf.date || q.knownAt.date {
		c, err := h.cfg.Cards.Card(r.Context(), q.request)
		if err != nil {
			return card.Card{}, err
		}
		zone = h.cfg.Cards.Zone(c.Facility)
	}
	q.request.AsOf, q.request.KnownAt = q.asOf.in(zone, now), q.knownAt.in(zone, now)
	return h.cfg.Cards.Card(r.Context(), q.request)
}

// cardPage is a card as its page shows it.
type cardPage struct {
	card.Card
	zone         *time.Location
	FacilityName string
	Local        string // name of the time zone
	Refresh      string // the address of the card as it is now
	Tracks       []trackPart
	Search       search
}

// trackPart is a track as the card's page shows it.
type trackPart struct {
	card.Track
	Anchor  string
	Holds   []card.Hold
	Forming bool   // its sessions are still counted
	Session string // which session this is, empty where it is not counted
	Reason  string // why, its caution aside
	Numbers []number
	Own     []card.Finding // findings of the track, not of its access
	Of      []card.Finding // findings of its access, which the page shows once, above
	Phases  []phasePart
	Figures []string
}

// phasePart are the steps of one phase.
type phasePart struct {
	Title string
	First int // the number of its first step
	Steps []string
}

func phases(steps []card.Step) []phasePart {
	titles := map[string]string{
		card.PhaseExamine: "First, always", card.PhasePrepare: "Prepare", card.PhaseInsert: "Insert",
		card.PhaseAfter: "After the treatment", card.PhaseStop: "What to do",
	}
	var out []phasePart
	last := ""
	for i, s := range steps {
		if s.Phase != last {
			out = append(out, phasePart{Title: titles[s.Phase], First: i + 1})
			last = s.Phase
		}
		p := &out[len(out)-1]
		p.Steps = append(p.Steps, s.Text)
	}
	return out
}

// number is one named detail of the next needle.
type number struct{ Name, Value string }

func (h *handler) cardPage(r *http.Request, c card.Card) (cardPage, error) {
	z := h.cfg.Cards.Zone(c.Facility)
	p := cardPage{Card: c, zone: z, Local: z.String(), Refresh: "card?" + url.Values{paramPatient: {c.Patient.ID}}.Encode()}
	p.Search.Systems = systems(map[string]card.Patient{c.Patient.ID: c.Patient})
	f, _, err := h.cfg.Store.Facility(r.Context(), c.Facility)
	if err != nil {
		return p, err
	}
	p.FacilityName = or(f.Name, c.Facility)
	held := func(f card.Finding) bool { return c.Held(f) }
	for i, t := range c.Tracks {
		part := trackPart{Track: t, Anchor: fmt.Sprintf("track-%d", i+1), Forming: forming(track.Stage(t.Stage)), Holds: c.HoldsOf(t),
			Reason: t.Next.Reason(), Numbers: numbers(t), Phases: phases(t.Preparation), Figures: card.Figures(t)}
		for _, s := range card.Session(t) {
			part.Session = s
		}
		for _, f := range slices.DeleteFunc(slices.Clone(t.Findings), held) {
			if f.Scope == "access "+t.Access {
				part.Of = append(part.Of, f)
			} else {
				part.Own = append(part.Own, f)
			}
		}
		p.Tracks = append(p.Tracks, part)
	}
	return p, nil
}

// Time shows an instant in the facility's zone.
func (p cardPage) Time(t time.Time) string { return t.In(p.zone).Format(minutes) }

// findingLine is a finding with its moment in the facility's time.
type findingLine struct {
	card.Finding
	When string
}

// Lines words the moments of findings that no open hold says already.
func (p cardPage) Lines(list []card.Finding) []findingLine {
	var out []findingLine
	for _, f := range list {
		if !p.Held(f) { // its hold stands above
			out = append(out, findingLine{f, p.When(f)})
		}
	}
	return out
}

// Unrecorded says that nothing is on record; empty where something is.
func (p cardPage) Unrecorded() string { return p.Card.Unrecorded() }

// Described is an access in a line.
func (p cardPage) Described(a card.Access) string { return p.Card.Described(a) }

// minutes is how instants are shown: in the facility's time, with the zone's name.
const minutes = "2006-01-02 15:04 MST"

// numbers are the details of a needle that is to be inserted; what is not recorded is said.
func numbers(t card.Track) []number {
	n := t.Next
	if n.Needle == "none" {
		return nil
	}
	const missing = card.NotRecorded
	out := []number{{"Gauge", missing}, {"Angle", missing}, {"Depth", missing}, {"Direction", or(n.Direction, missing)},
		{"Bevel", or(t.Bevel, missing)}, {"Needle length", missing}}
	if n.Gauge != nil {
		out[0].Value = fmt.Sprintf("%d G", *n.Gauge)
	}
	if n.AngleDegrees != nil {
		out[1].Value = fmt.Sprintf("%g°", *n.AngleDegrees)
	}
	if n.DepthMillimetres != nil {
		out[2].Value = fmt.Sprintf("%g mm", *n.DepthMillimetres)
	}
	if t.NeedleLength != nil {
		out[5].Value = fmt.Sprintf("%d mm", *t.NeedleLength)
	}
	return out
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
