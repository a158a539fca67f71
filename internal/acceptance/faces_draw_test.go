package acceptance_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/keyring"
	"cannulary/internal/oracle/needling"
	"cannulary/internal/oracle/needling/histories"
	"cannulary/internal/record"
	logv1 "cannulary/proto/cannulary/log/v1"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// person is one drawn patient with the numbers of both identities.
type person struct {
	histories.History
	facts   []record.Fact
	numbers map[string]string // by key
	last    time.Time         // by when everything had happened and arrived
}

// draw draws the patients. Their keys are those of invented numbers, so that a hook finds them.
func (f *theFaces) draw(t *testing.T, n int) {
	t.Helper()
	store, err := keyring.OpenFolder(context.Background(), filepath.Join(f.dir, "keys"))
	if err != nil {
		t.Fatal(err)
	}
	ring, err := keyring.Open(context.Background(), store)
	if err != nil {
		t.Fatal(errors.Join(err, store.Close()))
	}
	f.arrivals = map[string]time.Time{}
	untold := wrongs()
	// After the first few only those are taken who tell one more wrong reading from the right one.
	var taken []int
	for i := 0; i < n || len(untold) > 0 && i < drawnMost; i++ {
		p := drawPerson(t, ring, i)
		before := len(untold)
		untold = slices.DeleteFunc(untold, func(w wrong) bool { return p.tells(w) })
		if i >= n && len(untold) == before {
			continue
		}
		taken = append(taken, i)
		for _, x := range p.facts {
			f.arrivals[x.EventID] = x.Logged
		}
		f.people = append(f.people, p)
	}
	t.Logf("patients %v tell every wrong reading", taken)
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	slices.SortStableFunc(f.people, func(a, b person) int { return a.last.Compare(b.last) })
}

// drawnMost is how many patients are drawn at most.
const drawnMost = 250

// drawPerson draws the i-th patient.
func drawPerson(t *testing.T, ring *keyring.Ring, i int) person {
	t.Helper()
	r := rand.New(rand.NewPCG(26, uint64(i)))
	p := person{numbers: map[string]string{}}
	p.History = histories.Named(fmt.Sprintf("f%d", i), r.Uint64()>>2, 4+r.IntN(22), []float64{0, 0.015, 0.04, 0.12}[i%4])
	keys := map[string]string{}
	for k, old := range []string{p.Patient, p.Other} {
		number := fmt.Sprintf("F%d-%d", i, k)
		keys[old] = ring.PatientKey(mrnOf, number)
		p.numbers[keys[old]] = number
	}
	p.Patient, p.Other = keys[p.Patient], keys[p.Other]
	p.Events = registrationsFirst(p.Events)
	for _, e := range p.Events {
		if e.PatientKey != "" {
			e.PatientKey = keys[e.PatientKey]
		}
		for _, x := range e.GetFacts() {
			if m := x.GetIdentitiesMerged(); m != nil {
				m.RetiredPatientKey = keys[m.RetiredPatientKey]
			}
			if m := x.GetIdentityMergeReversed(); m != nil {
				m.RetiredPatientKey = keys[m.RetiredPatientKey]
			}
		}
	}
	p.ends(i)
	var err error
	if p.facts, err = p.All(); err != nil {
		t.Fatal(err)
	}
	for _, x := range p.facts {
		p.last = latest(latest(p.last, x.At), x.Logged)
	}
	// Sometimes weeks pass without a fact.
	p.last = p.last.Add(time.Duration(r.IntN(30)) * time.Hour)
	if r.IntN(3) == 0 {
		p.last = p.last.AddDate(0, 0, r.IntN(60))
	}
	return p
}

// ends adds what is hardly ever drawn: one infection that is reported twice on one day, and a
// patient who leaves for good.
func (p *person) ends(i int) {
	var last *logv1.Event
	for _, e := range p.Events {
		if e.PatientKey == p.Patient && (last == nil || e.GetOccurredAt().AsTime().After(last.GetOccurredAt().AsTime())) {
			last = e
		}
	}
	y, m, d := last.GetOccurredAt().AsTime().In(p.Zone(last.Facility)).Date()
	add := func(message string, hour int, fact *logv1.Fact) {
		p.Events = append(p.Events, &logv1.Event{
			Id: record.EventID(last.Source, message), Source: last.Source, SourceMessageId: message, Facility: p.Facility, PatientKey: p.Patient,
			OccurredAt: timestamppb.New(time.Date(y, m, d+1, hour, 0, 0, 0, p.Zone(p.Facility))),
			Precision:  cannularyv1.TimePrecision_TIME_PRECISION_MINUTE, Facts: []*logv1.Fact{fact},
		})
	}
	if i%5 == 3 {
		for hour := 15; hour < 17; hour++ {
			signs := &cannularyv1.SiteSignsSeen{Track: "A", Pus: cannularyv1.Finding_FINDING_PRESENT}
			seen := &cannularyv1.SurveillanceFact{Fact: &cannularyv1.SurveillanceFact_SiteSignsSeen{SiteSignsSeen: signs}}
			add(fmt.Sprintf("signs-%d", hour), hour, &logv1.Fact{Fact: &logv1.Fact_Surveillance{Surveillance: seen}})
		}
	}
	if i%7 == 4 {
		gone := &cannularyv1.PatientLeft{Reason: cannularyv1.LeavingReason_LEAVING_REASON_TRANSPLANT}
		left := &cannularyv1.RosterFact{Fact: &cannularyv1.RosterFact_PatientLeft{PatientLeft: gone}}
		add("left", 18, &logv1.Fact{Fact: &logv1.Fact_Roster{Roster: left}})
	}
}

// tells reports whether a wrong reading answers otherwise of the patient.
func (p *person) tells(w wrong) bool {
	for _, o := range append(p.earlier(p.Patient), observed{p: p, q: p.AskOf(p.facts), at: p.last}) {
		right := needling.Fold(o.input(), needling.None)
		if a := w.read(&o); differ(answered(&right), answered(&a)) != "" {
			return true
		}
	}
	return false
}

// earlier are the questions about three earlier moments: by what is known now, and by what was
// known then.
func (p *person) earlier(key string) []observed {
	var out []observed
	own := slices.DeleteFunc(slices.Clone(p.facts), func(x record.Fact) bool { return x.PatientKey == "" })
	slices.SortFunc(own, func(a, b record.Fact) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
	for i := 1; i <= 3; i++ {
		at := own[(len(own)-1)*i/4].At.Add(time.Duration(i-1) * time.Hour)
		for _, known := range []time.Time{{}, latest(at, own[0].Logged)} {
			q, ok := p.question(key, known)
			if !ok || known.After(p.last) {
				continue
			}
			o := observed{p: p, q: q, at: at, asked: "&as_of=" + at.UTC().Format(time.RFC3339Nano)}
			if !known.IsZero() {
				o.asked += "&known_at=" + known.UTC().Format(time.RFC3339Nano)
			}
			out = append(out, o)
		}
	}
	return out
}
