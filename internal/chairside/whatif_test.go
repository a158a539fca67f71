package chairside_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"cannulary/internal/chairside"
	"cannulary/internal/intake"
	"cannulary/internal/projector"
	"cannulary/internal/simulate"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	"cannulary/internal/web"
	"cannulary/internal/whatif"
	"cannulary/internal/whatif/proposal"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// unit is an instance with a log and a view, both real.
type unit struct {
	node    *testkit.Node
	service *chairside.Service
	values  []string // what identifies patients
}

func open(tb testing.TB, patients, months int) *unit {
	tb.Helper()
	s := simulate.Default()
	s.Units, s.Patients, s.Months = 1, patients, months
	s.Until = time.Date(2026, time.October, 31, 0, 0, 0, 0, time.UTC)
	u := &unit{node: testkit.Start(tb, testkit.Options{Clock: testkit.NewClock(s.Until.AddDate(0, 0, 1).Add(12 * time.Hour)), MaxBytes: 1 << 30, Unregistered: true})}
	seen := map[string]bool{}
	if err := simulate.Generate(s, func(r *cannularyv1.FeedRequest) error {
		m, ok := intake.FromFeed(r)
		if !ok {
			return fmt.Errorf("a message of no service")
		}
		if v := m.Envelope.GetPatient().GetValue(); v != "" && !seen[v] {
			seen[v] = true
			u.values = append(u.values, v)
		}
		_, err := u.node.Intake.Record(testkit.ByEverybody(), m)
		return err
	}); err != nil {
		tb.Fatal(err)
	}
	store, err := view.Open(context.Background(), filepath.Join(u.node.Dir, "view"))
	if err != nil {
		tb.Fatal(err)
	}
	p, err := projector.New(context.Background(), projector.Config{Log: u.node.Log, Store: store, Opener: u.node.Ring, Slog: testkit.Discard()})
	if err != nil {
		tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	tb.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			tb.Errorf("projector: %v", err)
		}
		if err := store.Close(); err != nil {
			tb.Error(err)
		}
	})
	wait, stop := context.WithTimeout(ctx, 5*time.Minute)
	defer stop()
	if err := p.WaitFor(wait, u.node.LastSeq(tb)); err != nil {
		tb.Fatal(err)
	}
	u.service = &chairside.Service{Store: store, State: p, Ring: u.node.Ring, Now: u.node.Clock.Now, Lagging: func() bool { return false }}
	return u
}

// dump is all that the log and the view hold, as far as readers see it.
func (u *unit) dump(t *testing.T) map[string]any {
	t.Helper()
	ctx := testkit.Context(t)
	out := map[string]any{"log": u.node.LastSeq(t)}
	keep := func(name string) func(any, error) {
		return func(v any, err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
			out[name] = v
		}
	}
	counts, err := u.service.Store.Counts(ctx)
	keep("counts")(counts, err)
	tracks, err := u.service.Store.Tracks(ctx)
	keep("tracks")(tracks, err)
	holds, err := u.service.Store.Holds(ctx)
	keep("holds")(holds, err)
	for _, c := range counts.Resources {
		page, err := u.service.Store.Search(ctx, view.Query{Type: c.Type, Count: 1 << 20})
		if len(page.Rows) != c.Count {
			t.Fatalf("%d of %d %s read", len(page.Rows), c.Count, c.Type)
		}
		keep(c.Type)(page.Rows, err)
	}
	return out
}

