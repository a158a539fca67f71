package facade_test

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/fhir"
	"cannulary/internal/facade"
)

// TestEveryParameter finds, for every parameter of the table, the one resource that has
// the value, by every form of it.
func TestEveryParameter(t *testing.T) {
	s := newService(t)
	for _, typ := range facade.Types() {
		if typ.Published {
			continue // TestPublished
		}
		for _, p := range typ.Params {
			if p.Name == "_id" || p.Name == "_lastUpdated" {
				continue
			}
			if strings.HasPrefix(p.Name, "combo-") {
				// It also finds what its parts find: start without those.
				s = newService(t)
			}
			id := "has-" + strings.ToLower(typ.Name) + "-" + p.Name
			var ix fhir.Index
			var forms []string
			patient := ""
			switch p.Type {
			case facade.TokenParam:
				ix.Tokens = []fhir.Token{{Param: p.Name, System: "urn:s|1", Code: "x,y"}}
				forms = []string{`x\,y`, `urn:s\|1|x\,y`, `urn:s\|1|`, `nothing,x\,y`}
				if p.Codes != nil {
					ix.Tokens = []fhir.Token{{Param: p.Name, System: p.System, Code: p.Codes[0]}}
					if forms = []string{p.Codes[0], p.Codes[1] + "," + p.Codes[0]}; p.System != "" {
						forms = append(forms, p.System+"|"+p.Codes[0], p.System+"|")
					}
				}
			case facade.DateParam:
				ix.Dates = []fhir.Period{{Param: p.Name, Low: at(0), High: at(1000)}}
				forms = []string{"2027", "2027-03", "2027-03-01", "eq2027-03-01T07:00", "2027-03-01T07:00:00Z", "2027-03-01T08:00:00+01:00", "2027-03-01T05:00:00-02:00", "ge2027-03-01", "lt2027-03-02", "sa2027-02", "eb2028", "gt2027-03-01T07:00:00.5Z", "ne2026"}
			case facade.QuantityParam:
				ix.Quantities = []fhir.Quantity{{Param: p.Name, System: "http://unitsofmeasure.org", Code: "mm[Hg]", Value: 120}}
				forms = []string{"120", "1.2e2", "1e2", "gt119.9", "le120", "120||mm[Hg]", "120|http://unitsofmeasure.org|mm[Hg]", "ne119", "sa119", "eb121"}
			case facade.StringParam:
				ix.Strings = []fhir.Text{{Param: p.Name, Value: "Évora Quay"}}
				forms = []string{"Évora", "EVORA QUAY", "nothing,evo"}
			case facade.CompositeParam:
				continue // TestComposites
			case facade.ReferenceParam:
				target := p.Targets[0]
				if p.Logical {
					continue // TestEncounter
				}
				ix.References = []fhir.Reference{{Param: p.Name, Type: target, ID: "to-" + p.Name}}
				if p.Compartment {
					patient = "to-" + p.Name
				}
				forms = []string{target + "/to-" + p.Name, "to-" + p.Name, base + "/" + target + "/to-" + p.Name, "nobody,to-" + p.Name}
			}
			s.put(at(0), resource(typ.Name, id, patient, "", ix))
			for _, f := range forms {
				b := s.bundle(s.get("/" + typ.Name + "?" + p.Name + "=" + url.QueryEscape(f)))
				if b.ids() != typ.Name+"/"+id {
					t.Errorf("%s?%s=%s: %q", typ.Name, p.Name, f, b.ids())
				}
				if want := base + "/" + typ.Name + "?" + p.Name + "=" + url.QueryEscape(f); b.link("self") != want {
					t.Errorf("self is %s, want %s", b.link("self"), want)
				}
			}
			if p.Type == facade.ReferenceParam {
				if b := s.bundle(s.get("/" + typ.Name + "?" + p.Name + ":" + p.Targets[0] + "=to-" + p.Name)); b.ids() != typ.Name+"/"+id {
					t.Errorf("%s?%s with modifier: %q", typ.Name, p.Name, b.ids())
				}
			}
			for _, m := range p.Modifiers() {
				queries := map[string]string{"missing": "false", "not": "other", "exact": "Évora Quay", "contains": "ora q"}
				if v, ok := queries[m]; ok {
					if m == "not" && p.Codes != nil {
						v = p.Codes[1]
					}
					if b := s.bundle(s.get("/" + typ.Name + "?_id=" + id + "&" + p.Name + ":" + m + "=" + url.QueryEscape(v))); b.ids() != typ.Name+"/"+id {
						t.Errorf("%s?%s:%s=%s: %q", typ.Name, p.Name, m, v, b.ids())
					}
				}
				nots := map[string]string{"missing": "true", "not": `x\,y,other`, "exact": "évora Quay", "contains": "q e"}
				if v, ok := nots[m]; ok {
					if m == "not" && p.Codes != nil {
						v = p.Codes[0]
					}
					if b := s.bundle(s.get("/" + typ.Name + "?_id=" + id + "&" + p.Name + ":" + m + "=" + url.QueryEscape(v))); b.ids() != "" {
						t.Errorf("%s?%s:%s=%s: %q", typ.Name, p.Name, m, v, b.ids())
					}
				}
			}
			not := map[facade.ParamType]string{facade.StringParam: "vora", facade.TokenParam: "urn:s|x", facade.DateParam: "2026", facade.QuantityParam: "121", facade.ReferenceParam: "nobody"}[p.Type]
			if a := s.get("/" + typ.Name + "?" + p.Name + "=" + not); p.Codes != nil {
				if a.status != 400 {
					t.Errorf("%s?%s=%s: %d", typ.Name, p.Name, not, a.status)
				}
			} else if b := s.bundle(a); b.ids() != "" || len(b.Entry) != 0 {
				t.Errorf("%s?%s=%s: %q", typ.Name, p.Name, not, b.ids())
			}
			if b := s.bundle(s.get("/" + typ.Name + "?_id=none," + id)); b.ids() != typ.Name+"/"+id {
				t.Errorf("%s?_id: %q", typ.Name, b.ids())
			}
		}
	}
}

