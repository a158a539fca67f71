package web_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"cannulary/internal/card"
	"cannulary/internal/web"
	v1 "cannulary/proto/cannulary/v1"
)

func lines(t *testing.T, a answer) map[string]card.Card {
	t.Helper()
	if a.status != http.StatusOK || a.head.Get("Content-Type") != "application/x-ndjson" {
		t.Fatalf("%d %q: %s", a.status, a.head.Get("Content-Type"), a.body)
	}
	out := map[string]card.Card{}
	for _, line := range strings.Split(strings.TrimSuffix(a.body, "\n"), "\n") {
		if a.body == "" {
			break
		}
		var c card.Card
		if err := json.Unmarshal([]byte(line), &c); err != nil {
			t.Fatalf("%v in %q", err, line)
		}
		if _, twice := out[c.Patient.Name]; twice {
			t.Errorf("two cards of %q", c.Patient.Name)
		}
		out[c.Patient.Name] = c
	}
	return out
}

func TestAllCards(t *testing.T) {
	u := one(t)
	u.identity("P-2", "Second", "", "1951-03-12")
	u.takeOver("P-2", "A1", v1.TrackStage_TRACK_STAGE_ESTABLISHED)
	u.identity("P-3", "Departed", "", "1951-03-12")
	u.takeOver("P-3", "A1", v1.TrackStage_TRACK_STAGE_ESTABLISHED)
	u.roster("P-3", at(2), &v1.RosterFact{Fact: &v1.RosterFact_PatientLeft{PatientLeft: &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_TRANSFER}}})
	u.identity("P-4", "Trackless", "", "1951-03-12") // needled in another way
	u.identity("P-5", "Renamed", "", "1951-03-12")
	other := u.envelope("", at(100))
	other.Facility = "other-unit"
	u.rosterIn(other, &v1.RosterFact{Fact: &v1.RosterFact_FacilityRegistered{FacilityRegistered: &v1.FacilityRegistered{Name: "The other unit", TimeZone: "Asia/Kolkata", DialysisDays: []v1.Weekday{v1.Weekday_WEEKDAY_MONDAY}}}})
	u.roster("P-2", at(2), &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{Retired: &v1.PatientIdentifier{System: system, Value: "P-5"}}}})
	u.settle()
	cards := lines(t, u.get("/cards"))
	if _, ok := cards["Trackless"]; len(cards) != 3 || !ok || len(cards["Quombave, Zaph"].Tracks) != 2 || !cards["Quombave, Zaph"].StandingHold || cards["Second"].StandingHold {
		t.Errorf("the cards are %+v", cards)
	}
	if n := len(lines(t, u.get("/cards?facility="+facility))); n != 3 {
		t.Errorf("%d cards of the facility", n)
	}
	if n := len(lines(t, u.get("/cards?facility=other-unit"))); n != 0 {
		t.Errorf("%d cards of the other facility", n)
	}
	if a := u.do(http.MethodHead, "/cards"); a.status != http.StatusOK || a.body != "" {
		t.Errorf("HEAD: %d %q", a.status, a.body)
	}
	for target, want := range map[string]string{"/cards?facility=elsewhere": "no facility with this code is registered", "/cards?format=html": `"format" is not known here`} {
		a := u.get(target)
		var e struct{ Error struct{ Text string } }
		if err := json.Unmarshal([]byte(a.body), &e); err != nil || a.status < 400 || !strings.Contains(e.Error.Text, want[1:]) {
			t.Errorf("%s: %d %s", target, a.status, a.body)
		}
	}
}

func TestAllCardsOfNobody(t *testing.T) {
	u := open(t)
	u.settle()
	if n := len(lines(t, u.get("/cards"))); n != 0 {
		t.Errorf("%d cards", n)
	}
}

// A part must not pass for the whole: where a card cannot be made any more, a reader sees
// the answer break off.
func TestAllCardsBreakOff(t *testing.T) {
	u := one(t)
	u.identity("P-2", "Second", "", "1951-03-12")
	u.takeOver("P-2", "A1", v1.TrackStage_TRACK_STAGE_ESTABLISHED)
	u.settle()
	u.cfg.AtOnce = 1
	u.handler = web.Pages(u.cfg)
	server := httptest.NewUnstartedServer(nil)
	ctx, cancel := context.WithCancel(context.Background())
	// The request ends after its first line.
	server.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		u.handler.ServeHTTP(&breaking{w, cancel}, r.WithContext(ctx))
	})
	server.Start()
	defer server.Close()
	req, err := http.NewRequest(http.MethodGet, server.URL+"/cards", nil)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	buffer := make([]byte, 1<<20)
	for err == nil {
		_, err = resp.Body.Read(buffer)
	}
	if errors.Is(err, io.EOF) {
		t.Errorf("the answer ended as if it were whole: %v", err)
	}
}

type breaking struct {
	http.ResponseWriter
	cancel func()
}

func (b *breaking) Write(p []byte) (int, error) {
	n, err := b.ResponseWriter.Write(p)
	if f, ok := b.ResponseWriter.(http.Flusher); ok {
		f.Flush()
	}
	b.cancel()
	return n, err
}
