package facade_test

import (
	"context"
	"fmt"
	"maps"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"cannulary/fhir"
	"cannulary/internal/app"
	"cannulary/internal/facade"
	"cannulary/internal/feed"
	"cannulary/internal/oracle/search"
	"cannulary/internal/simulate"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	"cannulary/internal/view/viewsql"
	v1 "cannulary/proto/cannulary/v1"
)

// world is a unit's view, made by the real application of a simulated feed in which every
// scenario is on and of messages with awkward values, some handmade resources beside it;
// and the same resources as the reader of search rules sees them.
type world struct {
	*service
	c   *search.Corpus
	ids map[string][]string // by type
	// zone is where handmade resources were, but for those of zones, by Type/id.
	zone  *time.Location
	zones map[string]*time.Location
	// known are the differences that stand.
	known []*standing
}

// declared are the choices that R4 leaves to a server, as this one makes them.
func declared() search.Readings {
	return search.Readings{
		// R4 only says that punctuation "should" be ignored; a UDI is mostly punctuation.
		PunctuationCounts: true,
		// A slip of the pen would read as if there were nothing.
		ClosedCodes: true,
	}
}

// awkward are texts that a careless reader of a query takes apart or finds too often.
func awkward() []string {
	return []string{`a,b`, `a\,b`, `x|y`, `$1`, `back\slash`, `100%`, `under_score`, `Ab`, `AB`, `ab`, `quo"te'`, `Éva`, `e&f=g`, `plus+and space`, `a`, `b`, `a$b`, `%2C`, `*`, `ſ`, `日本`}
}

// zoneOfWorld has summer time: a day of 23 hours and one of 25 are in the feed. Some of the
// awkward messages are of facilities elsewhere.
const zoneOfWorld = "Europe/Lisbon"

// elsewhere are those facilities' zones, behind UTC and ahead of it.
func elsewhere() map[string]string {
	return map[string]string{"awkward-far-west": "America/New_York", "awkward-far-east": "Asia/Tokyo"}
}

func newWorld(t *testing.T) *world {
	t.Helper()
	began := time.Now()
	dir := t.TempDir()
	now := func() time.Time { return time.Date(2025, 4, 2, 9, 0, 0, 0, time.UTC) }
	ctx, cancel := context.WithTimeout(t.Context(), 4*time.Minute)
	defer cancel()
	a, err := app.New(ctx, app.Config{Dir: dir, Ingest: true, View: true, GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Version: "test", Now: now, Slog: testkit.Discard()})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Stop()
	a.Start()
	testkit.Eventually(t, "the application is ready", a.Ready)
	s := simulate.Default()
	s.Patients, s.Months, s.Seed, s.Until = 2, 1, 7, time.Date(2025, 4, 1, 0, 0, 0, 0, time.UTC)
	tally, err := (&feed.Client{Addr: a.GRPCAddr()}).Send(ctx, func(emit func(*v1.FeedRequest) error) error {
		for _, m := range awkwardMessages() {
			if err := emit(m); err != nil {
				return err
			}
		}
		return simulate.Generate(s, emit)
	})
	if err != nil || tally.Refused > 0 {
		t.Fatalf("%+v %v", tally, err)
	}
	for a.Intake().StartDays(ctx) != nil && ctx.Err() == nil {
		time.Sleep(5 * time.Millisecond)
	}
	if err := a.Projector().WaitFor(ctx, testkit.LastSeq(t, a.Log())); err != nil {
		t.Fatal(err)
	}
	identities := a.Projector().Identities()
	a.Stop()

	w := &world{service: &service{t: t, seq: 1 << 40}, ids: map[string][]string{}, zones: map[string]*time.Location{}}
	if w.zone, err = time.LoadLocation(zoneOfWorld); err != nil {
		t.Fatal(err)
	}
	if w.store, err = view.Open(ctx, filepath.Join(dir, "view")); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = w.store.Close() })
	if w.h, err = facade.New(facade.Config{Store: w.store, Base: base, Now: now, Definitions: definitions(), Survivor: identities.Survivor}); err != nil {
		t.Fatal(err)
	}
	w.handmade()
	w.c = &search.Corpus{Base: base, Zone: w.zoneOf, Survivor: identities.Survivor, Readings: declared()}
	w.read(t, filepath.Join(dir, "view", view.FileName()))
	w.readZones()
	n := map[string]int{}
	for typ, list := range w.ids {
		n[typ] = len(list)
	}
	t.Logf("world: %v, %+v in %v", n, tally, time.Since(began).Round(time.Millisecond))
	return w
}