func post(h http.Handler, query, contentType, body string) *httptest.ResponseRecorder {
	r := httptest.NewRequestWithContext(context.Background(), http.MethodPost, "/what-if"+query, strings.NewReader(body))
	r.Header.Set("Content-Type", contentType)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestTheRecordIsAsItWas(t *testing.T) {
	u := open(t, 8, 4)
	before := u.dump(t)
	h := web.WhatIf(u.service.WhatIf, testkit.Discard())
	w := post(h, "", "application/json", `{"version":"strict","effectiveFrom":"2026-01-01","protocol":{"formingSessionsTarget":12,"angleToleranceDegrees":2}}`)
	if w.Code != http.StatusOK {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if after := u.dump(t); !reflect.DeepEqual(before, after) {
		for k := range before {
			if !reflect.DeepEqual(before[k], after[k]) {
				t.Errorf("%s is another after the comparison", k)
			}
		}
	}
	var r whatif.Report
	if err := json.Unmarshal(w.Body.Bytes(), &r); err != nil {
		t.Fatal(err)
	}
	if len(r.Facilities) != 1 || r.Sequence != before["log"] || r.Version != "strict" || !r.AsOf.Equal(u.node.Clock.Now()) {
		t.Fatalf("the report is of %d facilities, up to entry %d, of %s, as of %s", len(r.Facilities), r.Sequence, r.Version, r.AsOf)
	}
	tot := r.Facilities[0].Totals
	if tot.Patients < 8 || tot.Sessions < 100 || tot.TracksChanged == 0 || tot.SessionsLost == 0 || tot.ReadyLater+tot.ReadyLost == 0 || len(r.Patients) != tot.PatientsChanged {
		t.Errorf("twelve sessions asked for instead of what the unit asks, and this differs: %+v", tot)
	}
	// Nothing of a patient but the key.
	text := whatif.Text(&r)
	for _, v := range u.values {
		if strings.Contains(w.Body.String(), v) || strings.Contains(text, v) {
			t.Errorf("the report tells the identifier %s", v)
		}
	}
	keys := make([]string, 0, len(r.Patients))
	for _, p := range r.Patients {
		keys = append(keys, p.Patient)
	}
	names, err := u.service.Names(testkit.Context(t), keys)
	if err != nil {
		t.Fatal(err)
	}
	named := 0
	for _, p := range names {
		family, _, _ := strings.Cut(p.Name, ",")
		if family != "" {
			named++
			if strings.Contains(w.Body.String(), family) {
				t.Errorf("the report tells the name %s", family)
			}
		}
	}
	if named == 0 {
		t.Error("no patient of the report has a name: nothing was checked")
	}
	for _, line := range strings.Split(text, "\n") {
		if len([]rune(line)) > 100 {
			t.Errorf("more than 100 columns: %s", line)
		}
	}
	if testing.Verbose() {
		t.Log("\n" + text)
	}

	// The judgement that is compared with is the one that the card shows.
	for _, p := range r.Patients {
		c, err := u.service.Card(testkit.Context(t), chairside.Request{Key: p.Patient})
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range p.Tracks {
			for _, k := range c.Tracks {
				if k.ID == x.ID && (k.Stage != x.Recorded.Stage || k.SessionsCounted != x.Recorded.Counted) {
					t.Errorf("track %s is %s with %d on the card and %s with %d here", x.Track, k.Stage, k.SessionsCounted, x.Recorded.Stage, x.Recorded.Counted)
				}
			}
		}
	}

	// The same for the facility alone; and what is wrong with a question.
	one := post(h, "?facility="+r.Facilities[0].Facility, "application/json", `{"version":"strict","effectiveFrom":"2026-01-01","protocol":{"formingSessionsTarget":12,"angleToleranceDegrees":2}}`)
	if one.Code != http.StatusOK || !bytes.Equal(one.Body.Bytes(), w.Body.Bytes()) {
		t.Errorf("for the only facility by name the answer is another: %d", one.Code)
	}
	for _, c := range []struct {
		sentence, query, contentType, body string
		status                             int
		code, says                         string
	}{
		{"a facility nobody knows", "?facility=elsewhere", "application/json", `{}`, 404, "not-found", `facility "elsewhere" is not registered here. Choose one of: ` + r.Facilities[0].Facility},
		{"a parameter nobody knows", "?unit=a", "application/json", `{}`, 400, "invalid", `parameter "unit" is not known here. There is facility`},
		{"a facility twice", "?facility=a&facility=b", "application/json", `{}`, 400, "invalid", "facility is given 2 times. Give it once"},
		{"a damaged query", "?facility=nowhere%zz", "application/json", `{}`, 400, "invalid", "the query of the URL cannot be read"},
		{"a target below six", "", "application/json", `{"forming_sessions_target":4}`, 400, "invalid", "the protocol what-if is refused: forming_sessions_target: "},
		{"no JSON", "", "application/json", `six`, 400, "invalid", "it is not a JSON object"},
		{"too long", "", "application/json", strings.Repeat(" ", proposal.MaxBytes+1), 413, "too-large", "has more than 65536 bytes"},
		{"another type", "", "text/plain", `{}`, 415, "unsupported-media-type", "the body must be sent as Content-Type application/json"},
	} {
		w := post(h, c.query, c.contentType, c.body)
		var e struct{ Error struct{ Code, Text string } }
		if err := json.Unmarshal(w.Body.Bytes(), &e); err != nil || w.Code != c.status || e.Error.Code != c.code || !strings.Contains(e.Error.Text, c.says) {
			t.Errorf("%s: %d %s, want %d %s with %q", c.sentence, w.Code, w.Body, c.status, c.code, c.says)
		}
	}
	get := httptest.NewRecorder()
	h.ServeHTTP(get, httptest.NewRequestWithContext(context.Background(), http.MethodGet, "/what-if", nil))
	if get.Code != http.StatusMethodNotAllowed || get.Header().Get("Allow") != "POST" {
		t.Errorf("GET: %d %s", get.Code, get.Body)
	}
	gone, cancel := context.WithCancel(context.Background())
	cancel()
	ended := httptest.NewRecorder()
	q := httptest.NewRequestWithContext(gone, http.MethodPost, "/what-if", strings.NewReader(`{}`))
	q.Header.Set("Content-Type", "application/json")
	h.ServeHTTP(ended, q)
	if ended.Code == http.StatusOK {
		t.Error("a comparison for a client that is gone was made")
	}
}

// A unit of sixty patients and a year.
func BenchmarkWhatIf(b *testing.B) {
	u := open(b, 60, 12)
	p, err := proposal.Read("eight", []byte(`{"forming_sessions_target":8}`))
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := u.service.WhatIf(context.Background(), p, ""); err != nil {
			b.Fatal(err)
		}
	}
}
