package facade_test

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"cannulary/fhir"
	"cannulary/internal/export"
	"cannulary/internal/facade"
	"cannulary/internal/record"
	"cannulary/internal/view"
)

// An event arrives when the export has begun to read: it is in none of the files, and comes
// with the next export.
func TestWhatArrivesInTheMiddleComesWithTheNextExport(t *testing.T) {
	var x *exporter
	var once sync.Once
	x = newExporter(t, false, func(c *facade.Config) {
		c.Survivor = func(id string) string { // asked in the middle
			once.Do(func() {
				x.event("here", "p", at(5), resource("Procedure", "a", "p", "new", fhir.Index{}), resource("Observation", "b", "p", "", fhir.Index{}), resource("Flag", "a", "p", "new", fhir.Index{}))
			})
			return id
		}
	})
	x.event("here", "p", at(1), resource("Patient", "p", "p", "", fhir.Index{}), resource("Procedure", "a", "p", "", fhir.Index{}), resource("Flag", "a", "p", "", fhir.Index{}))
	path := "/Group/" + record.DerivedID("group", record.FacilityID("here")) + "/$export?_type=Procedure,Observation,Flag"
	m := x.finish(x.begin(path))
	first := x.lines(m)
	if got := exportNames(first); got != "Flag/a Procedure/a" || m.TransactionTime != "2027-03-01T07:00:00.001Z" || strings.Contains(first["Flag/a"]+first["Procedure/a"], "new") {
		t.Errorf("the first gives %s as of %s: %v", got, m.TransactionTime, first)
	}
	if second := x.export(path + "&_since=" + m.TransactionTime); exportNames(second) != "Flag/a Observation/b Procedure/a" || !strings.Contains(second["Flag/a"], "new") {
		t.Errorf("the second gives %v", second)
	}
}

// While events arrive an export gives one state: each event writes one number into a
// resource of every type. And since transactionTime nothing is lost.
func TestNothingIsTornOrLostWhileEventsArrive(t *testing.T) {
	x := newExporter(t, false)
	types := []string{"Patient", "Procedure", "Observation", "Flag", "Provenance"}
	write := func(n, k int) {
		var list []fhir.Resource
		for _, typ := range types {
			patient := "p"
			if typ == "Provenance" {
				patient = ""
			}
			list = append(list, resource(typ, "counter", patient, fmt.Sprint(n), fhir.Index{}), resource(typ, fmt.Sprint("r", k), patient, fmt.Sprint(n), fhir.Index{}))
		}
		x.put(at(n/3), list...) // several events in one millisecond
	}
	write(0, 0)
	var stop atomic.Bool
	done := make(chan int)
	go func() {
		rng := rand.New(rand.NewPCG(1, 2))
		n := 1
		for ; !stop.Load() && n < 1500; n++ {
			write(n, rng.IntN(300))
			if n%10 == 0 {
				time.Sleep(time.Millisecond)
			}
		}
		done <- n
	}()
	have, since := map[string]string{}, ""
	pull := func() {
		path := "/$export?_type=" + strings.Join(types, ",")
		if since != "" {
			path += "&_since=" + since
		}
		m := x.finish(x.begin(path))
		got := x.lines(m)
		seen := map[string]bool{}
		for _, typ := range types {
			var r struct{ Content string }
			if err := json.Unmarshal([]byte(got[typ+"/counter"]), &r); err != nil {
				t.Fatalf("%s/counter: %v", typ, err)
			}
			seen[r.Content] = true
		}
		if len(seen) != 1 {
			t.Errorf("the export is torn: it has the events %v", slices.Sorted(maps.Keys(seen)))
		}
		maps.Copy(have, got)
		since = m.TransactionTime
	}
	for range 8 {
		pull()
	}
	stop.Store(true)
	last := <-done
	pull()
	if t.Logf("%d events while 8 exports ran", last); last < 20 {
		t.Error("too few events arrived for this to say anything")
	}
	// What a search gives now is what the client has.
	now := map[string]string{}
	for _, typ := range types {
		page, err := x.store.Search(context.Background(), view.Query{Type: typ, Count: 5000})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range page.Rows {
			now[typ+"/"+r.ID] = string(r.Body)
		}
	}
	if !maps.Equal(have, now) {
		t.Errorf("the client has %d resources, a search gives %d, or others", len(have), len(now))
	}
}

// FuzzTypeFilter sends whatever string as a _typeFilter: it is taken or refused with a
// text, never a 500; and what is taken can be run, also in another process.
func FuzzTypeFilter(f *testing.F) {
	x := newExporter(f, true)
	x.put(at(0), resource("Procedure", "a", "p", "", fhir.Index{}), resource("Observation", "b", "p", "", fhir.Index{}))
	for _, seed := range []string{"Procedure?status=a,b,Observation?value-quantity=gt1||mm", "Observation?", ",", "?", "Procedure?code=a\\,Flag?x", "Flag?_id=1;2", "Flag?date=ge2027-03-01T07:00:00+01:00", "Procedure?patient:Patient=p&_count=1", "Device?type=\x00|\xff", "Procedure?code=%2C%00"} {
		f.Add(seed, false)
		f.Add(seed, true)
	}
	f.Fuzz(func(t *testing.T, filter string, lenient bool) {
		x.t = t
		prefer := "respond-async"
		if lenient {
			prefer += ", handling=lenient"
		}
		a := x.ask("GET", facade.Path+"/$export?_typeFilter="+url.QueryEscape(filter), "", "Prefer", prefer)
		if a.status != http.StatusAccepted {
			if outcome(t, a); a.status != http.StatusBadRequest {
				t.Fatalf("%q: %d %s", filter, a.status, a.body)
			}
			return
		}
		at := x.begun(a)
		id := at[strings.LastIndex(at, "/")+1:]
		s, _ := x.engine.Status(id)
		kept, err := json.Marshal(s.Request)
		if err != nil {
			t.Fatal(err)
		}
		var again export.Request
		if err := json.Unmarshal(kept, &again); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan struct{})
		go func() { defer close(done); x.engine.Run(ctx, x.h.Export) }()
		m := x.finish(at)
		cancel()
		<-done
		if m.TransactionTime == "" || x.ask("DELETE", at, "").status != http.StatusAccepted {
			t.Fatalf("%q: %+v", filter, m)
		}
	})
}