func TestBundle(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Device", "a", "", "<&>", fhir.Index{}))
	s.put(at(1), resource("Device", "b", "", "", fhir.Index{}))
	s.put(at(2), resource("Procedure", "c", "", "", fhir.Index{}))
	a := s.get("/Device?_count=1&_total=accurate&_sort=_lastUpdated")
	b := s.bundle(a)
	want := `{"resourceType":"Bundle","meta":{"lastUpdated":"2027-03-01T07:00:00.002Z"},"type":"searchset","total":2,` +
		`"link":[{"relation":"self","url":"https://gateway.example/fhir/Device?_count=1&_sort=_lastUpdated&_total=accurate"},` +
		`{"relation":"next","url":"` + b.link("next") + `"}],` +
		`"entry":[{"fullUrl":"https://gateway.example/fhir/Device/a","resource":{"id":"a","meta":{"versionId":"1","lastUpdated":"2027-03-01T07:00:00.000Z"},"content":"<&>","resourceType":"Device"},"search":{"mode":"match"}}]}`
	if string(a.body) != want {
		t.Errorf("got  %s\nwant %s", a.body, want)
	}
	if a.header.Get("Cache-Control") != "no-store" || a.header.Get("ETag") != "" {
		t.Errorf("headers %v", a.header)
	}
	if again := s.get("/Device?_sort=_lastUpdated&_total=accurate&_count=1"); string(again.body) != want {
		t.Errorf("another order of the same parameters gives %s", again.body)
	}
	head := s.do(http.MethodHead, "/fhir/Device?_count=1&_total=accurate&_sort=_lastUpdated", "")
	if head.status != 200 || len(head.body) != 0 || head.header.Get("Content-Length") != fmt.Sprint(len(want)) {
		t.Errorf("HEAD: %d %v", head.status, head.header)
	}
}

