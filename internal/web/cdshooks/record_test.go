package cdshooks_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"cannulary/internal/card"
	"cannulary/internal/testkit"
)

// first is the first card for a chart with these identifiers, as "indicator: summary".
func first(t *testing.T, u *unit, ids ...card.Identifier) (string, string) {
	t.Helper()
	w := do(u.handler(), request(http.MethodPost, service, chart(ids...)))
	c := answered(t, w.Code, w.Body.String())[0]
	return c.Indicator + ": " + c.Summary, c.Detail
}

// A message that nobody understood may be about anybody, also about somebody unknown.
func TestAMessageThatWasNotUnderstoodIsAWarning(t *testing.T) {
	u := open(t)
	js, err := jetstream.New(u.node.NATS)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(testkit.Context(t), "cannulary.test."+testkit.Facility+"._", []byte("no protobuf at all")); err != nil {
		t.Fatal(err)
	}
	u.settle()
	got, detail := first(t, u, id(other, "P-9"))
	if !strings.HasPrefix(got, "warning: No patient in this record of needle tracks has the identifiers in this chart") || !strings.Contains(detail, "Messages that could not be understood: 1.") {
		t.Errorf("unknown: %s\n%s", got, detail)
	}
	if got, _ := first(t, u, id(mrn, "P-1")); got != "warning: The record may not be complete: messages not understood: 1, perhaps one about this patient" {
		t.Errorf("known: %s", got)
	}
	if got, _ := first(t, u, id(mrn, "P-2")); !strings.HasPrefix(got, "critical: Do not needle track A1") {
		t.Errorf("held: %s", got)
	}
}

// Where a patient's key was destroyed, no number can be read from the record any more; the
// one that messages were posted under still leads to the facts, as it does on the board.
func TestADestroyedKeyLeavesTheHold(t *testing.T) {
	u := open(t, func(u *unit) {
		if err := u.node.Ring.Destroy(testkit.Context(t), u.node.Ring.PatientKey(mrn, "P-2")); err != nil {
			t.Fatal(err)
		}
	})
	if got, _ := first(t, u, id(mrn, "P-2")); !strings.HasPrefix(got, "critical: Do not needle track A1") {
		t.Errorf("by the number of the messages: %s", got)
	}
	if got, _ := first(t, u, id(national, "N-2")); !strings.HasPrefix(got, "info: No patient in this record of needle tracks has the identifiers in this chart") {
		t.Errorf("by a stated number: %s", got)
	}
}
