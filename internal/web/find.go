package web

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"cannulary/internal/answer"
	"cannulary/internal/card"
	"cannulary/internal/fault"
	"cannulary/internal/record/zone"
	"cannulary/internal/trail/seen"
	"cannulary/internal/view"
)

const (
	paramFind = "find" // part of a name, or a number: what a person types, or a scanner
	paramScan = "scan" // what a scanner read of a wristband
)

// found is what was found.
type found struct {
	Asked string
	Rows  []row
	More  int // that were found and are not listed
}

// foundMost is how many are listed. Whoever finds more types more.
const foundMost = 50

// fold is a text without case and accents.
func fold(s string) string {
	var b strings.Builder
	for _, r := range norm.NFKD.String(cases.Fold().String(s)) {
		if !unicode.Is(unicode.Mn, r) {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// carriers are the patients one of whose identifiers has exactly that value, case aside. A scan
// names no system.
func carriers(names map[string]card.Patient, value string) []string {
	var out []string
	for key, p := range names {
		if slices.ContainsFunc(p.Identifiers, func(id card.Identifier) bool { return fold(id.Value) == fold(value) }) {
			out = append(out, key)
		}
	}
	slices.Sort(out)
	return out
}

// resembling are the patients whose name has every word of the text in it, or who have an
// identifier with the text in it.
func resembling(names map[string]card.Patient, text string) []string {
	parts := strings.FieldsFunc(fold(text), func(r rune) bool { return r == ',' || unicode.IsSpace(r) })
	var out []string
	for key, p := range names {
		name := fold(p.Name)
		all := len(parts) > 0
		for _, part := range parts {
			all = all && strings.Contains(name, part)
		}
		inside := func(id card.Identifier) bool { return strings.Contains(fold(id.Value), fold(text)) }
		if all || slices.ContainsFunc(p.Identifiers, inside) {
			out = append(out, key)
		}
	}
	return out
}

// everybody opens the names of all patients of the record.
func (h *handler) everybody(ctx context.Context, rec records, f *freshness) (map[string]card.Patient, error) {
	identities := map[string]string{}
	for key, p := range rec.persons {
		identities[key] = p.Identity
	}
	return h.names(ctx, identities, f)
}

// cardOf is the address of a patient's card. It is relative, since a gateway may serve the pages
// below a path of its own.
func cardOf(key string) string { return "card?" + url.Values{paramPatient: {key}}.Encode() }

// find looks for a patient at all facilities. It opens the card where exactly one has that number;
// opened tells that it did.
func (h *handler) find(w http.ResponseWriter, r *http.Request, rec records, facilities []view.Facility,
	page *todayPage) (opened bool, err error) {
	c := page.Chosen
	names, err := h.everybody(r.Context(), rec, &page.freshness)
	if err != nil {
		return false, err
	}
	keys := carriers(names, c.Find)
	if len(keys) == 1 {
		seen.Patients(r.Context(), keys[0])
		seeOther(w, cardOf(keys[0]))
		return true, nil
	}
	if len(keys) == 0 {
		keys = resembling(names, c.Find)
	}
	now := h.cfg.Now()
	f := &found{Asked: c.Find}
	var people []patient
	at := map[string]view.Facility{}
	for _, key := range keys {
		p := patient{key: key, person: rec.persons[key], rank: rankRest}
		for _, x := range facilities {
			if q, ok := rec.at(x.ID, key, now, h.cfg.Cards.Zone(x.ID)); ok && (at[key].ID == "" || q.place.Here) {
				p, at[key] = q, x
			}
		}
		p.who = names[key]
		people = append(people, p)
	}
	slices.SortFunc(people, func(a, b patient) int {
		return cmp.Or(strings.Compare(fold(a.who.Name), fold(b.who.Name)), strings.Compare(a.key, b.key))
	})
	f.More = max(0, len(people)-foundMost)
	for _, p := range people[:len(people)-f.More] {
		x := at[p.key]
		line := h.row(p, h.cfg.Cards.Zone(x.ID), now)
		if x.ID != c.Facility {
			line.Facility = cmp.Or(x.Name, x.ID)
		}
		f.Rows = append(f.Rows, line)
	}
	page.Found = f
	return false, nil
}

func seeOther(w http.ResponseWriter, to string) {
	w.Header().Set("Location", to)
	w.WriteHeader(http.StatusSeeOther)
}

// Results of a scan at the chair.
const (
	scanSame    = "same"    // the wristband is the patient's
	scanOther   = "other"   // it is another patient's
	scanNobody  = "nobody"  // nobody is known under that number
	scanSeveral = "several" // several patients have that number
)

// confirmed is what a scan at the chair says of the patient whose card is open.
type confirmed struct {
	Result  string `json:"result"`
	Title   string `json:"title"`
	Text    string `json:"text"`
	Card    link   `json:"card"`            // to the card that is open
	Other   *link  `json:"other,omitempty"` // to the other patient's card
	Patient who    `json:"patient"`
	Found   who    `json:"found"`
}

// link is an address and what stands on it.
type link struct {
	Address string `json:"address"`
	Text    string `json:"text"`
}

// who is a patient for positive identification.
type who struct {
	Name  string `json:"name"`
	Birth string `json:"birthDate"`
}

// confirm answers "/confirm": whether what a scanner read belongs to the patient whose card is
// open. Only an identifier of this patient, and of nobody else, confirms.
func (h *handler) confirm(w http.ResponseWriter, r *http.Request) error {
	p, err := answer.Query(r, paramPatient, paramScan)
	if err != nil {
		return err
	}
	if p[paramPatient] == "" || p[paramScan] == "" {
		return fault.New(fault.Invalid, "a scan needs a patient and a scanned number",
			"open the patient's card, put the cursor into its field and scan the wristband")
	}
	rec, err := h.records(r.Context())
	if err != nil {
		return err
	}
	var f freshness
	names, err := h.everybody(r.Context(), rec, &f)
	if err != nil {
		return err
	}
	patient, known := names[p[paramPatient]]
	if !known {
		return fault.New(fault.NotFound, "No record of this patient", "open the card again from Today")
	}
	seen.Patients(r.Context(), patient.ID)
	at := h.cfg.Now()
	name := func(p card.Patient) who { return who{cmp.Or(p.Name, h.words.must("row.no-name")), p.BirthDate} }
	born := func(p card.Patient) string {
		if d, err := zone.ParseDay(p.BirthDate); err == nil {
			return h.words.date(d.Time())
		}
		return h.words.must("row.no-birth")
	}
	to := func(p card.Patient) link { return link{cardOf(p.ID), h.words.must("scan.open", "Name", name(p).Name)} }
	c := confirmed{Card: to(patient), Patient: name(patient)}
	keys := carriers(names, p[paramScan])
	seen.Patients(r.Context(), keys...) // also that several have the number is told
	switch {
	case len(keys) == 0:
		c.Result = scanNobody
		c.Text = h.words.must("scan.nobody-text", "Name", c.Patient.Name)
	case len(keys) > 1:
		c.Result = scanSeveral
		c.Text = h.words.must("scan.several-text", "Count", len(keys), "Name", c.Patient.Name)
	case keys[0] == patient.ID:
		c.Result, c.Found = scanSame, c.Patient
		zone := h.cfg.Cards.Zone(h.facilityOf(rec, patient.ID))
		c.Text = h.words.must("scan.same-text", "Name", c.Patient.Name, "Birth", born(patient), "Clock", at.In(zone).Format(clock))
	default:
		other := names[keys[0]]
		its := to(other)
		c.Result, c.Found, c.Other = scanOther, name(other), &its
		c.Text = h.words.must("scan.other-text", "Found", c.Found.Name, "FoundBirth", born(other), "Name", c.Patient.Name,
			"Birth", born(patient))
	}
	c.Title = h.words.must("scan." + c.Result)
	if formOf(r, formHTML) == formJSON {
		return answer.Value(w, r, http.StatusOK, c)
	}
	return h.render(w, r, "confirm", frame{Title: c.Title, Facility: h.facilityOf(rec, patient.ID)}, c)
}

// facilityOf is where a patient is today; empty where nobody can say.
func (h *handler) facilityOf(rec records, key string) string {
	p := rec.persons[key]
	if p == nil {
		return ""
	}
	for _, s := range p.Stays {
		if d := zone.DayOf(h.cfg.Now(), h.cfg.Cards.Zone(s.Facility)); s.From <= d && d < s.To {
			return s.Facility
		}
	}
	return p.Facility
}
