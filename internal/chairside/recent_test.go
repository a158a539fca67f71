package chairside

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/oracle/needling/histories"
	"cannulary/internal/projector"
	"cannulary/internal/testkit"
	"cannulary/internal/view"
)

// served is a view that follows the log of a node.
func served(t *testing.T, n *testkit.Node) (*view.Store, *projector.Projector) {
	t.Helper()
	store, err := view.Open(testkit.Context(t), filepath.Join(n.Dir, "view"))
	if err != nil {
		t.Fatal(err)
	}
	p, err := projector.New(testkit.Context(t), projector.Config{Log: n.Log, Store: store, Opener: n.Ring, Slog: testkit.Discard()})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("projector: %v", err)
		}
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	return store, p
}

// cardOf is a card as it is sent; empty where nothing is known of the patient, or it fails.
func cardOf(t *testing.T, s *Service, key string) []byte {
	t.Helper()
	known, err := s.Store.HasPatient(testkit.Context(t), key)
	var c card.Card
	if err == nil && known {
		c, err = s.Card(testkit.Context(t), Request{Key: key})
	}
	if err != nil || !known {
		if err != nil {
			t.Error(err)
		}
		return nil
	}
	data, err := json.MarshalIndent(c, "", " ")
	if err != nil {
		t.Error(err)
	}
	return data
}

// After every event of drawn histories, with corrections, voids, merges, late facts and new protocols among them, a card of
// now says the same whether the dossier was kept or is read anew.
func TestACardOfAKeptDossierIsTheCard(t *testing.T) {
	extended, anew := 0, 0
	for i := range 3 {
		h := histories.Named(fmt.Sprintf("k%d", i), uint64(i)+1, 10, []float64{0, 0.02, 0.12}[i%3])
		n := testkit.Start(t, testkit.Options{Unregistered: true})
		last := h.AsOf
		for _, e := range h.Events {
			if at := e.GetOccurredAt().AsTime(); at.After(last) {
				last = at
			}
		}
		clock := testkit.NewClock(last.Add(time.Hour))
		store, p := served(t, n)
		lasting := &Service{Store: store, State: p, Ring: n.Ring, Now: clock.Now, Lagging: func() bool { return false }}
		for k, e := range h.Events {
			seq, _, err := n.Log.Append(testkit.Context(t), e)
			if err != nil {
				t.Fatal(err)
			}
			if err := p.WaitFor(testkit.Context(t), seq); err != nil {
				t.Fatal(err)
			}
			clock.Advance(time.Millisecond)
			for _, key := range []string{h.Patient, h.Other} {
				fresh := &Service{Store: store, State: p, Ring: n.Ring, Now: clock.Now, Lagging: lasting.Lagging}
				var other []byte
				asked := make(chan struct{})
				go func() {
					defer close(asked)
					other = cardOf(t, lasting, key)
				}()
				got := cardOf(t, lasting, key)
				<-asked
				if want := cardOf(t, fresh, key); !bytes.Equal(got, want) || !bytes.Equal(other, want) {
					t.Fatalf("history %d after event %d: the card of a kept dossier is\n%s\nor, asked at the same time,\n%s\nwant\n%s",
						i, k, got, other, want)
				}
			}
			if rec := lasting.recent.by[p.Identities().Survivor(h.Patient)]; rec != nil && rec.read.Equal(clock.Now()) {
				anew++
			} else {
				extended++
			}
		}
	}
	t.Logf("%d events were added to a kept dossier, after %d it was read anew", extended, anew)
	if extended < 100 || anew < 20 {
		t.Error("too few of both for this test to mean anything")
	}
}

// What people wrote is not shown any more once the patient's key is destroyed, and is read again after ten minutes, because
// another process may destroy a key.
func TestAKeptDossierEndsWithTheKey(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	store, p := served(t, n)
	m := testkit.SampleOf("cannulation hold_placed")
	if _, err := n.Client.Send(testkit.Context(t), m); err != nil {
		t.Fatal(err)
	}
	if err := p.WaitFor(testkit.Context(t), n.LastSeq(t)); err != nil {
		t.Fatal(err)
	}
	s := &Service{Store: store, State: p, Ring: n.Ring, Now: n.Clock.Now, Lagging: func() bool { return false }}
	who := testkit.Envelope(m).GetPatient()
	key := n.Ring.PatientKey(who.GetSystem(), who.GetValue())
	words := m.GetCannulation().GetFacts()[0].GetHoldPlaced().GetReason()
	if words == "" || !bytes.Contains(cardOf(t, s, key), []byte(words)) {
		t.Fatalf("the card does not show %q", words)
	}
	read := s.recent.by[key].read
	for _, later := range []struct {
		after time.Duration
		anew  bool
	}{{9 * time.Minute, false}, {time.Minute, true}, {9 * time.Minute, false}} {
		n.Clock.Advance(later.after)
		cardOf(t, s, key)
		if now := s.recent.by[key].read; now.Equal(read) == later.anew {
			t.Errorf("read at %s, then at %s", read, now)
		}
		read = s.recent.by[key].read
	}
	if err := n.Ring.Destroy(testkit.Context(t), key); err != nil {
		t.Fatal(err)
	}
	if c := cardOf(t, s, key); bytes.Contains(c, []byte(words)) {
		t.Errorf("the card of an erased patient still shows %q:\n%s", words, c)
	}
}

// Of many patients those are kept who were asked for last.
func TestTheDossiersUsedLongestAgoGo(t *testing.T) {
	var r recent
	now := testkit.Noon()
	for i := range 5 {
		k := r.take(fmt.Sprint(i), now.Add(time.Duration(i)*time.Second), 0)
		r.put(k, recentMost/4)
	}
	var left []string
	for i := range 5 {
		if r.by[fmt.Sprint(i)] != nil {
			left = append(left, fmt.Sprint(i))
		}
	}
	if want := "[1 2 3 4]"; fmt.Sprint(left) != want {
		t.Errorf("%v are kept, want %s", left, want)
	}
	r.put(r.take("large", now, 0), 2*recentMost) // used longest ago, and being used
	if len(r.by) != 1 || r.by["large"] == nil {
		t.Errorf("%d are kept beside one that alone is more than the bound", len(r.by)-1)
	}
}
