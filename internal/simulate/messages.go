package simulate

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	v1 "cannulary/proto/cannulary/v1"
)

// header is what an envelope says beside source, ids and patient.
type header struct {
	at      time.Time // clinical time
	day     bool      // only the day is known
	by      *v1.StaffIdentifier
	session *v1.SessionReference
	sent    time.Time // when the engine sends it; zero: at the clinical time
}

// draft is a message before it has an id. References to other drafts are resolved when
// its day is closed, because ids are given in the order of sending.
type draft struct {
	req     *v1.FeedRequest
	env     *v1.Envelope
	patient *patient
	sent    time.Time
	nth     uint64 // of the patient's messages
	resolve []func()
}

func (u *unit) open(p *patient, h header) *draft {
	precision := v1.TimePrecision_TIME_PRECISION_MINUTE
	if h.day {
		precision = v1.TimePrecision_TIME_PRECISION_DAY
	}
	d := &draft{patient: p, sent: h.sent, env: &v1.Envelope{
		Source: u.source, Facility: u.facility, OccurredAt: timestamppb.New(h.at), Precision: precision,
		Recorder: h.by, Session: h.session, Processing: v1.Processing_PROCESSING_PRODUCTION,
	}}
	if d.sent.IsZero() {
		d.sent = h.at
	}
	if p != nil {
		d.env.Patient = p.identifier()
		d.nth = p.messages
		p.messages++
	}
	u.today = append(u.today, d)
	return d
}

func (u *unit) roster(p *patient, h header, facts ...*v1.RosterFact) *draft {
	d := u.open(p, h)
	d.req = &v1.FeedRequest{Message: &v1.FeedRequest_Roster{Roster: &v1.RecordRosterRequest{Envelope: d.env, Facts: facts}}}
	return d
}

func (u *unit) cannulation(p *patient, h header, facts ...*v1.CannulationFact) *draft {
	d := u.open(p, h)
	d.req = &v1.FeedRequest{Message: &v1.FeedRequest_Cannulation{Cannulation: &v1.RecordCannulationRequest{Envelope: d.env, Facts: facts}}}
	return d
}

func (u *unit) assessment(p *patient, h header, facts ...*v1.AssessmentFact) *draft {
	d := u.open(p, h)
	d.req = &v1.FeedRequest{Message: &v1.FeedRequest_Assessment{Assessment: &v1.RecordAssessmentRequest{Envelope: d.env, Facts: facts}}}
	return d
}

func (u *unit) surveillance(p *patient, h header, facts ...*v1.SurveillanceFact) *draft {
	d := u.open(p, h)
	d.req = &v1.FeedRequest{
		Message: &v1.FeedRequest_Surveillance{Surveillance: &v1.RecordSurveillanceRequest{Envelope: d.env, Facts: facts}}}
	return d
}

// target is a fact that a later message refers to.
type target struct {
	d       *draft
	ordinal int
}

// refer makes a reference to t whose message id is filled in later; the caller hands the
// returned function to the draft that carries it.
func refer(t target) (*v1.FactReference, func()) {
	ref := &v1.FactReference{Ordinal: uint32(t.ordinal)}
	return ref, func() { ref.SourceMessageId = t.d.env.GetSourceMessageId() }
}

// closeDay gives the day's messages their ids in the order of sending and hands them,
// with their times of arrival, to deliver.
func (u *unit) closeDay(deliver func(parcel)) {
	slices.SortStableFunc(u.today, func(a, b *draft) int { return a.sent.Compare(b.sent) })
	for _, d := range u.today {
		u.counter++
		d.env.SourceMessageId = fmt.Sprintf("%s-%06d", u.letters, u.counter)
	}
	for _, d := range u.today {
		for _, f := range d.resolve {
			f()
		}
		d.resolve = nil
		u.dispatch(d, deliver)
	}
	u.today = nil
}

// dispatch decides when a message arrives and whether it comes again.
func (u *unit) dispatch(d *draft, deliver func(parcel)) {
	arrival := d.sent
	if d.patient != nil && u.s.Late {
		c := newChance(u.s.Seed, streamLate, d.patient.key, d.nth)
		if c.hit(0.015) {
			arrival = arrival.Add(time.Duration(c.between(60, 3*24*60)) * time.Minute)
		}
	}
	deliver(parcel{req: d.req, arrival: arrival})
	if d.patient != nil && u.s.Repeats {
		c := newChance(u.s.Seed, streamRepeat, d.patient.key, d.nth)
		if c.hit(0.01) {
			again := arrival.Add(time.Duration(c.between(1, 6*24*60)) * time.Minute)
			deliver(parcel{req: d.req, arrival: again})
		}
	}
}

// parcel is a message on its way.
type parcel struct {
	req     *v1.FeedRequest
	arrival time.Time
	nth     uint64 // order of dispatch, for equal arrivals
}

func compareParcels(a, b parcel) int {
	return cmp.Or(a.arrival.Compare(b.arrival), cmp.Compare(a.nth, b.nth))
}

// post holds parcels until everything that could arrive before them is known.
type post struct {
	waiting []parcel
	end     time.Time // of the period, in the unit where it ends last
	nth     uint64
}

func (q *post) add(p parcel) {
	p.nth = q.nth
	q.nth++
	q.waiting = append(q.waiting, p)
}

// release emits what arrives before limit, in order of arrival. A zero limit releases all. What would arrive after the end
// of the period arrives at its end.
func (q *post) release(limit time.Time, emit func(Delivery) error) error {
	slices.SortFunc(q.waiting, compareParcels)
	n := 0
	for n < len(q.waiting) && (limit.IsZero() || q.waiting[n].arrival.Before(limit)) {
		p := q.waiting[n]
		if p.arrival.After(q.end) {
			p.arrival = q.end
		}
		if err := emit(Delivery{Message: p.req, Arrival: p.arrival}); err != nil {
			return err
		}
		n++
	}
	q.waiting = append([]parcel(nil), q.waiting[n:]...)
	return nil
}
