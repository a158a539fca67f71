package acceptance_test

import (
	"net/http"
	"net/url"
	"path/filepath"
	"sync"
	"testing"

	"cannulary/internal/feed"
	"cannulary/internal/simulate"
	"cannulary/internal/testkit"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// unit is what one instance made of the scenario's feed. Its folder is never opened
// again: tests work on copies.
type unit struct {
	scenario simulate.Scenario
	messages []*cannularyv1.FeedRequest
	dir      string
	tally    feed.Tally
	answers  answers
	tables   tables
	order    tables   // dumpOrder
	patients []string // keys
	cards    map[string]string
	logged   []byte // all that the program logged
	metrics  string
}

// theUnit is posted once, in the order of arrival, by the first test that needs it.
var (
	theUnit  *unit
	unitOnce sync.Once
)

func shared(tb testing.TB) *unit {
	tb.Helper()
	unitOnce.Do(func() { theUnit = postUnit(tb) })
	if theUnit == nil {
		tb.Fatal("the shared unit could not be made; the first test that needed it says why")
	}
	return theUnit
}

func postUnit(tb testing.TB) *unit {
	tb.Helper()
	u := &unit{scenario: scenario(size()), dir: filepath.Join(scratch, "unit")}
	u.messages = messages(tb, u.scenario)
	i := start(tb, u.dir)
	u.tally, u.answers = i.post(u.messages)
	u.patients = keys(query(tb, u.dir, `SELECT id FROM resource WHERE type = 'Patient'`))
	u.cards = i.cards(u.patients)
	// Questions that carry an identifier, good and bad ones: none may be logged.
	for _, m := range u.messages[:40] {
		if p := testkit.Envelope(m).GetPatient(); p != nil {
			id := url.QueryEscape(p.GetSystem() + "|" + p.GetValue())
			for _, path := range []string{"/card?identifier=" + id, "/card?nonsense=1&identifier=" + id, "/fhir/Patient?identifier=" + id, "/fhir/Patient?nonsense=1&identifier=" + id, "/nowhere/" + id} {
				if code, _ := i.get(path); code >= http.StatusInternalServerError {
					tb.Fatalf("GET %s answers %d", path, code)
				}
			}
		}
	}
	u.metrics = i.must("/metrics")
	i.stop()
	u.logged = i.log.Bytes()
	u.tables, u.order = dump(tb, u.dir), dumpOrder(tb, u.dir)
	return u
}

// copy gives a copy of the unit's stopped instance.
func (u *unit) copy(tb testing.TB) string {
	tb.Helper()
	return copyDir(tb, u.dir, filepath.Join(tb.TempDir(), "copy"))
}

// fresh gives a folder that has the unit's keys and nothing else, so that patients get the
// same keys in it.
func (u *unit) fresh(tb testing.TB) string {
	tb.Helper()
	dir := filepath.Join(tb.TempDir(), "fresh")
	copyDir(tb, filepath.Join(u.dir, "keys"), filepath.Join(dir, "keys"))
	return dir
}
