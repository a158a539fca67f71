package freetext_test

import (
	"bytes"
	"context"
	"errors"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/freetext"
	"cannulary/internal/keyring"
	"cannulary/internal/record"
	"cannulary/internal/testkit"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

const patient = "0123456789abcdef0123456789abcdef"

func event() *logv1.Event {
	return &logv1.Event{Id: record.EventID("invented", "1"), PatientKey: patient, Facts: []*logv1.Fact{
		{Fact: &logv1.Fact_Cannulation{Cannulation: &v1.CannulationFact{Fact: &v1.CannulationFact_HoldPlaced{HoldPlaced: &v1.HoldPlaced{
			Track: "A1", Reason: "swelling, says her daughter"}}}}},
		{Fact: &logv1.Fact_Cannulation{Cannulation: &v1.CannulationFact{Fact: &v1.CannulationFact_TrackPlanned{TrackPlanned: &v1.TrackPlanned{
			Access: "F1", Tracks: []*v1.TrackPlan{{Track: "A1", Landmarks: "two fingers below the scar"}}}}}}},
	}}
}

// What is sealed cannot be read in the log, and opens as it was. Without the key it says why it cannot be read,
// and never stands empty: an empty reason would mean that none was given.
func TestWordsAreSealedWithTheKeyOfThePatient(t *testing.T) {
	ctx := context.Background()
	ring := testkit.Ring(t, t.TempDir())
	ev := event()
	if err := freetext.Seal(ctx, ring, ev); err != nil {
		t.Fatal(err)
	}
	data, err := proto.Marshal(ev)
	if err != nil || !freetext.Sealed(data) || bytes.Contains(data, []byte("daughter")) || bytes.Contains(data, []byte("scar")) ||
		!bytes.Contains(data, []byte("A1")) {
		t.Errorf("sealed it is %q, %v", data, err)
	}
	opened := func() *logv1.Event {
		e := proto.CloneOf(ev)
		if err := freetext.Open(ctx, ring, e); err != nil {
			t.Fatal(err)
		}
		return e
	}
	if e := opened(); !proto.Equal(e, event()) {
		t.Errorf("opened it is %v", e)
	}
	if err := ring.Destroy(ctx, patient); err != nil {
		t.Fatal(err)
	}
	e := opened()
	if got := e.GetFacts()[0].GetCannulation().GetHoldPlaced(); got.GetReason() != freetext.Erased || got.GetTrack() != "A1" {
		t.Errorf("after the erasure it is %v", got)
	}
	// Of a patient who was erased nothing new is kept.
	later := event()
	if err := freetext.Seal(ctx, ring, later); err != nil || later.GetFacts()[1].GetCannulation().GetTrackPlanned().GetTracks()[0].GetLandmarks() != freetext.Erased {
		t.Errorf("later: %v, %v", later, err)
	}
}

// damaged is a ring whose key is damaged.
type damaged struct{}

func (damaged) Seal(context.Context, string, []byte) ([]byte, error) { return nil, keyring.ErrDamaged }
func (damaged) Unseal(context.Context, string, []byte) ([]byte, error) {
	return nil, keyring.ErrDamaged
}

func TestADamagedKeyIsSaid(t *testing.T) {
	ctx := context.Background()
	ev := event()
	if err := freetext.Seal(ctx, damaged{}, proto.CloneOf(ev)); !errors.Is(err, keyring.ErrDamaged) {
		t.Errorf("it seals: %v", err)
	}
	if err := freetext.Seal(ctx, testkit.Ring(t, t.TempDir()), ev); err != nil {
		t.Fatal(err)
	}
	if err := freetext.Open(ctx, damaged{}, ev); err != nil || ev.GetFacts()[0].GetCannulation().GetHoldPlaced().GetReason() != freetext.Unreadable {
		t.Errorf("it opens as %v, %v", ev, err)
	}
}

// Facts about a facility name no patient and are not sealed.
func TestAFacilitysWordsStayAsTheyAre(t *testing.T) {
	ev := event()
	ev.PatientKey = ""
	if err := freetext.Seal(context.Background(), damaged{}, ev); err != nil || ev.GetFacts()[0].GetCannulation().GetHoldPlaced().GetReason() == "" {
		t.Errorf("it is %v, %v", ev, err)
	}
}

// Of each text in the schema somebody has decided whether it is in somebody's own words. A new one fails
// here until it stands in the list of freetext.Is or below.
func TestEveryTextOfTheSchemaWasDecidedUpon(t *testing.T) {
	coded := map[protoreflect.Name]bool{}
	for _, name := range []protoreflect.Name{"access", "basis", "birth_date", "code", "course", "created_on", "date", "display", "effective_from",
		"ends_at", "facility", "family_name", "first_treatment_on", "given_names", "hold", "in_use_since", "last_dose_on", "lot", "month", "name",
		"replaced_by", "review", "shift", "source", "source_message_id", "starts_at", "system", "time_zone", "to_facility", "track", "udi",
		"until", "value", "version", "chair", "event_id", "holidays", "counted_on", "more_holds"} {
		coded[name] = true
	}
	seen := map[protoreflect.FullName]bool{}
	var look func(md protoreflect.MessageDescriptor)
	look = func(md protoreflect.MessageDescriptor) {
		if seen[md.FullName()] || md.ParentFile().Package() != "cannulary.v1" {
			return
		}
		seen[md.FullName()] = true
		for i := range md.Fields().Len() {
			fd := md.Fields().Get(i)
			switch {
			case fd.Message() != nil:
				look(fd.Message())
			case fd.Kind() == protoreflect.StringKind && freetext.Is(fd) == coded[fd.Name()]:
				t.Errorf("%s: is it in somebody's own words? (sealed: %v)", fd.FullName(), freetext.Is(fd))
			}
		}
	}
	for _, m := range []proto.Message{&v1.RosterFact{}, &v1.CannulationFact{}, &v1.AssessmentFact{}, &v1.SurveillanceFact{}} {
		look(m.ProtoReflect().Descriptor())
	}
}
