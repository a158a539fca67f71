package app_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"cannulary/internal/access"
	"cannulary/internal/door"
	"cannulary/internal/extract"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
	v1 "cannulary/proto/cannulary/v1"
)

// A day at two units, in words.
func TestAReaderOfAUnitReadsThePatientsWhoAreThere(t *testing.T) {
	t.Parallel()
	u := newUnits(t)
	session := func(facility, patient, by string) string {
		return u.send(facility, patient, fmt.Sprintf("T-%s-%d", patient, u.sent), u.clock.Now(), started(), needle(by))
	}
	reads := func(who string, want bool, messages ...string) {
		t.Helper()
		u.settled()
		text := u.everything(who)
		for _, m := range messages {
			if strings.Contains(text, m) != want {
				t.Errorf("%s reads %s: %t, want %t", who, m, !want, want)
			}
		}
	}
	u.facility(south, rated("S-1"), rated("S-2"))
	home := u.send(south, "P-1", "", u.clock.Now(), admitted())
	first := session(south, "P-1", "S-1")
	other := u.send(south, "P-2", "", u.clock.Now(), admitted())
	reads("south", true, home, first, other, "S-2")
	reads("north", false, home, first, other, "S-1", "S-2", "P-1", "P-2", "shift-"+south)

	// A guest session opens the whole record of that patient, and of no other.
	u.nextDay()
	guest := session(north, "P-1", "N-1")
	reads("north", true, home, first, guest, "S-1", "Unit "+south)
	reads("north", false, other, "P-2", "S-2", "shift-"+south)
	if _, card := u.get("north", "/card?identifier=https://hospital.example/patient-number|P-1"); strings.Contains(card, "not the whole record") ||
		!strings.Contains(card, `"track":`) && !strings.Contains(card, `"A1"`) {
		t.Errorf("the guest's card at north: %.600s", card)
	}

	// After that day what comes is not for north, but a correction of what it has is.
	u.nextDay()
	later := session(south, "P-1", "S-2")
	void := u.send(south, "P-1", "", u.clock.Now(), &v1.CannulationFact{Fact: &v1.CannulationFact_FactVoided{FactVoided: &v1.FactVoided{
		Fact: &v1.FactReference{Source: "lead", SourceMessageId: first, Ordinal: 1}, Reason: "Wrong track"}}})
	reads("north", true, home, first, guest, void)
	reads("north", false, later, "S-2")
	_, card := u.get("north", "/card?identifier=https://hospital.example/patient-number|P-1")
	if !strings.Contains(card, "This is not the whole record. No stay here is open") || !strings.Contains(card, `"partial":true`) ||
		!strings.Contains(card, `"why":"This is not the whole record: what happened elsewhere may forbid this needle. `) {
		t.Errorf("the card of a guest who went home: %.600s", card)
	}
	if _, page := u.get("north", "/card?format=html&identifier=https://hospital.example/patient-number|P-1"); !strings.Contains(page,
		"This card is not complete: no stay is open here.") || !strings.Contains(page, "This is not the whole record.") {
		t.Errorf("the page of a guest who went home: %.3000s", page)
	}
	if code, body := u.get("north", "/card?identifier=https://hospital.example/patient-number|P-2"); code != http.StatusNotFound {
		t.Errorf("the card of a patient who was never here: %d %s", code, body)
	}
	for _, path := range []string{"/?facility=" + south, "/unit?facility=" + south, "/surveillance/report?facility=" + south + "&month=2025-02"} {
		if code, body := u.get("north", path); code == http.StatusOK || strings.Contains(body, "Unit "+south) {
			t.Errorf("%s is answered to north: %d %.300s", path, code, body)
		}
	}

	// A transfer to north brings all of it, as new.
	u.nextDay()
	mark := u.watermark("north")
	moved := u.send(north, "P-1", "", u.clock.Now(), admitted())
	reads("north", true, later, moved)
	code, pulled := u.get("north", "/fhir/Provenance?_count=500&_lastUpdated=ge"+mark)
	if code != http.StatusOK || !strings.Contains(pulled, later) || !strings.Contains(pulled, moved) {
		t.Errorf("a pull from %s does not bring what became readable: %d %.300s", mark, code, pulled)
	}
	reads("south", true, home, first, guest, later, moved)

	// South goes on with what it had.
	after := session(north, "P-1", "N-1")
	reads("north", true, after)
	reads("south", false, after)
}

