package acceptance_test

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"cannulary/internal/facade"
)

// questioned is what a running program answers to questions that reach every part of the view: the whole bulk export, all
// cards, and searches by every kind of search value. An answer begins with its status. Of the patients it asks about
// the first ones, at most so many; what is asked about a patient begins with "patient".
func questioned(tb testing.TB, base string, most int) map[string]string {
	tb.Helper()
	out := map[string]string{}
	ask := func(path string) string {
		code, body := fetched(base + path)
		return fmt.Sprint(code, " ", body)
	}
	patients := exportOf(tb, base, out)
	for _, p := range patients[:min(most, len(patients))] {
		path := "/card?as_of=2025-04-01T18:00:00Z&patient=" + p.ID
		out["patient "+path] = knownAt.ReplaceAllString(ask(path), "")
		for _, q := range []string{"/fhir/Observation?_summary=count&patient=" + p.ID, "/fhir/Procedure?_summary=count&subject=Patient/" + p.ID,
			"/fhir/Patient/" + p.ID + "/_history"} {
			out["patient "+q] = ask(q)
		}
		for _, i := range p.Identifier {
			q := "/fhir/Patient?identifier=" + url.QueryEscape(i.System+"|"+i.Value)
			out["patient "+q] = ask(q)
		}
	}
	for _, t := range facade.Types() {
		if _, ok := out["$export of "+t.Name]; ok { // the others are definitions, which are not in the view
			out[t.Name] = ask("/fhir/" + t.Name + "?_count=20")
		}
	}
	for _, q := range []string{"Procedure?_lastUpdated=ge2026-01-01", "Procedure?status=completed", "Procedure?date=ge2025-02-15", "Observation?status=final", "Observation?date=lt2025-03-01",
		"Observation?value-quantity=gt100", "Flag?status=active", "DetectedIssue?identified=ge2025-02-01", "Observation?has-member:missing=true",
		"Provenance?recorded=ge2026-01-01", "BodyStructure?morphology:missing=false"} {
		out[q] = ask("/fhir/" + strings.Replace(q, "?", "?_summary=count&", 1))
	}
	out["/fhir/_history"] = ask("/fhir/_history?_count=20")
	for q, text := range out {
		out[q] = strings.ReplaceAll(text, base, "")
	}
	return out
}

var knownAt = regexp.MustCompile(`"knownAt":"[^"]*",?`)

// fetched is what an address answers; the code is 0 where nobody answers.
func fetched(url string) (code int, body string) {
	resp, err := http.Get(url)
	if err != nil {
		return 0, err.Error()
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		return 0, err.Error()
	}
	return resp.StatusCode, string(b)
}

// identified is a Patient as far as it matters here.
type identified struct {
	ID         string
	Identifier []struct{ System, Value string }
}

// exportOf adds what a bulk export gives: of each resource its version and a checksum. It returns the patients.
func exportOf(tb testing.TB, base string, out map[string]string) (patients []identified) {
	tb.Helper()
	r, err := http.NewRequest(http.MethodGet, base+"/fhir/$export", nil)
	if err != nil {
		tb.Fatal(err)
	}
	r.Header.Set("Prefer", "respond-async")
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		out["$export"] = "0 " + err.Error()
		return nil
	}
	body, _ := io.ReadAll(resp.Body)
	resp.Body.Close()
	if resp.StatusCode != http.StatusAccepted {
		out["$export"] = fmt.Sprint(resp.StatusCode, " ", string(body))
		return nil
	}
	var code int
	var text string
	for end := time.Now().Add(patient); ; time.Sleep(5 * time.Millisecond) {
		if code, text = fetched(resp.Header.Get("Content-Location")); code != http.StatusAccepted {
			break
		}
		if time.Now().After(end) {
			tb.Fatal("the export does not end")
		}
	}
	var m struct {
		Output []struct{ Type, URL string }
	}
	if code != http.StatusOK || json.Unmarshal([]byte(text), &m) != nil {
		out["$export"] = fmt.Sprint(code, " ", text)
		return nil
	}
	lines := map[string][]string{}
	for _, f := range m.Output {
		code, text := fetched(f.URL)
		if code != http.StatusOK {
			out["$export of "+f.Type] = fmt.Sprint(code, " ", text)
			continue
		}
		lines[f.Type] = append(lines[f.Type], strings.Split(text, "\n")...)
	}
	for name, list := range lines {
		slices.Sort(list)
		text := fmt.Sprintf("200 %d lines", len(list))
		for _, line := range list {
			var r struct {
				ID   string
				Meta struct{ VersionID, LastUpdated string }
			}
			_ = json.Unmarshal([]byte(line), &r) // whatever it is, the checksum tells
			text += fmt.Sprintf("\n%s version %s of %s %.8x", r.ID, r.Meta.VersionID, r.Meta.LastUpdated, sha256.Sum256([]byte(line)))
		}
		out["$export of "+name] = text
	}
	for _, line := range lines["Patient"] {
		var p identified
		if line != "" && json.Unmarshal([]byte(line), &p) == nil {
			patients = append(patients, p)
		}
	}
	return patients
}