func TestTotals(t *testing.T) {
	s := newService(t, func(c *facade.Config) { c.MaxCount = 4 })
	for i := range 6 {
		s.put(at(i), resource("Device", fmt.Sprint(i), "", "", fhir.Index{}))
	}
	for _, c := range []struct {
		path    string
		entries int
		total   string
		self    string
		next    bool
	}{
		{"/Device", 4, "none", "/Device", true}, // the greatest count is below the usual one
		{"/Device?_count=9999999999999999999999", 4, "none", "/Device?_count=4", true},
		{"/Device?_count=3&_total=accurate", 3, "6", "/Device?_count=3&_total=accurate", true},
		{"/Device?_count=3&_total=estimate", 3, "6", "/Device?_count=3&_total=estimate", true},
		{"/Device?_count=0", 0, "6", "/Device?_count=0", false},
		{"/Device?_count=0&_total=none", 0, "6", "/Device?_count=0&_total=none", false},
		{"/Device?_summary=count&_count=2", 0, "6", "/Device?_count=2&_summary=count", false},
		{"/Device?_summary=false&_id=1,2", 2, "2", "/Device?_id=1%2C2&_summary=false", false}, // known anyway
		{"/Device?_id=1,2&_total=none", 2, "none", "/Device?_id=1%2C2&_total=none", false},
	} {
		b := s.bundle(s.get(c.path))
		total := "none"
		if b.Total != nil {
			total = fmt.Sprint(*b.Total)
		}
		if len(b.Entry) != c.entries || total != c.total || b.link("self") != base+c.self || (b.link("next") != "") != c.next {
			t.Errorf("%s: %d entries of %s, links %v", c.path, len(b.Entry), total, b.Link)
		}
	}
}

func TestPostSearch(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Procedure", "a", "p", "", fhir.Index{Tokens: []fhir.Token{{Param: "status", Code: "completed"}}}), resource("Procedure", "b", "p", "", fhir.Index{}),
		resource("Procedure", "c", "q", "", fhir.Index{Tokens: []fhir.Token{{Param: "status", Code: "completed"}}}))
	const form = "application/x-www-form-urlencoded; charset=utf-8"
	for _, c := range []struct{ query, body, ids string }{
		{"", "patient=p", "Procedure/a Procedure/b"}, {"?status=completed", "patient=p", "Procedure/a"}, {"?status=completed", "", "Procedure/a Procedure/c"}, {"", "", "Procedure/a Procedure/b Procedure/c"},
	} {
		b := s.bundle(s.do(http.MethodPost, "/fhir/Procedure/_search"+c.query, c.body, "Content-Type", form))
		if b.ids() != c.ids {
			t.Errorf("%s with %q: %s", c.query, c.body, b.ids())
		}
		if !strings.HasPrefix(b.link("self"), base+"/Procedure") || strings.Contains(b.link("self"), "_search") {
			t.Errorf("self is %s", b.link("self"))
		}
	}
}

func TestLenient(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Procedure", "a", "p", "", fhir.Index{}), resource("Procedure", "b", "q", "", fhir.Index{}))
	for _, prefer := range []string{"handling=lenient", "return=minimal, handling=lenient", `respond-async; handling="lenient"`} {
		b := s.bundle(s.get("/Procedure?patient=p&basedOn=1&_contained=true", "Prefer", prefer))
		if b.ids() != "Procedure/a" || b.link("self") != base+"/Procedure?patient=p" || *b.Total != 1 {
			t.Errorf("%s: %s, %v", prefer, b.ids(), b.Link)
		}
		if o := b.outcomes(); !strings.Contains(o, "warning: basedOn is not a search parameter of Procedure and was ignored") || !strings.Contains(o, "warning: _contained is") {
			t.Errorf("%s: it says %s", prefer, o)
		}
	}
}

