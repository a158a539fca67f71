// Package histories draws invented histories of one patient for infection surveillance:
// stays at several facilities, treatments as a guest, accesses and tracks that come and go,
// cultures around stays in hospital, courses of antimicrobials, signs of infection. Facts
// are corrected, taken back, posted under two identities, and arrive in any order. All of it
// is invented.
package histories

import (
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

const (
	source = "engine-x"
	system = "urn:invented"
)

// History is what was posted of one patient.
type History struct {
	// Events are in the order of arrival.
	Events []*logv1.Event
	// Zone gives the time zone of each facility.
	Zone func(facility string) *time.Location
	// Zones are the names of the time zones by facility.
	Zones map[string]string
	// Patient is one of the patient's keys, Other the one that facts may be posted under as well.
	Patient, Other string
}

// Facts takes the events apart, in the order of arrival.
func (h History) Facts() ([]record.Fact, error) {
	var out []record.Fact
	for i, e := range h.Events {
		facts, err := record.Facts(e, uint64(i+1), time.Unix(int64(i), 0))
		if err != nil {
			return nil, fmt.Errorf("event %d: %w", i, err)
		}
		out = append(out, facts...)
	}
	return out, nil
}

// Items decides what stands of some of the facts, those of the patient's merged identities.
func (h History) Items(all []record.Fact) []record.Item {
	var own []record.Fact
	for _, key := range h.identities(all).Group(h.Patient) {
		for _, f := range all {
			if f.PatientKey == key {
				own = append(own, f)
			}
		}
	}
	return record.Effective(own)
}

// Survivor is the key that the patient is known by.
func (h History) Survivor(all []record.Fact) string { return h.identities(all).Survivor(h.Patient) }

func (h History) identities(all []record.Fact) *record.Identities {
	var merges []record.Item
	for _, key := range []string{h.Patient, h.Other} {
		var own []record.Fact
		for _, f := range all {
			if f.PatientKey == key {
				own = append(own, f)
			}
		}
		for _, it := range record.Effective(own) {
			if it.Kind == record.KindPatientsMerged || it.Kind == record.KindMergeReversed {
				merges = append(merges, it)
			}
		}
	}
	return record.Resolve(merges)
}

// told is a fact that was said, so that a later one can take it up.
type told struct {
	event   *logv1.Event
	ordinal int
	body    proto.Message
}

type builder struct {
	r      *rand.Rand
	name   string
	zones  [3]*time.Location
	first  time.Time
	span   int // days that the history lasts
	events []*logv1.Event
	told   []told
	posted int
	keys   [2]string

	home     int // facility of the stay
	accesses []string
	tracks   []string
	where    map[string]string // access of each track
	courses  int
	cultures []told
}

var facilities = [3]string{"invented-east", "invented-north", "invented-south"}

// Make is the history of that seed. Dates lie close together, so that both sides of every
// boundary are met often.
func Make(seed uint64) History { return Named("", seed) }

// Named is Make with a source, keys and facilities that carry the name, of at most 8
// letters and digits, so that many histories can stand in one log.
func Named(name string, seed uint64) History {
	key := func(letter string) string {
		return (strings.Repeat(letter, 32) + hex.EncodeToString([]byte(name)))[2*len(name):]
	}
	b := &builder{
		name: name, r: rand.New(rand.NewPCG(seed, seed^0x9e3779b97f4a7c15)), where: map[string]string{},
		keys: [2]string{key("a"), key("b")},
	}
	h := History{Patient: b.keys[0], Other: b.keys[1], Zones: map[string]string{}}
	places := [3]string{"Europe/Lisbon", "Pacific/Auckland", "America/St_Johns"}
	for i, name := range places {
		b.zones[i], h.Zones[facilities[i]+b.name] = time.UTC, "UTC"
		if l, err := zone.Load(name); err == nil && !b.chance(0.2) {
			b.zones[i], h.Zones[facilities[i]+b.name] = l, name
		}
	}
	b.first = time.Date(2025, time.Month(1+b.r.IntN(12)), 1+b.r.IntN(28), 0, 0, 0, 0, time.UTC)
	b.span = 20 + b.r.IntN(130)
	b.home = b.r.IntN(3)
	for range 4 + b.r.IntN(40) {
		b.something()
	}
	b.amendments()
	if b.chance(0.2) {
		b.merge()
	}
	b.r.Shuffle(len(b.events), func(i, j int) { b.events[i], b.events[j] = b.events[j], b.events[i] })
	zones := b.zones
	h.Events = b.events
	h.Zone = func(facility string) *time.Location {
		for i, f := range facilities {
			if f+b.name == facility {
				return zones[i]
			}
		}
		return nil
	}
	return h
}

func (b *builder) chance(p float64) bool { return b.r.Float64() < p }

func pick[T any](b *builder, choices ...T) T { return choices[b.r.IntN(len(choices))] }

// moment is any minute of any day; many share one.
func (b *builder) moment() time.Time {
	d := b.first.AddDate(0, 0, b.r.IntN(b.span))
	return d.Add(time.Duration(pick(b, 0, 7, 12, 12, 12, 18, 23)) * time.Hour)
}

// date is a local day near a moment, or none.
func (b *builder) date(at time.Time, spread int) *string {
	if b.chance(0.5) {
		return nil
	}
	return proto.String(at.AddDate(0, 0, b.r.IntN(2*spread+1)-spread).Format(time.DateOnly))
}

// facility is mostly that of the stay.
func (b *builder) facility() string {
	if b.chance(0.85) {
		return facilities[b.home]
	}
	return facilities[b.r.IntN(3)]
}

// Message is what the log holds of one message of the invented source.
func Message(id, facility, patient string, at time.Time, bodies ...proto.Message) *logv1.Event {
	e := &logv1.Event{
		Id: record.EventID(source, id), Source: source, SourceMessageId: id, Facility: facility, PatientKey: patient,
		OccurredAt: timestamppb.New(at), Precision: v1.TimePrecision_TIME_PRECISION_MINUTE,
	}
	for _, body := range bodies {
		e.Facts = append(e.Facts, wrap(body))
	}
	return e
}

// say posts one message.
func (b *builder) say(at time.Time, facility string, bodies ...proto.Message) []told {
	b.posted++
	message := fmt.Sprintf("m%d", b.posted)
	e := Message(message, facility+b.name, b.keys[0], at)
	e.Source += b.name
	e.Id = record.EventID(e.Source, message)
	if b.chance(0.2) {
		e.Session = &v1.SessionReference{System: system, Value: at.Format("s20060102")}
	}
	var out []told
	for i, body := range bodies {
		e.Facts = append(e.Facts, wrap(body))
		out = append(out, told{e, i, body})
	}
	b.events = append(b.events, e)
	b.told = append(b.told, out...)
	return out
}

func reference(t told) *v1.FactReference {
	return &v1.FactReference{SourceMessageId: t.event.GetSourceMessageId(), Ordinal: uint32(t.ordinal)}
}

// amendments correct and take back.
func (b *builder) amendments() {
	if b.chance(0.5) {
		return
	}
	for range 1 + b.r.IntN(4) {
		t := b.told[b.r.IntN(len(b.told))]
		at := t.event.GetOccurredAt().AsTime().Add(time.Hour)
		switch {
		case b.chance(0.35):
			void := b.say(at, strings.TrimSuffix(t.event.GetFacility(), b.name), &v1.FactVoided{Fact: reference(t), Reason: "invented"})
			if b.chance(0.3) {
				b.say(at, strings.TrimSuffix(t.event.GetFacility(), b.name), &v1.FactVoided{Fact: reference(void[0]), Reason: "invented"})
			}
		case b.chance(0.1) && t.event.GetSession() != nil:
			b.say(at, strings.TrimSuffix(t.event.GetFacility(), b.name), &v1.SessionVoided{Session: t.event.GetSession(),
				Reason: "invented"})
		default:
			body := b.changed(t.body)
			if body == nil {
				continue
			}
			c := &v1.Correction{Fact: reference(t), Revision: uint32(1 + b.r.IntN(3)), AssertedAt: timestamppb.New(at), Reason: "invented"}
			if b.chance(0.5) {
				moved := t.event.GetOccurredAt().AsTime().AddDate(0, 0, b.r.IntN(9)-4)
				c.CorrectedOccurredAt, c.CorrectedPrecision = timestamppb.New(moved), v1.TimePrecision_TIME_PRECISION_DAY
			}
			b.say(at, strings.TrimSuffix(t.event.GetFacility(), b.name), correcting(c, body))
		}
	}
}

// merge posts a part of the messages under a second identity and merges the two.
func (b *builder) merge() {
	for _, e := range b.events {
		if b.chance(0.3) {
			e.PatientKey = b.keys[1]
		}
	}
	survivor, retired := b.keys[0], b.keys[1]
	if b.chance(0.5) {
		survivor, retired = retired, survivor
	}
	post := func(body proto.Message) {
		t := b.say(b.moment(), b.facility(), body)
		t[0].event.PatientKey = survivor
	}
	post(&logv1.IdentitiesMerged{RetiredPatientKey: retired})
	if b.chance(0.2) {
		post(&logv1.IdentityMergeReversed{RetiredPatientKey: retired})
	}
}
