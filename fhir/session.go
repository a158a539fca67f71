package fhir

import (
	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
	"cmp"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// pumpSpeed renders the blood pump speed of a session, where it is recorded.
func (r *rendering) pumpSpeed(v *uint32, access string) {
	if v == nil {
		return
	}
	o := r.observation(r.derived("blood-pump-speed"), therapy, "blood-pump-speed", r.places("", access), nil)
	o.ValueQuantity = quantity(float64(*v), unitFlow)
	r.addObservation(o)
}

func (r *rendering) sessionEnded(b *cannularyv1.SessionEnded) {
	r.pumpSpeed(b.PumpSpeedMillilitresPerMinute, b.GetAccess())
	c := r.components(2)
	c.count("treated-time", b.TreatedMinutes, unitMinute)
	c.enum("ended-early", b.GetEndedEarly())
	if len(c.list) == 0 {
		return
	}
	o := r.observation(r.derived("treatment-details"), therapy, "treatment-details", r.places("", b.GetAccess()), nil)
	o.Component = c.list
	r.addObservation(o)
}

// treatment is what the facts of one session say of it as a whole.
type treatment struct {
	first   *record.Fact // any fact of the session, for what all have in common
	started *record.Fact // the first start
	ended   *record.Fact // the last end
	missed  *record.Fact // the first
	chair   *record.Fact // the first fact of the chair
	access  string
}

// gather reads the facts of a session, those that are taken back only if wanted.
func gather(items []record.Item, void bool) treatment {
	var t treatment
	for i := range items {
		f := &items[i].Fact
		if items[i].Void && !void || !f.HasSession() || roster(f) {
			continue
		}
		if t.first == nil {
			t.first = f
		}
		switch b := f.Body.(type) {
		case *cannularyv1.SessionStarted:
			if t.started == nil {
				t.started = f
				t.access = b.GetAccess()
			}
		case *cannularyv1.SessionEnded:
			t.ended = f
			if t.access == "" {
				t.access = b.GetAccess()
			}
		case *cannularyv1.SessionMissed:
			if t.missed == nil {
				t.missed = f
			}
		case *cannularyv1.AccessExamined, *cannularyv1.SitePrepared, *cannularyv1.NeedleInserted, *cannularyv1.NeedleRemoved,
			*cannularyv1.PegPlaced, *cannularyv1.PegRemoved, *cannularyv1.PegFoundMissing, *cannularyv1.VenousPressureRead:
			if t.chair == nil {
				t.chair = f
			}
		}
	}
	return t
}

// roster reports whether the fact is about people and places rather than about care; it
// then says nothing of a session, even under a session reference.
func roster(f *record.Fact) bool {
	if f.Body == nil {
		return true
	}
	switch f.Body.ProtoReflect().Descriptor().ParentFile().Path() {
	case "cannulary/v1/roster.proto", "cannulary/log/v1/event.proto":
		return true
	}
	return false
}

// session renders the Procedure of the session itself. There is one where a fact of care
// carries a session reference. If every such fact is taken back, so is the session.
func session(c Context, items []record.Item) (Resource, bool, error) {
	t := gather(items, false)
	r := rendering{Context: c}
	if t.first == nil {
		t = gather(items, true)
		r.void = true
	}
	if t.first == nil {
		return Resource{}, false, nil
	}
	r.f = t.first
	p := r.procedure(t.first.Session, "category-treatment", "haemodialysis", model.EventStatusUnknown, nil)
	p.PartOf, p.PerformedDateTime, p.Recorder = nil, nil, nil
	p.Identifier = identifier(t.first.SessionSystem, t.first.SessionValue)
	p.Extension = r.target("", t.access)
	if !r.void {
		p.Status = t.status()
	}
	if t.started != nil {
		p.Recorder = practitioner(t.started.Recorder)
	}
	if t.missed != nil {
		if t.started != nil || t.ended != nil {
			p.Note = append(p.Note, note("The messages say both that this session took place and that it did not.")...)
		}
		p.StatusReason = r.enum(t.missed.Body.(*cannularyv1.SessionMissed).GetReason())
	}
	when := t.performed(p, c)
	body, err := p.MarshalJSON()
	r.fail(err)
	return Resource{
		Type: "Procedure", ID: *p.Id, Patient: r.subject(t.first.PatientKey), Profile: profileOf(p.Code), Body: body,
		Index: indexProcedure(p, when),
	}, true, r.err
}

// status follows from which facts stand. A start without an end is a session in
// progress, however long ago: there is no clock here.
func (t *treatment) status() model.EventStatus {
	switch {
	case t.missed != nil && (t.started != nil || t.ended != nil):
		return model.EventStatusUnknown
	case t.missed != nil:
		return model.EventStatusNotDone
	case t.ended != nil:
		return model.EventStatusCompleted
	case t.started != nil:
		return model.EventStatusInProgress
	}
	return model.EventStatusUnknown
}

// performed sets when the session took place: from start to end as far as told, else the
// day of its first fact at the chair or the day on which it was missed.
func (t *treatment) performed(p *model.Procedure, c Context) []Period {
	if t.started == nil && t.ended == nil {
		f := cmp.Or(t.chair, t.missed)
		if f == nil {
			return nil
		}
		m := moment{f.At, day}
		p.PerformedDateTime = m.dateTime(c.Zone)
		return []Period{m.period("date", c.Zone)}
	}
	out := Period{Param: "date", Low: BeginningOfTime(), High: EndOfTime()}
	p.PerformedPeriod = &model.Period{}
	var start, end moment
	if t.started != nil {
		start = moment{t.started.At, t.started.Precision}
	}
	if t.ended != nil {
		end = moment{t.ended.At, t.ended.Precision}
	}
	if t.started != nil && t.ended != nil {
		// Both ends with the coarser precision: R4 requires that the start does not come
		// after the end, and "from 18:00 until that day" cannot be compared.
		coarser := min(start.precision, end.precision)
		start.precision, end.precision = coarser, coarser
		from, _ := start.bounds(c.Zone)
		_, until := end.bounds(c.Zone)
		if !from.Before(until) {
			p.Note = append(p.Note, note("The end on record lies before the start and is left out.")...)
			end = moment{}
		}
	}
	if !start.at.IsZero() {
		p.PerformedPeriod.Start = start.dateTime(c.Zone)
		out.Low, _ = start.bounds(c.Zone)
	}
	if !end.at.IsZero() {
		p.PerformedPeriod.End = end.dateTime(c.Zone)
		out.High = end.period("date", c.Zone).High
	}
	return []Period{out}
}
