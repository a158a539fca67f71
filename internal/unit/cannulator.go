package unit

import (
	"cmp"
	"slices"
	"time"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Cannulator is one member of staff: ratings, and the tracks that he or she created or is named
// for. It holds no count of good or bad sessions: it is for learning, never for ranking.
type Cannulator struct {
	ID     string   `json:"id"` // record.StaffID
	System string   `json:"system"`
	Name   string   `json:"name"`
	Rating *Rating  `json:"rating"` // the newest, nil if none is recorded
	Before []Rating `json:"earlierRatings"`
	// Created are the tracks whose first insertion, or takeover, names the person as creator,
	// Deputy those that the person was named for.
	Created []Ref `json:"created"`
	Deputy  []Ref `json:"deputyOf"`
}

// Rating is a rating on a day. It can create tracks until Until, the day included; a rating of
// another level has none.
type Rating struct {
	Level    string   `json:"level"`
	On       zone.Day `json:"-"`
	Date     string   `json:"date"`
	Until    string   `json:"until,omitempty"`
	Lapsed   bool     `json:"lapsed"`
	Evidence string   `json:"evidence,omitempty"`
	Assessor string   `json:"assessor,omitempty"`
}

// Ref names a track.
type Ref struct {
	Patient string `json:"patient"`
	Track   string `json:"track"`
	Role    string `json:"role"`
	Stage   string `json:"stage"`
}

// Cannulators returns those who were rated at the facility or are named for one of its tracks, by
// name. ratings are all `cannulator_rated` facts, in the order of record.Before. A rating lapses after
// so many months, as the protocol says.
func Cannulators(ratings []record.Item, tracks []Track, facility string, months int, today zone.Day,
	local func(facility string) *time.Location) []Cannulator {
	all, here := map[string]*Cannulator{}, map[string]bool{}
	of := func(s *cannularyv1.StaffIdentifier, belongs bool) *Cannulator {
		id := record.StaffID(s)
		if all[id] == nil {
			all[id] = &Cannulator{ID: id, System: s.GetSystem(), Name: s.GetValue(), Before: []Rating{}, Created: []Ref{}, Deputy: []Ref{}}
		}
		here[id] = here[id] || belongs
		return all[id]
	}
	for i := range ratings {
		it := &ratings[i]
		b, ok := it.Body.(*cannularyv1.CannulatorRated)
		day := zone.DayOf(it.At, local(it.Facility))
		if !ok || it.Void || day > today {
			continue
		}
		c := of(b.GetCannulator(), it.Facility == facility)
		if c.Rating != nil {
			c.Before = append([]Rating{*c.Rating}, c.Before...)
		}
		c.Rating = rating(b, day, months, today)
	}
	for i := range tracks {
		t := &tracks[i]
		if t.Away {
			continue
		}
		ref := Ref{t.Patient, t.Name, t.Role, string(t.Stage)}
		if t.Creator != nil {
			c := of(t.Creator, true)
			c.Created = append(c.Created, ref)
		}
		for _, d := range t.Deputies {
			c := of(d, true)
			c.Deputy = append(c.Deputy, ref)
		}
	}
	var out []Cannulator
	for id, c := range all {
		if here[id] {
			out = append(out, *c)
		}
	}
	slices.SortFunc(out, func(a, b Cannulator) int { return cmp.Or(cmp.Compare(a.Name, b.Name), cmp.Compare(a.ID, b.ID)) })
	return out
}

func rating(b *cannularyv1.CannulatorRated, day zone.Day, months int, today zone.Day) *Rating {
	r := &Rating{On: day, Date: day.String(), Evidence: b.GetEvidence(), Assessor: b.GetAssessor().GetValue()}
	switch b.GetLevel() {
	case cannularyv1.CannulatorLevel_CANNULATOR_LEVEL_TRACK_CREATOR:
		until := zone.Day(day.Time().AddDate(0, months, 0).Unix() / 86400)
		r.Level, r.Until, r.Lapsed = "creates tracks", until.String(), today > until
	case cannularyv1.CannulatorLevel_CANNULATOR_LEVEL_INDEPENDENT:
		r.Level = "follows tracks alone"
	case cannularyv1.CannulatorLevel_CANNULATOR_LEVEL_SUPERVISED:
		r.Level = "needles under supervision"
	}
	return r
}
