package acceptance_test

import (
	"context"
	"encoding/json"
	"io"
	"maps"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"cannulary/internal/facade"
	"cannulary/internal/record"
	"cannulary/internal/view"
)

// kickOff begins a bulk export and gives the address of its status.
func (i *instance) kickOff(path string) string {
	i.tb.Helper()
	r, err := http.NewRequest(http.MethodGet, "http://"+i.app.HTTPAddr()+path, nil)
	if err != nil {
		i.tb.Fatal(err)
	}
	r.Header.Set("Prefer", "respond-async")
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		i.tb.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusAccepted {
		body, _ := io.ReadAll(resp.Body)
		i.tb.Fatalf("%s answers %d: %s", path, resp.StatusCode, body)
	}
	return strings.TrimPrefix(resp.Header.Get("Content-Location"), "http://"+i.app.HTTPAddr())
}

// exported waits for an export and downloads it: each line by Type/id.
func (i *instance) exported(status string) (lines map[string]string, transactionTime string) {
	i.tb.Helper()
	var m struct {
		TransactionTime string
		Output          []struct{ URL string }
	}
	eventually(i.tb, "the export has ended", func() bool {
		code, body := i.get(status)
		if code == http.StatusAccepted {
			return false
		}
		if code != http.StatusOK || json.Unmarshal([]byte(body), &m) != nil {
			i.tb.Fatalf("%s answers %d: %s", status, code, body)
		}
		return true
	})
	lines = map[string]string{}
	for _, f := range m.Output {
		_, path, _ := strings.Cut(f.URL, "/fhir/")
		for line := range strings.Lines(i.must("/fhir/" + path)) {
			var r struct{ ResourceType, ID string }
			if err := json.Unmarshal([]byte(line), &r); err != nil {
				i.tb.Fatalf("%v in %.200s", err, line)
			}
			lines[r.ResourceType+"/"+r.ID] = strings.TrimSuffix(line, "\n")
		}
	}
	return lines, m.TransactionTime
}

// searched is what searches for all types give.
func (i *instance) searched() map[string]string {
	i.tb.Helper()
	out := map[string]string{}
	for _, t := range facade.Types() {
		page, err := i.app.Store().Search(context.Background(), view.Query{Type: t.Name, Count: 1 << 20})
		if err != nil {
			i.tb.Fatal(err)
		}
		for _, r := range page.Rows {
			out[r.Type+"/"+r.ID] = string(r.Body)
		}
	}
	return out
}

func (i *instance) groups() (out []string) {
	i.tb.Helper()
	list, err := i.app.Store().Facilities(context.Background())
	if err != nil || len(list) == 0 {
		i.tb.Fatal("no facility", err)
	}
	for _, f := range list {
		out = append(out, "/fhir/Group/"+record.DerivedID("group", record.FacilityID(f.ID))+"/$export")
	}
	return out
}

// An export of the system is what searches give; that of the patients, or of a Group, holds
// all that its resources refer to.
func TestExportsOfAUnitAreWhole(t *testing.T) {
	t.Parallel()
	i := start(t, shared(t).copy(t))
	all := i.searched()
	if got, _ := i.exported(i.kickOff("/fhir/$export")); !maps.Equal(got, all) {
		t.Errorf("the export has %d resources, searches give %d, or others", len(got), len(all))
	}
	for _, path := range append(i.groups(), "/fhir/Patient/$export") {
		got, _ := i.exported(i.kickOff(path))
		patients := 0
		for key, line := range got {
			if all[key] != line {
				t.Errorf("%s: %s is not as a search gives it", path, key)
			}
			if strings.HasPrefix(key, "Patient/") {
				patients++
			}
			references(t, []byte(line), func(ref string) {
				if m := versions.FindStringSubmatch(ref); m != nil {
					ref = m[1]
				}
				// An origin may also tell of staff and units that the patients do not need.
				if literal.MatchString(ref) && got[ref] == "" && all[ref] != "" && !strings.HasPrefix(key, "Provenance/") {
					t.Errorf("%s: %s refers to %s, which is not in it", path, key, ref)
				}
			})
		}
		if patients == 0 || len(got) < 20*patients {
			t.Errorf("%s: %d resources of %d patients", path, len(got), patients)
		}
	}
}

// An EHR that pulls by exports while a feed arrives has in the end what searches give,
// over a restart too.
func TestAChainOfExportsLosesNothingWhileAFeedArrives(t *testing.T) {
	t.Parallel()
	u := shared(t)
	dir := u.fresh(t)
	i := start(t, dir)
	var feeding sync.WaitGroup
	feeding.Add(1)
	go func() {
		defer feeding.Done()
		if _, _, err := post(patience(t), i.app.GRPCAddr(), u.messages); err != nil {
			t.Error(err)
		}
	}()
	type chain struct {
		path, since string
		have        map[string]string
	}
	chains := []*chain{{path: "/fhir/$export", have: map[string]string{}}, {path: "/fhir/Patient/$export", have: map[string]string{}}}
	pull := func() {
		for _, c := range chains {
			path := c.path
			if c.since != "" {
				path += "?_since=" + c.since
			}
			got, state := i.exported(i.kickOff(path))
			maps.Copy(c.have, got)
			c.since = state
		}
	}
	for range 4 {
		pull()
	}
	feeding.Wait()
	i.settle()
	// What is begun when the application stops is there after it starts again.
	begun := i.kickOff("/fhir/Patient/$export")
	before := time.Now()
	i.stop()
	if took := time.Since(before); took > 8*time.Second {
		t.Errorf("it takes %v to stop while an export runs", took)
	}
	i = start(t, dir)
	i.settle()
	pull()
	all := i.searched()
	if !maps.Equal(chains[0].have, all) {
		t.Errorf("by exports of the system the client has %d resources, searches give %d, or others", len(chains[0].have), len(all))
	}
	whole, _ := i.exported(begun)
	fresh, _ := i.exported(i.kickOff("/fhir/Patient/$export"))
	for key, line := range fresh {
		if chains[1].have[key] != line {
			t.Errorf("by exports of the patients the client lacks %s as it is now", key)
		}
	}
	if len(whole) < len(fresh)*9/10 {
		t.Errorf("the export that a restart interrupted has %d resources, one now %d", len(whole), len(fresh))
	}
}