// Clients follow next links without the header of the first request.
func TestTheNextLinkOfALenientSearchWorksAlone(t *testing.T) {
	s := newService(t)
	tokens := fhir.Index{Tokens: []fhir.Token{{Param: "status", System: "http://hl7.org/fhir/event-status", Code: "completed"}}}
	s.put(at(0), resource("Procedure", "a", "p", "", tokens), resource("Procedure", "b", "p", "", tokens))
	b := s.bundle(s.get("/Procedure?status=completed,aktive&_count=1", "Prefer", "handling=lenient"))
	if b.ids() != "Procedure/a" || b.link("next") == "" {
		t.Fatalf("the first page: %s, %v", b.ids(), b.Link)
	}
	if b = s.bundle(s.get(follow(t, b.link("next")))); b.ids() != "Procedure/b" || !strings.Contains(b.outcomes(), "aktive is never a value here") {
		t.Errorf("the second page: %s, %s", b.ids(), b.outcomes())
	}
	if a := s.get("/Procedure?status=completed,aktive&_count=1"); a.status != http.StatusBadRequest {
		t.Errorf("a search without the header and without a page before: %d", a.status)
	}
}

func TestMergedPatient(t *testing.T) {
	s := newService(t, func(c *facade.Config) {
		c.Survivor = func(id string) string {
			if id == "old" || id == "older" {
				return "p"
			}
			return id
		}
	})
	s.put(at(0), resource("Procedure", "a", "p", "", fhir.Index{}), resource("Procedure", "b", "q", "", fhir.Index{}), resource("Procedure", "c", "p", "", fhir.Index{}))
	const notice = "information: Patient/old was merged into Patient/p; the answer is that of Patient/p"
	for path, outcomes := range map[string]string{
		"/Procedure?patient=old": notice, "/Procedure?subject=Patient/old": notice, "/Procedure?patient=old&subject=old": notice,
		"/Procedure?patient=p":         "",
		"/Procedure?patient=older,old": strings.Replace(notice, "/old ", "/older ", 1) + "\n" + notice,
	} {
		b := s.bundle(s.get(path))
		if b.ids() != "Procedure/a Procedure/c" || b.outcomes() != outcomes || *b.Total != 2 {
			t.Errorf("%s: %s, %q", path, b.ids(), b.outcomes())
		}
	}
	// Every page says so.
	b := s.bundle(s.get("/Procedure?patient=old&_count=1"))
	b = s.bundle(s.get(follow(t, b.link("next"))))
	if b.ids() != "Procedure/c" || b.outcomes() != notice {
		t.Errorf("second page: %s, %q", b.ids(), b.outcomes())
	}
}

// TestCursors checks that a cursor leads on only where it belongs.
func TestCursors(t *testing.T) {
	s := newService(t)
	for i := range 5 {
		s.put(at(i), resource("Device", fmt.Sprint(i), "", "", fhir.Index{}), resource("Patient", fmt.Sprint(i), "", "", fhir.Index{}))
	}
	next, err := url.Parse(s.bundle(s.get("/Device?_count=2&_lastUpdated=gt2026")).link("next"))
	if err != nil {
		t.Fatal(err)
	}
	cur := next.Query().Get("_cursor")
	for query, status := range map[string]int{
		"/Device?_count=2&_lastUpdated=gt2026&_cursor=":                 200,
		"/Device?_count=3&_lastUpdated=gt2026&_total=accurate&_cursor=": 200,
		"/Device?_count=2&_lastUpdated=gt2025&_cursor=":                 400,
		"/Device?_count=2&_cursor=":                                     400,
		"/Patient?_count=2&_lastUpdated=gt2026&_cursor=":                400,
		"/Device/0/_history?_cursor=":                                   400,
		"/Patient/0/$everything?_cursor=":                               400,
	} {
		if a := s.get(query + cur); a.status != status {
			t.Errorf("%s: %d %s", query, a.status, a.body)
		}
	}
	for i := range cur {
		other := byte('A')
		if cur[i] == 'A' {
			other = 'B'
		}
		if a := s.get("/Device?_count=2&_lastUpdated=gt2026&_cursor=" + cur[:i] + string(other) + cur[i+1:]); a.status != 400 {
			t.Errorf("with sign %d changed: %d", i, a.status)
		}
	}
}

