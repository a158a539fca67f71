package simulate_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/internal/record"
	v1 "cannulary/proto/cannulary/v1"
)

// opened is a hold of the feed: when its ground was, and when it was lifted.
type opened struct {
	told
	rule, access, track string
	lifted              time.Time
	needled             int // treatments meanwhile
}

// holds finds the grounds of holds among the facts, and their lifts.
func (y *year) holds() []*opened {
	byID := map[string]*opened{}
	var all []*opened
	constant := map[string]bool{}
	add := func(x told, rule, access, track string) {
		h := &opened{told: x, rule: rule, access: access, track: track}
		byID[record.HoldID(rule, x.id)] = h
		all = append(all, h)
	}
	const present, absent = v1.Finding_FINDING_PRESENT, v1.Finding_FINDING_ABSENT
	for _, x := range y.told {
		switch f := x.fact.(type) {
		case *v1.AccessExamined:
			if f.GetFeel().GetThrill() == absent || f.GetListen().GetBruit() == absent {
				add(x, "thrill-absent", f.GetAccess(), "")
			}
			if f.GetLook().GetShinyOrThinSkin() == present {
				add(x, "skin-at-risk", f.GetAccess(), "")
			}
			for _, s := range f.GetSites() {
				if s.GetPus() == present || s.GetRedness() == present {
					add(x, "site-infection", f.GetAccess(), s.GetTrack())
				}
			}
		case *v1.SiteSignsSeen:
			add(x, "site-infection", f.GetAccess(), f.GetTrack())
		case *v1.HoldPlaced:
			add(x, "person", f.GetAccess(), f.GetTrack())
		case *v1.NeedleInserted:
			if f.GetTrack() != "" {
				constant[x.patient] = true
			}
		case *v1.CultureResulted:
			aureus := slices.ContainsFunc(f.GetOrganisms(), func(o *v1.Organism) bool {
				return strings.Contains(o.GetGroup().String(), "STAPHYLOCOCCUS_AUREUS")
			})
			if aureus && f.GetSpecimen() == v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD && constant[x.patient] {
				add(x, "bacteraemia", "", "")
			}
		}
	}
	for _, x := range y.told {
		if f, ok := x.fact.(*v1.HoldLifted); ok {
			if h := byID[f.GetHold()]; h != nil {
				h.lifted = x.at
			}
		}
	}
	y.needledMeanwhile(all)
	return all
}

// needledMeanwhile counts for each hold the treatments with a needle before the lift.
func (y *year) needledMeanwhile(all []*opened) {
	for _, h := range all {
		seen := map[string]bool{}
		for _, x := range y.told {
			n, ok := used(x.fact)
			if !ok || x.patient != h.patient || x.at.Before(h.at) || !h.lifted.IsZero() && !x.at.Before(h.lifted) || seen[x.session] {
				continue
			}
			if h.track != "" && n.GetTrack() == h.track || h.track == "" && (h.access == "" || h.access == n.GetAccess()) {
				seen[x.session] = true
				h.needled++
			}
		}
	}
}

// TestHoldsAreAnsweredAsInAUnit: every hold is lifted unless the patient leaves or the year ends
// before; some within the hour. Needles go in meanwhile where a result came late, or where a
// nurse's hold waited for the lead, and nowhere else.
func TestHoldsAreAnsweredAsInAUnit(t *testing.T) {
	y := demoYear(t)
	gone := map[string]bool{}
	for _, x := range y.told {
		if _, ok := x.fact.(*v1.PatientLeft); ok {
			gone[x.patient] = true
		}
	}
	within := map[string]int{}
	needled := map[string]int{}
	for _, h := range y.holds() {
		wait := h.lifted.Sub(h.at)
		t.Logf("%-15s %s %s, lifted after %s, %d treatments meanwhile", h.rule, h.at.Format(time.DateOnly), h.track, wait, h.needled)
		switch {
		case h.lifted.IsZero() && (gone[h.patient] || y.end.Sub(h.at) < 14*24*time.Hour):
		case h.lifted.IsZero():
			t.Errorf("the %s hold of %s is never lifted", h.rule, h.at)
		case wait <= time.Hour:
			within["an hour"]++
		case wait <= 12*24*time.Hour:
			within["days"]++
		default:
			t.Errorf("the %s hold of %s is lifted after %s", h.rule, h.at, wait)
		}
		if h.needled > 0 {
			needled[h.rule] += h.needled
			if late := h.arrival.Sub(h.at) > 48*time.Hour; late != (h.rule == "bacteraemia") {
				t.Errorf("%d treatments under a %s hold of %s, which arrived at %s", h.needled, h.rule, h.at, h.arrival)
			}
		}
	}
	t.Logf("answered within %v, treatments under a hold %v", within, needled)
	if within["an hour"] < 3 || within["days"] < 4 {
		t.Errorf("lifted within an hour and within days: %v", within)
	}
	if len(needled) != 2 || needled["bacteraemia"] == 0 || needled["person"] == 0 || needled["bacteraemia"]+needled["person"] > 6 {
		t.Errorf("treatments under a hold: %v, want a few after a late culture and under a person's hold", needled)
	}
}
