package web

import (
	"cmp"
	"regexp"
	"strings"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/record/zone"
	"cannulary/internal/track"
	"cannulary/internal/view"
	"cannulary/internal/worklist"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// row is a patient as a list shows it.
type row struct {
	Key, Name, Birth, Number string
	Chair                    string
	Urgency                  string // stop, care or empty
	Arterial, Venous, Other  []needleWords
	Technique                string // in words, of a patient without a track in use
	First                    []line // what to know first
	Facility                 string // in a list of several facilities
}

// needleWords is the next needle of a track.
type needleWords struct {
	Track, Stage, Needle, Words string
	Held                        bool
}

// line is a sentence to know.
type line struct {
	Class string // stop, care or soft
	Text  string
	Said  string // what the judgement says, in English
	After string
	Lang  string // of Said, where the page is in another
}

// row words what a list shows of a patient.
func (h *handler) row(p patient, z *time.Location, now time.Time) row {
	r := row{Key: p.key, Name: p.who.Name, Urgency: map[int]string{rankHold: "stop", rankCaution: "care",
		rankFirst: "care"}[p.rank]}
	if p.expected() {
		r.Chair = p.place.Chair
	}
	if d, err := zone.ParseDay(p.who.BirthDate); err == nil {
		r.Birth = h.words.date(d.Time())
	}
	if len(p.who.Identifiers) > 0 {
		r.Number = p.who.Identifiers[0].Value
	}
	for _, t := range p.tracks {
		if t.Stage == string(track.Retired) {
			continue
		}
		n := needleWords{Track: t.Track, Stage: t.Stage, Needle: t.Needle, Words: h.needle(t), Held: t.Held}
		switch t.Role {
		case track.RoleName(cannularyv1.NeedleRole_NEEDLE_ROLE_ARTERIAL):
			r.Arterial = append(r.Arterial, n)
		case track.RoleName(cannularyv1.NeedleRole_NEEDLE_ROLE_VENOUS):
			r.Venous = append(r.Venous, n)
		default:
			r.Other = append(r.Other, n)
		}
	}
	if len(r.Arterial)+len(r.Venous)+len(r.Other) == 0 {
		r.Technique = h.technique(p.person, now.In(z))
	}
	r.First = h.first(p, z, now)
	return r
}

// needle words the next needle of a track, with its mark.
func (h *handler) needle(t view.TrackRow) string {
	s := track.Stage(t.Stage)
	of := track.State{Target: t.Target, Again: t.Again, OneMore: t.OneMore}
	key := "needle." + t.Needle
	switch {
	case t.Held:
		key += "-held"
	case t.Needle == string(track.None) && s == track.Resting:
		key += "-resting"
	case t.Needle == string(track.Sharp) && s == track.Planned:
		key += "-first"
	case t.Needle == string(track.Sharp) && t.Again > 0:
		key += "-again"
	case t.Needle == string(track.Sharp) && forming(s) && t.Session > of.Course():
		key += "-more"
	case t.Needle == string(track.Sharp) && forming(s):
		key += "-forming"
	case t.Needle == string(track.Blunt) && s == track.Ready:
		key += "-first"
	case t.Needle == string(track.Blunt) && s == track.Trial:
		key += "-trial"
	}
	return card.Mark(t.Needle) + " " + h.words.must(needleKey(key), "Counted", t.Counted, "Target", of.Course(), "Session", t.Session)
}

// needleKey is the key itself where there is such a message, else the one without what stands after
// the needle.
func needleKey(key string) string {
	switch key {
	case "needle.none-held", "needle.none-resting", "needle.sharp-first", "needle.sharp-forming", "needle.sharp-again",
		"needle.sharp-more", "needle.blunt-first", "needle.blunt-trial":
		return key
	}
	short, _, _ := strings.Cut(key, "-")
	return short
}

// technique words how a patient without a track in use is needled, and the last needles.
func (h *handler) technique(p *worklist.Person, now time.Time) string {
	if p == nil {
		return h.words.must("technique.unknown")
	}
	text := h.words.must("technique." + cmp.Or(string(p.Technique), "unknown"))
	if p.Last == nil {
		return text
	}
	var gauges []string
	for _, n := range p.Last.Needles {
		if n.Gauge > 0 {
			gauges = append(gauges, h.words.must("row.gauge", "Gauge", n.Gauge))
		}
	}
	if n := p.Last.Needles; len(n) == 2 && n[0].Gauge > 0 && n[0].Gauge == n[1].Gauge {
		gauges = []string{h.words.must("row.gauge-both", "Gauge", n[0].Gauge)}
	}
	last := h.words.must("row.last", "Day", h.words.day(p.Last.Day.Time(), now))
	if len(gauges) > 0 {
		last += ": " + strings.Join(gauges, " · ")
	}
	return text + ". " + last
}

// statistic is a figure that is for the card.
var statistic = regexp.MustCompile(` \(p [=<] [0-9.]+\)`)

// first lists what to know of a patient before all else.
func (h *handler) first(p patient, z *time.Location, now time.Time) []line {
	var out []line
	english := ""
	if h.words.Tag != "en" {
		english = "en"
	}
	add := func(class, text string) { out = append(out, line{Class: class, Text: text}) }
	for _, x := range p.holds {
		since := h.words.when(x.Since.In(z), now.In(z))
		if d, err := zone.ParseDay(x.Day); err == nil {
			since = h.words.day(d.Time(), now.In(z))
		}
		text := h.words.must("row.hold", "Since", since)
		if x.Place != "" {
			text = h.words.must("row.hold-on", "Place", x.Place, "Since", since)
		}
		hold := line{Class: "stop", Text: text + " ", Said: card.Sentence(x.Text), Lang: english}
		if x.Count > 1 {
			hold.After += " " + h.words.must("row.reports", "Count", x.Count)
		}
		if x.Away {
			hold.After += " " + h.words.must("row.left")
		}
		out = append(out, hold)
	}
	if p.who.Doubt != "" {
		out = append(out, line{Class: "care", Said: p.who.Doubt, Lang: english})
	}
	var firsts []string
	said := map[string]bool{}
	for _, t := range p.tracks {
		if t.Stage == string(track.Retired) {
			continue
		}
		if t.Caution != "" && !said[t.Caution] {
			said[t.Caution] = true
			out = append(out, line{Class: "care", Said: card.Sentence(statistic.ReplaceAllString(t.Caution, "")), Lang: english})
		}
		if t.Stage == string(track.Ready) && t.Needle == string(track.Blunt) {
			firsts = append(firsts, t.Track)
		}
	}
	if len(firsts) > 0 {
		add("care", h.words.must("row.first-blunt", "Tracks", strings.Join(firsts, ", ")))
	}
	pl := p.place
	if pl.Hospital != 0 {
		add("soft", h.words.must("row.hospital", "Day", h.words.day(pl.Hospital.Time(), now.In(z))))
	}
	if pl.Overnight != nil {
		add("soft", h.words.must("row.treating-yesterday", "Clock", pl.Overnight.Began.In(z).Format(clock)))
	}
	switch {
	case pl.Today != nil && pl.Today.Ended:
		add("soft", h.words.must("row.treated"))
	case pl.Today != nil && pl.Today.Timed:
		add("soft", h.words.must("row.treating", "Clock", pl.Today.Began.In(z).Format(clock)))
	case pl.Today != nil:
		add("soft", h.words.must("row.treating-today"))
	case pl.Missed != nil:
		add("soft", h.words.must("row.missed"))
	}
	for _, x := range p.past {
		add("soft", h.words.must("row.past-hold", "Place", x.Place, "Since", h.words.day(x.Since.In(z), now.In(z))))
	}
	return out
}

// date is a date with its year.
func (w *words) date(at time.Time) string {
	return w.must("date.date", "Day", at.Day(), "Month", w.must("month."+strings.ToLower(at.Month().String())), "Year", at.Year())
}