// read reads every resource: those of the view past the view's own code, published
// definitions from the facade, since they stand nowhere else.
func (w *world) read(t *testing.T, file string) {
	t.Helper()
	add := func(body []byte) {
		r, err := search.Read(body)
		if err != nil {
			t.Fatal(err)
		}
		w.c.Add(r)
		w.ids[r.Type] = append(w.ids[r.Type], r.ID)
	}
	db, err := viewsql.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.Query(`SELECT body FROM resource ORDER BY rid`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var body []byte
		if err := rows.Scan(&body); err != nil {
			t.Fatal(err)
		}
		add(body)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	for _, typ := range facade.Types() {
		if len(w.ids[typ.Name]) > 0 {
			continue
		}
		keys, _, status := w.search(typ.Name, url.Values{}, 100)
		if status != 200 {
			t.Fatalf("%s: %d", typ.Name, status)
		}
		for _, key := range keys {
			add(w.get("/" + key).body)
		}
	}
}

// zoneOf is where a resource's days were.
func (w *world) zoneOf(r *search.Resource) *time.Location {
	if r.Type == "Flag" || r.Type == "DetectedIssue" {
		return time.UTC // a judgement is told in UTC, days and all
	}
	if z := w.zones[r.Key()]; z != nil {
		return z
	}
	return w.zone
}

// readZones finds where each resource was: at its own location or reporter, or at that of
// the Provenance that names it.
func (w *world) readZones() {
	w.t.Helper()
	facilities, err := w.store.Facilities(context.Background())
	if err != nil {
		w.t.Fatal(err)
	}
	zones := map[string]*time.Location{}
	for _, f := range facilities {
		if zones[f.ID], err = time.LoadLocation(f.Zone); err != nil {
			w.t.Fatal(err)
		}
	}
	text := func(v any, path ...string) string {
		for _, name := range path {
			m, _ := v.(map[string]any)
			v = m[name]
		}
		s, _ := v.(string)
		return s
	}
	places := map[string]*time.Location{}
	for _, typ := range []string{"Location", "Organization"} {
		for _, r := range w.c.All(typ) {
			list, _ := r.Body["identifier"].([]any)
			for _, id := range list {
				if z := zones[text(id, "value")]; z != nil && strings.HasSuffix(text(id, "system"), "/facility") {
					places[r.Key()] = z
				}
			}
		}
	}
	n := map[string]int{}
	note := func(key string, z *time.Location) {
		if z != nil && w.zones[key] == nil {
			w.zones[key] = z
			n[z.String()]++
		}
	}
	for _, typ := range facade.Types() {
		for _, r := range w.c.All(typ.Name) {
			note(r.Key(), places[text(r.Body, "location", "reference")])
			note(r.Key(), places[text(r.Body, "reporter", "reference")])
		}
	}
	for _, r := range w.c.All("Provenance") {
		list, _ := r.Body["target"].([]any)
		for _, target := range list {
			key, _, _ := strings.Cut(text(target, "reference"), "/_history")
			note(key, places[text(r.Body, "location", "reference")])
		}
	}
	if len(n) < 3 {
		w.t.Fatalf("the resources were in the zones %v only", n)
	}
}

// search follows all pages and answers the matches in their order, the includes, and the
// first status that is not 200.
func (w *world) search(typ string, q url.Values, count int) (matches, included []string, status int) {
	w.t.Helper()
	q = cloneValues(q)
	q.Set("_count", fmt.Sprint(count))
	path := "/" + typ + "?" + q.Encode()
	for path != "" {
		a := w.get(path)
		if a.status != 200 {
			outcome(w.t, a)
			return nil, nil, a.status
		}
		b := w.bundle(a)
		n := 0
		for _, e := range b.Entry {
			key := e.Resource.ResourceType + "/" + e.Resource.ID
			switch e.Search.Mode {
			case "match":
				n++
				matches = append(matches, key)
			case "include":
				included = append(included, key)
			}
		}
		if n > count {
			w.t.Errorf("%s: a page of %d", path, n)
		}
		if path = b.link("next"); path != "" {
			path = follow(w.t, path)
		}
	}
	return matches, included, 200
}

func cloneValues(q url.Values) url.Values {
	out := url.Values{}
	for k, v := range q {
		out[k] = slices.Clone(v)
	}
	return out
}

// awkwardMessages are the samples of every kind of fact, and those of several kinds again
// with awkward identifiers, sessions and devices, at awkward times.
func awkwardMessages() []*v1.FeedRequest {
	out := []*v1.FeedRequest{testkit.Registration()}
	for _, s := range testkit.Samples() {
		out = append(out, s.Request)
	}
	times := []string{"2025-03-30T00:30:00Z", "2025-03-30T01:30:59Z", "2025-03-29T23:59:59Z", "2024-10-27T00:30:00Z", "2024-10-27T01:30:00Z", "2024-12-31T23:59:30Z", "2025-01-01T00:00:00Z", "2024-02-29T12:00:00Z", "2024-10-27T23:40:00Z"}
	// Times known to the second never end with 00: those are known to the minute.
	precisions := []v1.TimePrecision{v1.TimePrecision_TIME_PRECISION_DAY, v1.TimePrecision_TIME_PRECISION_MINUTE, v1.TimePrecision_TIME_PRECISION_SECOND}
	far := slices.Sorted(maps.Keys(elsewhere()))
	for _, facility := range far {
		m, ok := proto.Clone(testkit.SampleOf("roster facility_registered")).(*v1.FeedRequest)
		if !ok {
			panic("the clone of a message is none")
		}
		e := testkit.Envelope(m)
		e.SourceMessageId, e.Facility = facility, facility
		for _, f := range m.GetRoster().GetFacts() {
			f.GetFacilityRegistered().TimeZone = elsewhere()[facility]
		}
		out = append(out, m)
	}
	for i, text := range awkward() {
		for _, name := range []string{"roster identity_stated", "cannulation session_started", "cannulation needle_inserted", "cannulation session_ended", "assessment access_examined", "assessment venous_pressure_read",
			"surveillance culture_resulted", "cannulation hold_placed", "roster cannulator_rated", "roster facility_registered"} {
			m, ok := proto.Clone(testkit.SampleOf(name)).(*v1.FeedRequest)
			if !ok {
				panic("the clone of a message is none")
			}
			e := testkit.Envelope(m)
			e.SourceMessageId = fmt.Sprint("awkward ", i, " ", name)
			e.OccurredAt, e.Precision = testkit.At(times[(i+len(name))%len(times)]), precisions[(i+len(name))%len(precisions)]
			if e.Precision == v1.TimePrecision_TIME_PRECISION_SECOND && e.OccurredAt.Seconds%60 == 0 {
				e.OccurredAt.Seconds += 7
			}
			if i%3 > 0 {
				e.Facility = far[i%3-1]
			}
			e.Recorder.Value = text
			if e.Patient != nil {
				e.Patient.Value = text
			}
			if e.Session != nil {
				e.Session.Value = text
			}
			for _, f := range m.GetSurveillance().GetFacts() {
				if x := f.GetCultureResulted(); x != nil {
					x.CollectedAt = e.OccurredAt // no result comes before its specimen
				}
			}
			for _, f := range m.GetRoster().GetFacts() {
				if x := f.GetIdentityStated(); x != nil {
					x.Identifiers = []*v1.PatientIdentifier{{System: "urn:oid:2.999.1", Value: text}, {System: e.Patient.System, Value: text}}
				}
				if x := f.GetFacilityRegistered(); x != nil {
					e.Facility, x.Name, x.TimeZone = fmt.Sprint("awkward-", i), fmt.Sprintf("Únit %s, Nörth (invented)", text), zoneOfWorld
				}
				if x := f.GetCannulatorRated(); x != nil {
					x.Cannulator.Value = text
				}
			}
			for _, f := range m.GetCannulation().GetFacts() {
				if x := f.GetNeedleInserted(); x != nil {
					x.Device, x.Cannulator.Value = &v1.DeviceIdentity{Lot: fmt.Sprint(i), Udi: "(01)" + text}, text
				}
			}
			for _, f := range m.GetSurveillance().GetFacts() {
				if x := f.GetCultureResulted(); x != nil {
					x.Organisms[0].Coding.Code = text
				}
			}
			out = append(out, m)
		}
	}
	merge := testkit.SampleOf("roster patients_merged")
	for i, pair := range [][2]string{{"Ab", "AB"}, {"a,b", "a"}} {
		m, ok := proto.Clone(merge).(*v1.FeedRequest)
		if !ok {
			panic("the clone of a message is none")
		}
		e := testkit.Envelope(m)
		e.SourceMessageId, e.Patient.Value = fmt.Sprint("awkward merge ", i), pair[0]
		m.GetRoster().GetFacts()[0].GetPatientsMerged().Retired.Value = pair[1]
		out = append(out, m)
	}
	return out
}

// handmade puts what no message gives: values at the borders of precisions, dates of every
// precision and with open ends, equal ids of different types. Observations are indexed by
// the code that indexes the register's own; dates by hand.
func (w *world) handmade() {
	w.t.Helper()
	in := func(zone string) func(y, m, d int) time.Time {
		z, err := time.LoadLocation(zone)
		if err != nil {
			w.t.Fatal(err)
		}
		return func(y, m, d int) time.Time { return time.Date(y, time.Month(m), d, 0, 0, 0, 0, z) }
	}
	local, tokyo, newYork := in(zoneOfWorld), in("Asia/Tokyo"), in("America/New_York")
	ahead := func(hours int) *time.Location { return time.FixedZone("", hours*3600) }
	utc := func(y, m, d, h, min, s, ms int) time.Time {
		return time.Date(y, time.Month(m), d, h, min, s, ms*1e6, time.UTC)
	}
	var list []fhir.Resource
	for i, x := range []struct {
		element   string
		low, high time.Time
	}{
		{`"performedDateTime":"2024"`, local(2024, 1, 1), local(2025, 1, 1)},
		{`"performedDateTime":"2025-02"`, local(2025, 2, 1), local(2025, 3, 1)},
		{`"performedDateTime":"2025-03-30"`, local(2025, 3, 30), local(2025, 3, 31)},
		{`"performedDateTime":"2024-10-27"`, local(2024, 10, 27), local(2024, 10, 28)},
		{`"performedDateTime":"2025-02-03T23:30:00-05:00"`, utc(2025, 2, 4, 4, 30, 0, 0).In(ahead(-5)), utc(2025, 2, 4, 4, 30, 1, 0).In(ahead(-5))},
		{`"performedDateTime":"2025-02-03T07:30:00.250Z"`, utc(2025, 2, 3, 7, 30, 0, 250), utc(2025, 2, 3, 7, 30, 0, 251)},
		{`"performedPeriod":{"start":"2025-02-03T07:30:00Z","end":"2025-02-03T11:45:00Z"}`, utc(2025, 2, 3, 7, 30, 0, 0), utc(2025, 2, 3, 11, 45, 1, 0)},
		{`"performedPeriod":{"start":"2025-02-03","end":"2025-02-05"}`, local(2025, 2, 3), local(2025, 2, 6)},
		{`"performedPeriod":{"start":"2025-02"}`, local(2025, 2, 1), fhir.EndOfTime()},
		{`"performedPeriod":{"end":"2025-02-03"}`, fhir.BeginningOfTime(), local(2025, 2, 4)},
		{`"performedDateTime":"2025-03-09"`, newYork(2025, 3, 9), newYork(2025, 3, 10)}, // of 23 hours
		{`"performedDateTime":"2025-02-04"`, newYork(2025, 2, 4), newYork(2025, 2, 5)},
		{`"performedDateTime":"2025-02-04"`, tokyo(2025, 2, 4), tokyo(2025, 2, 5)},
		{`"performedDateTime":"2025-02-04T00:30:00+09:00"`, utc(2025, 2, 3, 15, 30, 0, 0).In(ahead(9)), utc(2025, 2, 3, 15, 30, 1, 0).In(ahead(9))},
		{`"performedPeriod":{"start":"2024-10-27T00:30:00+01:00","end":"2024-10-27T01:30:00Z"}`, utc(2024, 10, 26, 23, 30, 0, 0).In(ahead(1)), utc(2024, 10, 27, 1, 30, 1, 0)},
		{`"performedPeriod":{"start":"2025-03-08","end":"2025-03-09"}`, newYork(2025, 3, 8), newYork(2025, 3, 10)},
		{`"performedDateTime":"2025-03"`, tokyo(2025, 3, 1), tokyo(2025, 4, 1)},
	} {
		id := fmt.Sprint("when-", i)
		if z := x.low.Location(); strings.Contains(z.String(), "/") {
			w.zones["Procedure/"+id] = z
		}
		list = append(list, fhir.Resource{Type: "Procedure", ID: id, Patient: "bare",
			Body: fmt.Appendf(nil, `{"id":"%s","status":"completed","subject":{"reference":"Patient/bare"},%s,"resourceType":"Procedure"}`, id, x.element),
			Index: fhir.Index{Tokens: []fhir.Token{{Param: "status", System: "http://hl7.org/fhir/event-status", Code: "completed"}}, Dates: []fhir.Period{{Param: "date", Low: x.low, High: x.high}},
				References: []fhir.Reference{{Param: "patient", Type: "Patient", ID: "bare"}, {Param: "subject", Type: "Patient", ID: "bare"}}}})
	}
	list = append(list, w.bare()...)
	// Equal ids of different types, and what was given of each.
	for i, typ := range []string{"BodyStructure", "DetectedIssue", "Device", "Flag", "Group", "Location", "MeasureReport", "Observation", "Organization", "Patient", "Practitioner", "Procedure"} {
		id := fmt.Sprint("of-", i)
		refs := []fhir.Reference{{Param: "target", Type: typ, ID: "bare"}}
		if typ == "Patient" {
			refs = append(refs, fhir.Reference{Param: "patient", Type: typ, ID: "bare"})
		}
		list = append(list, fhir.Resource{Type: "Provenance", ID: id,
			Body: fmt.Appendf(nil, `{"id":"%s","target":[{"reference":"%s/bare/_history/1"}],"recorded":"2025-03-30T01:00:00.000Z","occurredDateTime":"2025-03-30T01:00:00.0%d1Z","agent":[],"resourceType":"Provenance"}`, id, typ, i%10),
			Index: fhir.Index{References: refs, Dates: []fhir.Period{{Param: "recorded", Low: utc(2025, 3, 30, 1, 0, 0, 0), High: utc(2025, 3, 30, 1, 0, 0, 1)},
				{Param: "when", Low: utc(2025, 3, 30, 1, 0, 0, i%10*10+1), High: utc(2025, 3, 30, 1, 0, 0, i%10*10+2)}}}})
	}
	numbers := []string{"5.35", "5.4", "5.40", "5.45", "99.5", "100", "100.5", "0", "-1.5", "1e2", "150", "50", "95", "105", "0.3", "0.30000000000000004", "1e21", "1e-7", "120.05", "119.95"}
	units := []string{`,"system":"http://unitsofmeasure.org","code":"mm[Hg]","unit":"mmHg"`, `,"system":"http://unitsofmeasure.org","code":"mg"`, `,"unit":"mg"`, `,"code":"mg"`, ``, `,"system":"urn:a|b","code":"m,g","unit":"m$g"`}
	concept := func(i int) string {
		t := awkward()
		return fmt.Sprintf(`{"coding":[{"system":%q,"code":%q},{"code":%q}],"text":"handmade"}`, []string{"urn:s", "urn:a|b", "urn:S"}[i%3], t[i%len(t)], t[(i*7+3)%len(t)])
	}
	value := func(i int) string {
		switch i % 4 {
		case 0:
			return `"valueCodeableConcept":` + concept(i/4)
		case 3:
			return `"dataAbsentReason":` + concept(i/4)
		}
		return fmt.Sprintf(`"valueQuantity":{"value":%s%s}`, numbers[i%len(numbers)], units[(i/3)%len(units)])
	}
	for i := range 80 {
		id := fmt.Sprint("seen-", i)
		refs := func(n int) string {
			return fmt.Sprintf(`[{"reference":"Observation/seen-%d"},{"reference":"Observation/seen-%d"}]`, n%80, n*3%80)
		}
		body := fmt.Sprintf(`{"id":"%s","identifier":[{"system":"urn:a|b","value":%q},{"value":%q}],"category":[%s],"code":%s,%s,"effectiveDateTime":"2025-0%d-03T07:30:00Z","method":%s,"hasMember":%s,"derivedFrom":%s,
			"component":[{"code":%s,%s},{"code":%s,%s},{"code":%s,%s}],"encounter":{"identifier":{"value":%q}},"resourceType":"Observation"}`,
			id, awkward()[i%21], awkward()[i*2%21], concept(i+4), concept(i), value(i), 1+i%3, concept(i), refs(i+1), refs(i+7), concept(i+1), value(i+5), concept(i+2), value(i*3), concept(i+1), value(i+9), awkward()[i%21])
		r, err := fhir.TakenBack(fhir.Context{}, "bare", "Observation", id, []byte(body))
		if err != nil {
			w.t.Fatal(err)
		}
		list = append(list, r)
	}
	w.put(time.Date(2025, 4, 2, 10, 0, 0, 0, time.UTC), list...)
}

// bare are resources that say next to nothing, codes without a system, and times to the
// millisecond. The register gives none of these; each is indexed by hand.
func (w *world) bare() []fhir.Resource {
	var list []fhir.Resource
	add := func(typ, id, rest string, ix fhir.Index) {
		r := fhir.Resource{Type: typ, ID: id, Index: ix, Body: fmt.Appendf(nil, `{"id":"%s",%s"resourceType":"%s"}`, id, rest, typ)}
		if typ == "Patient" {
			r.Patient = id
		}
		list = append(list, r)
	}
	for _, typ := range []string{"Patient", "Practitioner", "Organization", "Location", "Group", "BodyStructure", "Procedure", "Observation", "DetectedIssue", "Flag", "Device", "MeasureReport", "Provenance"} {
		add(typ, "bare", "", fhir.Index{})
	}
	tokens := func(params ...string) fhir.Index {
		var ix fhir.Index
		for _, p := range params {
			ix.Tokens = append(ix.Tokens, fhir.Token{Param: p, Code: "no system"})
		}
		return ix
	}
	const concept, named = `{"coding":[{"code":"no system"}]}`, `"identifier":[{"value":"no system"}],`
	add("Patient", "no-system", named, tokens("identifier"))
	add("Practitioner", "no-system", named, tokens("identifier"))
	add("Organization", "no-system", named+`"type":[`+concept+`],`, tokens("identifier", "type"))
	add("Location", "no-system", named+`"type":[`+concept+`],`, tokens("identifier", "type"))
	add("Group", "no-system", named, tokens("identifier"))
	add("Group", "no-group", `"actual":false,`, fhir.Index{Tokens: []fhir.Token{{Param: "actual", Code: "false"}}})
	add("BodyStructure", "no-system", named+`"location":`+concept+`,"morphology":`+concept+`,`, tokens("identifier", "location", "morphology"))
	add("Procedure", "no-system", named+`"category":`+concept+`,"code":`+concept+`,"reasonCode":[`+concept+`],"encounter":{"identifier":{"value":"no system"}},`, tokens("identifier", "category", "code", "reason-code", "encounter:identifier"))
	part := fhir.Index{References: []fhir.Reference{{Param: "part-of", Type: "Procedure", ID: "no-system"}, {Param: "part-of", Type: "Procedure", ID: "when-5"}}}
	add("Procedure", "part", `"partOf":[{"reference":"Procedure/no-system"},{"reference":"Procedure/when-5"}],`, part)
	add("Observation", "part", `"partOf":[{"reference":"Procedure/no-system"},{"reference":"Procedure/when-5"}],`, part)
	low := time.Date(2025, 2, 3, 7, 30, 15, 250e6, time.UTC)
	short := func(p string) fhir.Index {
		return fhir.Index{Dates: []fhir.Period{{Param: p, Low: low, High: low.Add(time.Millisecond)}}}
	}
	add("DetectedIssue", "no-system", named+`"code":`+concept+`,`, tokens("identifier", "code"))
	add("DetectedIssue", "short", `"identifiedDateTime":"2025-02-03T07:30:15.250Z",`, short("identified"))
	add("Observation", "short", `"effectiveDateTime":"2025-02-03T07:30:15.250Z",`, short("date"))
	second := func(p string) fhir.Index {
		return fhir.Index{Dates: []fhir.Period{{Param: p, Low: low.Add(1750 * time.Millisecond), High: low.Add(2750 * time.Millisecond)}}}
	}
	add("DetectedIssue", "second", `"identifiedDateTime":"2025-02-03T07:30:17Z",`, second("identified"))
	add("Flag", "second", `"period":{"start":"2025-02-03T07:30:17Z","end":"2025-02-03T07:30:17Z"},`, second("date"))
	add("Flag", "past", `"period":{"end":"2023-02-03T07:30:17Z"},`, fhir.Index{Dates: []fhir.Period{{Param: "date", Low: fhir.BeginningOfTime(), High: time.Date(2023, 2, 3, 7, 30, 18, 0, time.UTC)}}})
	add("MeasureReport", "no-system", named, tokens("identifier"))
	add("MeasureReport", "second", `"date":"2025-02-03T07:30:17Z","period":{"start":"2025-02-03T07:30:17Z","end":"2025-02-03T07:30:17Z"},`, fhir.Index{Dates: append(second("date").Dates, second("period").Dates...)})
	add("MeasureReport", "short", `"date":"2025-02-03T07:30:15.250Z","period":{"start":"2025-02-03T07:30:15.250Z","end":"2025-02-03T07:30:15.250Z"},`, fhir.Index{Dates: append(short("date").Dates, short("period").Dates...)})
	for _, name := range []string{"Twin", "TWIN", "twin"} {
		for _, typ := range []string{"Organization", "Location"} {
			add(typ, "named-"+name, `"name":"`+name+`",`, fhir.Index{Strings: []fhir.Text{{Param: "name", Value: name}}})
		}
	}
	late := time.Date(2024, 10, 27, 23, 40, 0, 0, time.UTC)
	add("Procedure", "late-on-the-long-day", `"performedDateTime":"2024-10-27T23:40:30Z",`, fhir.Index{Dates: []fhir.Period{{Param: "date", Low: late.Add(30 * time.Second), High: late.Add(31 * time.Second)}}})
	add("Flag", "no-system", named, tokens("identifier"))
	add("Flag", "short", `"period":{"start":"2025-02-03T07:30:15.250Z","end":"2025-02-03T07:30:15.250Z"},`, short("date"))
	add("Device", "no-system", `"type":`+concept+`,`, tokens("type"))
	add("Provenance", "no-system", `"agent":[{"type":`+concept+`}],`, tokens("agent-type"))
	return list
}

// definitions are what the service publishes of itself, and handmade ones beside them.
func definitions() []fhir.Resource {
	out := fhir.Definitions()
	for _, typ := range facade.Types() {
		if !typ.Published {
			continue
		}
		for i, name := range []string{"Début", "debut_long", "DEBUT_LONG", "OTHER, again", ""} {
			id, url := fmt.Sprint("def-", i), fmt.Sprintf("https://example.org/%s/%d", typ.Name, i)
			status := []string{"active", "draft", "active", "retired", ""}[i]
			ix := fhir.Index{}
			body := fmt.Sprintf(`{"id":"%s","resourceType":"%s"`, id, typ.Name)
			if status != "" {
				body += fmt.Sprintf(`,"status":"%s","name":%q`, status, name)
				ix.Tokens = []fhir.Token{{Param: "status", System: "http://hl7.org/fhir/publication-status", Code: status}}
				ix.Strings = []fhir.Text{{Param: "name", Value: name}}
			}
			if typ.Param("url") != nil {
				body += fmt.Sprintf(`,"url":"%s"`, url)
				ix.Tokens = append(ix.Tokens, fhir.Token{Param: "url", Code: url})
			}
			out = append(out, fhir.Resource{Type: typ.Name, ID: id, Body: []byte(body + "}"), Index: ix})
		}
	}
	slices.SortFunc(out, func(a, b fhir.Resource) int { return strings.Compare(a.Type+a.ID, b.Type+b.ID) })
	return out
}