// An extract goes on after a restart where it was: its versions are given once. What the policy does not name any more
// is removed, what it names anew is gathered, and what is damaged is gathered again.
func TestAnExtractIsKeptAndMadeAgain(t *testing.T) {
	t.Parallel()
	u := newUnits(t)
	u.live(rand.New(rand.NewPCG(1, 1)), 30)
	u.settled()
	before := u.everything("north")
	u.again(true)
	u.settled()
	ports := regexp.MustCompile(`http://127\.0\.0\.1:[0-9]+`)
	if now := u.everything("north"); ports.ReplaceAllString(now, "") != ports.ReplaceAllString(before, "") {
		t.Error("north reads something else after a restart")
	}
	u.live(rand.New(rand.NewPCG(2, 2)), 10)
	u.settled()

	folder := func(own string) string {
		return filepath.Join(filepath.Dir(u.app.Store().Path()), "extract-"+extract.ID([]string{own}))
	}
	u.app.Stop()
	file := filepath.Join(folder(north), view.FileName())
	bytes, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for i := 20000; i < len(bytes); i += 8192 {
		bytes[i] ^= 4
	}
	testkit.Write(t, folder(north), view.FileName(), bytes)
	u.open()
	u.settled()
	if text := u.everything("north"); !strings.Contains(text, "m-") {
		t.Error("north reads nothing after its view was damaged")
	}

	policy, err := os.ReadFile(u.cfg.Policy)
	if err != nil {
		t.Fatal(err)
	}
	u.app.Stop()
	testkit.Write(t, filepath.Dir(u.cfg.Policy), "policy.yaml", []byte(strings.ReplaceAll(string(policy), "[invented-south]", "['*']")))
	u.open()
	u.settled()
	if _, err := os.Stat(folder(south)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the view of readers who are not named any more is there: %v", err)
	}
	testkit.Write(t, filepath.Dir(u.cfg.Policy), "policy.yaml", policy)
	u.app.Reload()
	if code, body := u.get("south", "/fhir/Patient"); code != http.StatusServiceUnavailable && code != http.StatusOK ||
		code == http.StatusServiceUnavailable && !strings.Contains(body, "what readers of these facilities may read is being gathered from the log") {
		t.Errorf("south while its view is made: %d %s", code, body)
	}
	u.settled()
	if text := u.everything("south"); !strings.Contains(text, "m-") {
		t.Error("south reads nothing after it was named again")
	}
}

// While an extract is not there, its readers get nothing but what anybody may see.
func TestNothingIsReadBeforeAnExtractIsThere(t *testing.T) {
	t.Parallel()
	u := newUnits(t)
	u.send(south, "P-1", "", u.clock.Now(), admitted())
	u.settled()
	u.app.ForgetExtracts()
	fixed := []string{"/style.css", "/live.js", "/icon.svg"}
	for _, row := range door.Routes() {
		reads := slices.Contains([]access.Right{access.FHIR, access.Pages, access.Reports, access.Hooks}, row.Right)
		if !reads || slices.Contains(fixed, row.Path) {
			continue
		}
		path := row.Path
		if path == "/fhir" || path == "/fhir/" {
			path = "/fhir/Patient"
		}
		if path == "/cds-services/" {
			continue // takes POST alone
		}
		code, body := u.get("north", path)
		if code != http.StatusServiceUnavailable || !strings.Contains(body, "being gathered") || strings.Contains(body, south) {
			t.Errorf("%s: %d %.300s", path, code, body)
		}
	}
}