// TestLaggingCopy gives the second page to a copy of the view that has not come as far.
func TestLaggingCopy(t *testing.T) {
	ahead, behind := newService(t), newService(t)
	for i := range 6 {
		r := resource("Device", fmt.Sprint(i), "", "", fhir.Index{})
		ahead.put(at(i), r)
		if i < 4 {
			behind.put(at(i), r)
		}
	}
	b := ahead.bundle(ahead.get("/Device?_count=2"))
	a := behind.get(follow(t, b.link("next")))
	code, text, _ := outcome(t, a)
	if a.status != 503 || code != "transient" || a.header.Get("Retry-After") != "1" || text != "this copy has projected the log up to event 4, the first page was read at 6; try again" {
		t.Errorf("%d %s %s %v", a.status, code, text, a.header)
	}
	for i := 4; i < 7; i++ {
		behind.put(at(i), resource("Device", fmt.Sprint(i), "", "", fhir.Index{}))
	}
	c := behind.bundle(behind.get(follow(t, b.link("next"))))
	if c.ids() != "Device/2 Device/3" || c.Meta.LastUpdated != b.Meta.LastUpdated {
		t.Errorf("%s at %s, the first page at %s", c.ids(), c.Meta.LastUpdated, b.Meta.LastUpdated)
	}
}

