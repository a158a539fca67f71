package acceptance_test

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"sync"
	"testing"

	"cannulary/internal/oracle/surveillance/histories"
	"cannulary/internal/surveil"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// Generated histories, in the order of their arrival and interleaved in one log, are
// projected event by event, most of them by what changes nothing only. What the view holds
// in the end is what one fold over all facts of each patient gives.
func TestSurveillanceOfHistoriesThroughTheStore(t *testing.T) {
	t.Parallel()
	wanted, _ := historySize()
	var drawn []histories.History
	i := start(t, filepath.Join(t.TempDir(), "surveyed"))
	next := make(chan histories.History)
	var writers sync.WaitGroup
	for range 8 {
		writers.Go(func() {
			for h := range next {
				for facility, zone := range h.Zones {
					e := histories.Message("registration of "+facility, facility, "", testkit.At("2024-12-01T00:00:00Z").AsTime(),
						&v1.FacilityRegistered{Name: "Invented", TimeZone: zone, DialysisDays: []v1.Weekday{v1.Weekday_WEEKDAY_MONDAY}})
					appended(t, i, e)
				}
				for _, e := range h.Events {
					appended(t, i, e)
				}
			}
		})
	}
	for n := range wanted {
		h := histories.Named(fmt.Sprintf("s%d", n), uint64(n))
		drawn = append(drawn, h)
		next <- h
	}
	close(next)
	writers.Wait()
	i.settle()
	i.stop()
	if q := query(t, i.dir, all["quarantine"]); len(q) > 0 {
		t.Fatalf("set aside: %v", q)
	}
	exposure, infection := map[string]string{}, map[string]string{}
	merged := 0
	for n, h := range drawn {
		facts, err := h.Facts()
		if err != nil {
			t.Fatal(err)
		}
		known := map[string]bool{}
		for range 2 {
			h.Patient, h.Other = h.Other, h.Patient
			items, survivor := h.Items(facts), h.Survivor(facts)
			if known[survivor] {
				merged++
				continue
			}
			known[survivor] = true
			// The log's sequence and time are no matter of surveillance.
			p, _ := surveil.Fold(surveil.Input{Items: items, Zone: h.Zone})
			for _, e := range p.Exposures {
				exposure[fmt.Sprintf("%s %d", survivor, e.From)] = fmt.Sprintf("%s %s %d", e.Facility, e.Technique, e.To)
			}
			for _, e := range p.Events {
				b, err := json.Marshal(e)
				if err != nil {
					t.Fatalf("history %d: %v", n, err)
				}
				infection[survivor+" "+e.Fact] = fmt.Sprintf("%s %d %s", e.Facility, e.Day, b)
			}
		}
	}
	compare(t, "exposure", exposure, query(t, i.dir, all["exposure"]))
	compare(t, "infection", infection, query(t, i.dir, all["infection"]))
	if len(infection) < wanted || merged == 0 {
		t.Errorf("%d infections and %d merges in %d histories: too little to tell", len(infection), merged, wanted)
	}
	t.Logf("%d histories, %d merged: %d stretches of exposure and %d infections agree", wanted, merged, len(exposure), len(infection))
}

func appended(t *testing.T, i *instance, e *logv1.Event) {
	if _, _, err := i.app.Log().Append(patience(t), e); err != nil {
		t.Error(err)
	}
}
