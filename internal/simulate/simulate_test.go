package simulate_test

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/simulate"
	v1 "cannulary/proto/cannulary/v1"
)

func anew(t *testing.T, s simulate.Scenario) []*v1.FeedRequest {
	t.Helper()
	var out []*v1.FeedRequest
	if err := simulate.Generate(s, func(m *v1.FeedRequest) error {
		out = append(out, m)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return out
}

// feeds are those that were made before, by scenario.
var feeds sync.Map

// generate makes a scenario's feed once for all tests, which only read it.
func generate(t *testing.T, s simulate.Scenario) []*v1.FeedRequest {
	t.Helper()
	out, ok := feeds.Load(s)
	if !ok {
		out, _ = feeds.LoadOrStore(s, anew(t, s))
	}
	return out.([]*v1.FeedRequest)
}

func defaultFeed(t *testing.T) []*v1.FeedRequest {
	t.Helper()
	return generate(t, simulate.Default())
}

func envelope(m *v1.FeedRequest) *v1.Envelope {
	switch x := m.GetMessage().(type) {
	case *v1.FeedRequest_Roster:
		return x.Roster.GetEnvelope()
	case *v1.FeedRequest_Cannulation:
		return x.Cannulation.GetEnvelope()
	case *v1.FeedRequest_Assessment:
		return x.Assessment.GetEnvelope()
	case *v1.FeedRequest_Surveillance:
		return x.Surveillance.GetEnvelope()
	}
	return nil
}

// facts calls f with the name of each fact's kind, the service's name before it.
func facts(m *v1.FeedRequest, f func(kind string, fact protoreflect.Message)) {
	one := m.ProtoReflect().WhichOneof(m.ProtoReflect().Descriptor().Oneofs().ByName("message"))
	request := m.ProtoReflect().Get(one).Message()
	list := request.Get(request.Descriptor().Fields().ByName("facts")).List()
	for i := range list.Len() {
		fact := list.Get(i).Message()
		kind := fact.WhichOneof(fact.Descriptor().Oneofs().ByName("fact"))
		f(string(one.Name())+"."+string(kind.Name()), fact.Get(kind).Message())
	}
}

// small is quick to make and still has every switch on.
func small() simulate.Scenario {
	s := simulate.Default()
	s.Units, s.Patients, s.Months = 3, 12, 2
	return s
}

func fingerprint(t *testing.T, msgs []*v1.FeedRequest) string {
	t.Helper()
	h := sha256.New()
	for _, m := range msgs {
		b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		h.Write(fmt.Appendf(nil, "%d ", len(b)))
		h.Write(b)
	}
	return fmt.Sprintf("%x", h.Sum(nil))
}

func TestSameScenarioSameBytes(t *testing.T) {
	for name, s := range map[string]simulate.Scenario{"small": small(), "default": simulate.Default()} {
		first, second := fingerprint(t, generate(t, s)), fingerprint(t, anew(t, s))
		if first != second {
			t.Errorf("%s: two runs of one scenario differ: %s, %s", name, first, second)
		}
		s.Seed++
		if fingerprint(t, generate(t, s)) == first {
			t.Errorf("%s: another seed gives the same messages", name)
		}
	}
}

func TestEveryMessageIsValid(t *testing.T) {
	v, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	bad := 0
	for _, m := range defaultFeed(t) {
		if err := v.Validate(m); err != nil {
			t.Errorf("%s: %v", envelope(m).GetSourceMessageId(), err)
			if bad++; bad > 10 {
				t.Fatal("and more")
			}
		}
	}
}

func TestEveryFactKindOccurs(t *testing.T) {
	seen := map[string]int{}
	for _, m := range defaultFeed(t) {
		facts(m, func(kind string, _ protoreflect.Message) { seen[kind]++ })
	}
	feed := (&v1.FeedRequest{}).ProtoReflect().Descriptor().Oneofs().ByName("message").Fields()
	for i := range feed.Len() {
		service := feed.Get(i)
		kinds := service.Message().Fields().ByName("facts").Message().Oneofs().ByName("fact").Fields()
		for j := range kinds.Len() {
			name := string(service.Name()) + "." + string(kinds.Get(j).Name())
			t.Logf("%-50s %7d", name, seen[name])
			if seen[name] == 0 {
				t.Errorf("%s never occurs", name)
			}
		}
	}
}

func TestSizeOfTheDefault(t *testing.T) {
	msgs := defaultFeed(t)
	total, bytes, perSession := 0, 0, map[string][2]int{}
	constant := map[string]bool{}
	sessions := map[string]bool{}
	for _, m := range msgs {
		bytes += proto.Size(m)
		ref := envelope(m).GetSession().GetValue()
		n := 0
		facts(m, func(kind string, fact protoreflect.Message) {
			n++
			switch x := fact.Interface().(type) {
			case *v1.SessionStarted:
				sessions[ref] = true
			case *v1.NeedleInserted:
				if x.GetTrack() != "" {
					constant[ref] = true
				}
			}
		})
		total += n
		c := perSession[ref]
		perSession[ref] = [2]int{c[0] + 1, c[1] + n}
	}
	var sums [2][3]int
	for ref := range sessions {
		i := 0
		if constant[ref] {
			i = 1
		}
		sums[i][0]++
		sums[i][1] += perSession[ref][0]
		sums[i][2] += perSession[ref][1]
	}
	t.Logf("messages %d (%.1f MB), facts %d, sessions %d", len(msgs), float64(bytes)/1e6, total, len(sessions))
	for i, name := range []string{"other", "constant-site"} {
		t.Logf("%s: %d sessions, %.1f messages and %.1f facts each", name, sums[i][0],
			float64(sums[i][1])/float64(sums[i][0]), float64(sums[i][2])/float64(sums[i][0]))
	}
	if n := len(sessions); n < 7650 || n > 10350 {
		t.Errorf("%d sessions, want 9,000 within 15%%", n)
	}
}

func TestIDsAreUniqueButForRepeats(t *testing.T) {
	for _, s := range []simulate.Scenario{small(), simulate.Default()} {
		seen := map[string]*v1.FeedRequest{}
		repeats := 0
		for _, m := range generate(t, s) {
			e := envelope(m)
			id := e.GetSource() + "|" + e.GetSourceMessageId()
			if before, ok := seen[id]; ok {
				repeats++
				if !proto.Equal(before, m) {
					t.Fatalf("%s was sent with two contents", id)
				}
			}
			seen[id] = m
		}
		if repeats == 0 {
			t.Error("nothing was sent again")
		}
	}
	s := small()
	s.Repeats = false
	seen := map[string]bool{}
	for _, m := range generate(t, s) {
		id := envelope(m).GetSource() + "|" + envelope(m).GetSourceMessageId()
		if seen[id] {
			t.Fatalf("%s is repeated although repeats are off", id)
		}
		seen[id] = true
	}
}

func TestReferencesNameEarlierFacts(t *testing.T) {
	kinds := map[string]string{}
	msgs := defaultFeed(t)
	for _, m := range msgs {
		n := 0
		facts(m, func(kind string, _ protoreflect.Message) {
			kinds[fmt.Sprintf("%s/%d", envelope(m).GetSourceMessageId(), n)] = kind
			n++
		})
	}
	for _, m := range msgs {
		facts(m, func(kind string, fact protoreflect.Message) {
			walk(fact, func(x proto.Message) {
				if ref, ok := x.(*v1.FactReference); ok {
					name := fmt.Sprintf("%s/%d", ref.GetSourceMessageId(), ref.GetOrdinal())
					if kinds[name] == "" {
						t.Errorf("%s in %s names %s, which does not exist", kind, envelope(m).GetSourceMessageId(), name)
					}
				}
			})
			if lifted, ok := fact.Interface().(*v1.HoldLifted); ok && lifted.GetHold() == "" {
				t.Error("a lift names no hold")
			}
		})
	}
}

func TestTimes(t *testing.T) {
	for _, s := range []simulate.Scenario{small(), simulate.Default()} {
		zones := map[string]*time.Location{}
		last := s.Until.Format(time.DateOnly)
		late := 0
		var latest time.Time
		for _, m := range generate(t, s) {
			e := envelope(m)
			facts(m, func(_ string, fact protoreflect.Message) {
				if f, ok := fact.Interface().(*v1.FacilityRegistered); ok {
					loc, err := time.LoadLocation(f.GetTimeZone())
					if err != nil {
						t.Fatal(err)
					}
					zones[e.GetFacility()] = loc
					if !strings.Contains(f.GetName(), "(invented)") {
						t.Errorf("facility %q is not marked as invented", f.GetName())
					}
				}
			})
			loc := zones[e.GetFacility()]
			if loc == nil {
				t.Fatalf("%s comes before its facility is registered", e.GetSourceMessageId())
			}
			at := e.GetOccurredAt().AsTime()
			local := at.In(loc)
			if d := local.Format(time.DateOnly); d > last {
				t.Errorf("%s occurs on %s, after %s", e.GetSourceMessageId(), d, last)
			}
			if e.GetSession() != nil && (local.Hour() < 6 || local.Format("15:04") > "23:30") {
				t.Errorf("%s: a session at %s local time", e.GetSourceMessageId(), local.Format("15:04"))
			}
			if ref := e.GetSession().GetValue(); ref != "" && !strings.Contains(ref, local.Format(time.DateOnly)) {
				t.Errorf("session %s has a message on %s", ref, local.Format(time.DateOnly))
			}
			if latest.Sub(at) > time.Hour && e.GetSession() != nil {
				late++
			}
			if at.After(latest) {
				latest = at
			}
		}
		if late == 0 {
			t.Error("nothing arrives late")
		}
	}
}

// TestDaylightSaving: the morning shift begins at the same local time before and after the
// clocks of Europe/Lisbon went back on 25 October 2026 (IANA time zone database).
func TestDaylightSaving(t *testing.T) {
	utc := map[string]int{}
	for _, m := range defaultFeed(t) {
		facts(m, func(_ string, fact protoreflect.Message) {
			ref := envelope(m).GetSession().GetValue()
			if _, ok := fact.Interface().(*v1.SessionStarted); ok && strings.Contains(ref, "S1C") {
				day := strings.TrimPrefix(ref[:len("A-2026-10-24")], "A-")
				h := envelope(m).GetOccurredAt().AsTime().Hour()
				if first, ok := utc[day]; !ok || h < first {
					utc[day] = h
				}
			}
		})
	}
	if utc["2026-10-23"] != 6 || utc["2026-10-26"] != 7 {
		t.Errorf("first morning hour UTC is %d before and %d after the change, want 6 and 7", utc["2026-10-23"], utc["2026-10-26"])
	}
}

func TestGenerateStopsAtTheFirstError(t *testing.T) {
	stop := errors.New("stop")
	n := 0
	err := simulate.Generate(small(), func(*v1.FeedRequest) error {
		if n++; n == 50 {
			return stop
		}
		return nil
	})
	if !errors.Is(err, stop) || n != 50 {
		t.Errorf("got %v after %d messages, want the error of the 50th", err, n)
	}
}

func TestValidate(t *testing.T) {
	if err := simulate.Default().Validate(); err != nil {
		t.Error(err)
	}
	for want, spoil := range map[string]func(*simulate.Scenario){
		"Units":          func(s *simulate.Scenario) { s.Units = 0 },
		"Patients":       func(s *simulate.Scenario) { s.Patients = -1 },
		"Months":         func(s *simulate.Scenario) { s.Months = 121 },
		"Until":          func(s *simulate.Scenario) { s.Until = time.Time{} },
		"OutbreakFactor": func(s *simulate.Scenario) { s.OutbreakFactor = 0 },
	} {
		s := simulate.Default()
		spoil(&s)
		err := s.Validate()
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "give") {
			t.Errorf("%s: error %v does not say where and what to do", want, err)
		}
		if simulate.Generate(s, func(*v1.FeedRequest) error { return nil }) == nil {
			t.Errorf("%s: an invalid scenario is generated", want)
		}
	}
}

func TestShuffle(t *testing.T) {
	msgs := generate(t, small())
	before := slices.Clone(msgs)
	const window = 36 * time.Hour
	got := simulate.Shuffle(msgs, window, 7)
	if !slices.Equal(msgs, before) {
		t.Error("the argument was changed")
	}
	if !slices.Equal(got, simulate.Shuffle(msgs, window, 7)) {
		t.Error("the same seed gives another order")
	}
	if slices.Equal(got, simulate.Shuffle(msgs, window, 8)) {
		t.Error("another seed gives the same order")
	}
	count := map[*v1.FeedRequest]int{}
	for _, m := range msgs {
		count[m]++
	}
	for _, m := range got {
		count[m]--
	}
	for m, n := range count {
		if n != 0 {
			t.Fatalf("%s: %+d after shuffling", envelope(m).GetSourceMessageId(), -n)
		}
	}
	setup := true
	var latest time.Time
	swaps := 0
	for _, m := range got {
		is := false
		facts(m, func(kind string, _ protoreflect.Message) {
			is = is || kind == "roster.facility_registered" || kind == "roster.protocol_adopted"
		})
		if is && !setup {
			t.Errorf("%s comes after other messages", envelope(m).GetSourceMessageId())
		}
		if is {
			continue
		}
		setup = false
		at := envelope(m).GetOccurredAt().AsTime()
		if latest.Sub(at) > window {
			t.Errorf("%s comes %s after a later one", envelope(m).GetSourceMessageId(), latest.Sub(at))
		}
		if at.Before(latest) {
			swaps++
		}
		if at.After(latest) {
			latest = at
		}
	}
	if swaps < len(got)/4 {
		t.Errorf("only %d of %d messages are out of order", swaps, len(got))
	}
}