// TestThreeZones is one service for units in Lisbon, New York and Tokyo: who asks for what
// was done on 11 July gets what each unit did on its 11 July, to the minute or known only to
// the day; who gives a zone asks by moments.
func TestThreeZones(t *testing.T) {
	s := newService(t)
	dated := func(low, high time.Time) fhir.Index {
		return fhir.Index{Dates: []fhir.Period{{Param: "date", Low: low, High: high}}}
	}
	n := 0
	for _, name := range []string{"America/New_York", "Europe/Lisbon", "Asia/Tokyo"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		unit := strings.ToLower(name[strings.Index(name, "/")+1:])
		for _, d := range []int{10, 11, 12} {
			morning, night := time.Date(2026, 7, d, 0, 30, 0, 0, zone), time.Date(2026, 7, d, 23, 30, 0, 0, zone)
			midnight := time.Date(2026, 7, d, 0, 0, 0, 0, zone)
			s.put(at(n), resource("Procedure", fmt.Sprint(unit, "-day-", d), "p", "", dated(midnight, midnight.AddDate(0, 0, 1))),
				resource("Procedure", fmt.Sprint(unit, "-morning-", d), "p", "", dated(morning, morning.Add(time.Second))),
				resource("Procedure", fmt.Sprint(unit, "-night-", d), "p", "", dated(night, night.Add(time.Second))))
			n++
		}
	}
	of := func(days ...int) string {
		var out []string
		for _, unit := range []string{"new_york", "lisbon", "tokyo"} {
			for _, d := range days {
				for _, what := range []string{"day", "morning", "night"} {
					out = append(out, fmt.Sprintf("Procedure/%s-%s-%d", unit, what, d))
				}
			}
		}
		return strings.Join(out, " ")
	}
	only := func(all, what string) string {
		var out []string
		for _, id := range strings.Fields(all) {
			if strings.Contains(id, what) {
				out = append(out, id)
			}
		}
		return strings.Join(out, " ")
	}
	for query, want := range map[string]string{
		"date=2026-07-11": of(11), "date=eq2026-07-11": of(11), "date=ne2026-07-11": of(10, 12), "date=gt2026-07-11": of(12), "date=lt2026-07-11": of(10),
		"date=ge2026-07-11": of(11, 12), "date=le2026-07-11": of(10, 11), "date=sa2026-07-11": of(12), "date=eb2026-07-11": of(10),
		"date=ge2026-07-11&date=lt2026-07-12": of(11), "date=2026-07": of(10, 11, 12), "date=2026": of(10, 11, 12), "date=2025": "",
		"date=2026-07-11T23:30": only(of(11), "night"), "date=2026-07-11T23:30:00": only(of(11), "night"), "date=2026-07-11T23": "error",
		"date=2026-07-11T22:30:00Z":        "Procedure/lisbon-night-11", // 23:30 in Lisbon in July
		"date=2026-07-11T23:30:00%2B09:00": "Procedure/tokyo-night-11",
		"date=2026-07-12T03:30:00Z":        "Procedure/new_york-night-11",
		"date=sa2026-07-13T03:59:59Z":      "",
		"date=gt2026-07-13T03:59:58Z":      "Procedure/new_york-day-12", // until 04:00Z
		"date=eb2026-07-10T15:00:00Z":      only(of(10), "tokyo") + " Procedure/lisbon-morning-10 Procedure/new_york-morning-10",
		"date=ge2026-07-11T00:00:00%2B09:00&date=lt2026-07-11T01:00:00%2B09:00&date=2026-07-11": "Procedure/tokyo-day-11 Procedure/tokyo-morning-11",
		"_lastUpdated=2027-03-01": of(10, 11, 12), "_lastUpdated=2027-02-28": "",
	} {
		a := s.get("/Procedure?_count=100&" + query)
		if want == "error" {
			if a.status != 400 {
				t.Errorf("%s: %d", query, a.status)
			}
			continue
		}
		got := strings.Fields(s.bundle(a).ids())
		wanted := strings.Fields(want)
		slices.Sort(got)
		slices.Sort(wanted)
		if !slices.Equal(got, wanted) {
			t.Errorf("%s: %v\nwant %v", query, got, wanted)
		}
	}
	// The order is that of moments: Tokyo is first.
	if got := s.bundle(s.get("/Procedure?_sort=date&_count=3")).ids(); got != "Procedure/tokyo-day-10 Procedure/tokyo-morning-10 Procedure/lisbon-day-10" {
		t.Errorf("sorted: %s", got)
	}
	s.put(at(n), resource("Patient", "p", "p", "", fhir.Index{}))
	got := strings.Fields(s.bundle(s.get("/Patient/p/$everything?_count=100&start=2026-07-11&end=2026-07-11")).ids())
	if want := strings.Fields("Patient/p " + of(11)); len(got) != len(want) || slices.ContainsFunc(want, func(id string) bool { return !slices.Contains(got, id) }) {
		t.Errorf("$everything of the day: %v", got)
	}
}

// TestIncrementalPull is what an EHR does: it pulls from the watermark of the pull before
// while the record goes on, and must end with the newest version of everything.
func TestIncrementalPull(t *testing.T) {
	s := newService(t)
	newest, seen := map[string]string{}, map[string]string{}
	change := func(n int) {
		id, content := fmt.Sprint(n*7%11), fmt.Sprint(n)
		newest[id] = content
		s.put(at(n/3), resource("Procedure", id, "p", content, fhir.Index{})) // three events in each millisecond
	}
	n, from := 0, ""
	pull := func(more int) {
		path := "/Procedure?_count=2" + from
		for path != "" {
			b := s.bundle(s.get(path))
			for _, e := range b.Entry {
				seen[e.Resource.ID] = e.Resource.Content
			}
			from = "&_lastUpdated=ge" + b.Meta.LastUpdated
			if path = b.link("next"); path != "" {
				path = follow(t, path)
			}
			if more > 0 {
				more--
				n++
				change(n)
			}
		}
	}
	for range 8 {
		pull(4)
	}
	pull(0)
	if fmt.Sprint(seen) != fmt.Sprint(newest) || len(newest) != 11 {
		t.Errorf("the client has %v, the record %v", seen, newest)
	}
}
