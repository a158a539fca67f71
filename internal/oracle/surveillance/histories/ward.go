package histories

import (
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/record/zone"
	logv1 "cannulary/proto/cannulary/log/v1"
	v1 "cannulary/proto/cannulary/v1"
)

// Ward is what was posted of a facility and its patients, day by day.
type Ward struct {
	Facility, Elsewhere string
	Zone                func(facility string) *time.Location
	// First is the midnight UTC of the first date, Days what arrived on each date from it on.
	First time.Time
	Days  [][]*logv1.Event
	// Keys are all patient keys.
	Keys []string
}

// ward draws one. Unlike the history of one patient it runs forward, because a chart
// depends on what was known when.
type ward struct {
	*builder
	Ward
	today    int // days since First
	patients []*inmate
	treats   []v1.Weekday
	holidays []string
	limits   []told
	acks     []told
	censuses []told
	// How often things happen, by day.
	infection, answer float64
	long              bool // it lasts for more than a year
	crowd             bool // more than thirty patients
	revised           int
}

// inmate is one patient.
type inmate struct {
	key, other string // other is a second key under which some is posted, mostly none
	access     string
	kind       v1.AccessKind
	constant   bool
	gone       bool
	cultures   []told
	courses    int
}

// MakeWard is the ward of that seed.
func MakeWard(seed uint64) Ward {
	w := &ward{builder: &builder{r: rand.New(rand.NewPCG(seed, seed^0x5851f42d4c957f2d)), where: map[string]string{}}}
	w.Facility, w.Elsewhere = facilities[0], facilities[1]
	at := time.UTC
	if l, err := zone.Load(pick(w.builder, "Europe/Lisbon", "Pacific/Auckland", "America/St_Johns")); err == nil && !w.chance(0.2) {
		at = l
	}
	w.Zone = func(facility string) *time.Location {
		if facility == facilities[0] {
			return at
		}
		return time.UTC
	}
	w.First = time.Date(2025, time.Month(1+w.r.IntN(12)), 1+w.r.IntN(28), 0, 0, 0, 0, time.UTC)
	span := 35 + w.r.IntN(75)
	w.infection, w.answer = pick(w.builder, 0, 0.06, 0.12, 0.2), pick(w.builder, 0.02, 0.1, 0.2)
	quiet, closes := w.r.IntN(2*span), -1 // a stretch of a month and a half without anything
	switch {
	case w.chance(0.04): // a rolling year
		span += 360
		w.long, quiet = true, span
		w.infection, w.answer = w.infection/3, w.answer/3
	case w.chance(0.05): // everybody leaves, and two months and more nothing happens
		closes = w.r.IntN(span)
		quiet, span = span+100, max(span, closes+70+w.r.IntN(30))
	}
	w.Days = make([][]*logv1.Event, span)
	w.register()
	patients := 2 + w.r.IntN(5)
	if w.crowd = !w.long && span > 65 && w.chance(0.04); w.crowd {
		patients += 28
	}
	for i := range patients {
		w.arrives(i)
	}
	for w.today = range span {
		if w.today == closes {
			w.closes()
		}
		if (w.today < quiet || w.today > quiet+45) && (closes < 0 || w.today < closes) {
			w.passes()
		}
	}
	return w.Ward
}

// closes lets everybody leave.
func (w *ward) closes() {
	for _, p := range w.patients {
		w.of(p, w.Facility, w.ago(0), &v1.PatientLeft{Reason: 1})
	}
}

// passes is a day.
func (w *ward) passes() {
	if d := w.date(0); d[8:] == "04" || w.chance(0.01) {
		w.census()
	}
	if w.chance(w.infection) {
		w.infected()
	}
	for len(w.limits) == 0 && w.chance(0.2) || w.chance(0.012) {
		w.limit()
	}
	if len(w.limits) > 0 && w.chance(0.015) {
		w.anew()
	}
	if w.chance(w.answer) {
		w.acknowledge()
	}
	if w.chance(0.05) {
		w.happens()
	}
	if len(w.told) > 0 && w.chance(0.04) {
		w.amend(w.told[w.r.IntN(len(w.told))])
	}
	if len(w.acks) > 0 && w.chance(0.04) {
		w.amend(w.acks[w.r.IntN(len(w.acks))])
	}
	if len(w.limits) > 0 && w.chance(0.008) {
		w.amend(w.limits[w.r.IntN(len(w.limits))])
	}
	if w.chance(0.03) {
		w.assess()
	}
}

// moment is so many days ago, at any hour of the facility's day.
func (w *ward) ago(days int) time.Time {
	d := w.First.AddDate(0, 0, w.today-days)
	return time.Date(d.Year(), d.Month(), d.Day(), w.r.IntN(24), 0, 0, 0, w.Zone(w.Facility)).UTC()
}

// date is the local date so many days ago.
func (w *ward) date(days int) string {
	return w.First.AddDate(0, 0, w.today-days).Format(time.DateOnly)
}

// late is how many days ago something is told that is told today.
func (w *ward) late(most int) int {
	if w.chance(0.6) {
		return 0
	}
	return w.r.IntN(most + 1)
}

// post tells something today.
func (w *ward) post(key, facility string, at time.Time, body proto.Message) told {
	w.posted++
	e := Message(fmt.Sprintf("m%d", w.posted), facility, key, at, body)
	w.Days[w.today] = append(w.Days[w.today], e)
	return told{e, 0, body}
}

// of tells something of a patient.
func (w *ward) of(p *inmate, facility string, at time.Time, body proto.Message) told {
	key := p.key
	if p.other != "" && w.chance(0.4) {
		key = p.other
	}
	t := w.post(key, facility, at, body)
	w.told = append(w.told, t)
	return t
}

func (w *ward) register() {
	all := []v1.Weekday{1, 2, 3, 4, 5, 6}
	w.treats = pick(w.builder, all, all, []v1.Weekday{2, 4, 6}, []v1.Weekday{1, 3, 5}, []v1.Weekday{1, 2, 3, 4, 5, 6, 7})
	for m := range 16 {
		first := time.Date(w.First.Year(), w.First.Month()+time.Month(m), 1, 0, 0, 0, 0, time.UTC)
		for d := range 5 {
			if w.chance(0.15) {
				w.holidays = append(w.holidays, first.AddDate(0, 0, d).Format(time.DateOnly))
			}
		}
	}
	b := &v1.FacilityRegistered{Name: "Unit (invented)", TimeZone: w.Zone(w.Facility).String(), DialysisDays: w.treats,
		Holidays: w.holidays}
	for range w.r.IntN(30) {
		r := &v1.ReferenceRate{AccessKind: v1.AccessKind(pick(w.builder, 1, 1, 1, 1, 2, 3, 4, 5)),
			InfectionClass:       v1.InfectionClass(1 + w.r.IntN(3)),
			Per_100PatientMonths: pick(w.builder, 0.26, 2, 10, 30, 60), Basis: "invented"}
		if r.AccessKind == v1.AccessKind_ACCESS_KIND_FISTULA {
			r.Pattern = v1.NeedlingPattern(w.r.IntN(4))
		}
		same := false
		for _, o := range b.ReferenceRates {
			same = same || o.AccessKind == r.AccessKind && o.InfectionClass == r.InfectionClass &&
				(o.Pattern == r.Pattern || o.Pattern > 1 && r.Pattern > 1)
		}
		if !same { // two for the same would contradict one another
			b.ReferenceRates = append(b.ReferenceRates, r)
		}
	}
	w.post("", w.Facility, w.ago(30), b)
}

// arrives admits a patient, with an access.
func (w *ward) arrives(i int) {
	p := &inmate{key: key(fmt.Sprintf("p%d", i)), access: fmt.Sprintf("A%d", i), kind: v1.AccessKind_ACCESS_KIND_FISTULA}
	w.Keys = append(w.Keys, p.key)
	if w.chance(0.15) {
		p.other = key(fmt.Sprintf("q%d", i))
		w.Keys = append(w.Keys, p.other)
	}
	if w.chance(0.35) {
		p.kind = v1.AccessKind(1 + w.r.IntN(5))
	}
	since := pick(w.builder, 0, 0, 3, 40, 200)
	admitted := &v1.PatientAdmitted{}
	if w.chance(0.2) {
		admitted.FirstTreatmentOn = proto.String(w.date(since - 4))
	}
	if !w.chance(0.05) { // else care alone opens the stay
		w.of(p, w.Facility, w.ago(since), admitted)
	}
	if !w.chance(0.08) {
		w.of(p, w.Facility, w.ago(since), &v1.AccessCreated{Access: p.access, Kind: p.kind})
	}
	if p.kind == v1.AccessKind_ACCESS_KIND_FISTULA && w.chance(0.75) {
		p.constant = true
		w.needled(p, pick(w.builder, 0, 0, 2))
	}
	if w.chance(0.7) {
		w.of(p, w.Facility, w.ago(pick(w.builder, 0, 0, 1, 9)), &v1.SessionStarted{Access: p.access})
	}
	w.patients = append(w.patients, p)
}

func key(name string) string {
	return (strings.Repeat("c", 32) + hex.EncodeToString([]byte(name)))[2*len(name):]
}

func (w *ward) needled(p *inmate, ago int) {
	w.of(p, w.Facility, w.ago(ago), &v1.NeedleInserted{Role: v1.NeedleRole_NEEDLE_ROLE_ARTERIAL, AttemptOrdinal: 1, Access: p.access,
		Track: "T" + p.access, Outcome: v1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL})
}

// happens is what changes who is where and how dialysed.
func (w *ward) happens() {
	p := w.patients[w.r.IntN(len(w.patients))]
	at := w.ago(w.late(12))
	switch w.r.IntN(9) {
	case 0:
		if len(w.patients) < 8 {
			w.arrives(len(w.patients))
		}
	case 1:
		w.of(p, w.Facility, at, &v1.PatientLeft{Reason: v1.LeavingReason(1 + w.r.IntN(4))})
		p.gone = true
	case 2: // back, or to the other unit
		p.gone = w.chance(0.4)
		w.of(p, pick(w.builder, w.Facility, w.Elsewhere), at, &v1.PatientAdmitted{})
	case 3:
		w.of(p, w.Elsewhere, at, &v1.SessionStarted{Access: p.access}) // a guest there
	case 4:
		w.of(p, w.Facility, at, &v1.AccessCreated{Access: p.access + "c", Kind: v1.AccessKind(2 + w.r.IntN(3))})
	case 5:
		w.of(p, w.Facility, at, &v1.AccessRetired{Access: p.access + "c"})
	case 6:
		w.of(p, w.Facility, at, &v1.TrackRetired{Track: "T" + p.access})
		p.constant = false
	case 7:
		if p.other != "" {
			kept, retired := p.key, p.other
			if w.chance(0.5) {
				kept, retired = retired, kept
			}
			t := w.post(kept, w.Facility, at, &logv1.IdentitiesMerged{RetiredPatientKey: retired})
			if w.chance(0.3) {
				w.today = min(w.today+w.r.IntN(5), len(w.Days)-1)
				w.post(kept, w.Facility, t.event.GetOccurredAt().AsTime().Add(time.Hour),
					&logv1.IdentityMergeReversed{RetiredPatientKey: retired})
			}
		}
	case 8:
		w.needled(p, w.late(12))
		p.constant = true
	}
}

// infected is an event, or a cluster of several on one day.
func (w *ward) infected() {
	n := pick(w.builder, 1, 1, 1, 2, 3)
	for range n {
		p := w.patients[w.r.IntN(len(w.patients))]
		ago := pick(w.builder, 0, 0, 0, 1, 1, -1, w.late(25), w.late(25)) // -1: its day has not begun on record
		where := w.Facility
		if w.chance(0.06) {
			where = w.Elsewhere
		}
		switch w.r.IntN(10) {
		default:
			c := &v1.CultureResulted{CollectedAt: timestamppb.New(w.ago(ago)), CollectedPrecision: v1.TimePrecision_TIME_PRECISION_MINUTE,
				Specimen: v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD, Setting: v1.CollectionSetting(pick(w.builder, 0, 1, 1, 1, 1, 2, 3)),
				Growth: v1.CultureGrowth_CULTURE_GROWTH_POSITIVE}
			switch {
			case w.chance(0.12):
				c.Growth = v1.CultureGrowth(w.r.IntN(2)) // nothing grew, or it was not recorded
			case w.chance(0.05):
				c.Specimen = v1.CultureSpecimen_CULTURE_SPECIMEN_ACCESS_SITE
			}
			p.cultures = append(p.cultures, w.of(p, where, w.ago(0), c))
		case 0, 1:
			w.of(p, where, w.ago(ago), &v1.SiteSignsSeen{Access: p.access, Redness: present})
		case 2:
			p.courses++
			w.of(p, where, w.ago(ago), &v1.AntimicrobialStarted{Course: fmt.Sprintf("c%d", p.courses),
				Route: v1.AntimicrobialRoute_ANTIMICROBIAL_ROUTE_INTRAVENOUS})
			if w.chance(0.5) {
				w.of(p, where, w.ago(0), &v1.AntimicrobialEnded{Course: fmt.Sprintf("c%d", p.courses)})
			}
		}
	}
}

func (w *ward) assess() {
	p := w.patients[w.r.IntN(len(w.patients))]
	if len(p.cultures) == 0 {
		return
	}
	c := p.cultures[w.r.IntN(len(p.cultures))]
	t := w.post(c.event.GetPatientKey(), w.Facility, w.ago(0), &v1.SuspectedSourceAssessed{Culture: reference(c),
		SuspectedSource: v1.SuspectedSource(pick(w.builder, 1, 1, 2, 3, 4))})
	w.told = append(w.told, t)
}

// census counts who is there, more or less.
func (w *ward) census() {
	if !w.long && w.chance(0.15) {
		return
	}
	c := &v1.CensusCounted{Month: w.date(0)[:7]}
	if !w.long && w.chance(0.2) {
		c.Month = w.First.AddDate(0, 0, w.today-32).Format("2006-01")
	}
	for _, p := range w.patients {
		if p.gone {
			continue
		}
		switch p.kind {
		case v1.AccessKind_ACCESS_KIND_FISTULA:
			c.Fistula++
			if p.constant {
				c.FistulaOfWhichConstantSite++
			}
		case v1.AccessKind_ACCESS_KIND_GRAFT:
			c.Graft++
		case v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER:
			c.TunneledCatheter++
		case v1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER:
			c.NonTunneledCatheter++
		default:
			c.Other++
		}
	}
	if w.crowd {
		c.Fistula += pick(w.builder, uint32(0), 3, 3, 5)
	} else if w.chance(0.3) {
		c.Fistula += uint32(w.r.IntN(30))
		c.Graft += uint32(w.r.IntN(5))
	}
	c.CountedOn = w.workingDays(c.Month)
	if w.chance(0.2) || len(c.CountedOn) == 0 {
		c.CountedOn = pick(w.builder, nil, []string{"the first week"}, []string{"the first", c.Month + "-02"}, []string{c.Month + "-01"},
			[]string{c.Month + "-02", c.Month + "-03"}, []string{c.Month + "-05", c.Month + "-04"})
	}
	if len(c.CountedOn) == 2 && w.chance(0.2) {
		c.CountedOn[0], c.CountedOn[1] = c.CountedOn[1], c.CountedOn[0]
	}
	t := w.post("", w.Facility, w.ago(w.late(3)), c)
	w.censuses = append(w.censuses, t)
	w.told = append(w.told, t)
}

// workingDays are what the clerk takes for them.
func (w *ward) workingDays(month string) (out []string) {
	t, _ := time.Parse("2006-01", month)
	for d := t; d.Month() == t.Month() && len(out) < 2; d = d.AddDate(0, 0, 1) {
		open := false
		for _, on := range w.treats {
			open = open || int(on)%7 == int(d.Weekday())
		}
		for _, h := range w.holidays {
			open = open && h != d.Format(time.DateOnly)
		}
		if open {
			out = append(out, d.Format(time.DateOnly))
		}
	}
	return out
}

func (w *ward) name() (v1.NeedlingPattern, v1.InfectionClass) {
	return v1.NeedlingPattern(pick(w.builder, 1, 1, 1, 2, 3)), v1.InfectionClass(pick(w.builder, 1, 1, 2, 2, 3))
}

func (w *ward) limit() {
	t := w.post("", w.Facility, w.ago(pick(w.builder, 0, 0, 0, w.late(8))), w.threshold())
	w.limits = append(w.limits, t)
}

// anew sets a threshold anew, with what may be told on that day before and after it.
func (w *ward) anew() {
	old := w.limits[w.r.IntN(len(w.limits))].body.(*v1.SurveillanceThresholdSet)
	answer := func() {
		b := &v1.SurveillanceSignalAcknowledged{Pattern: old.Pattern, InfectionClass: old.InfectionClass, AcknowledgedBy: staff(),
			Reason: "invented"}
		w.acks = append(w.acks, w.post("", w.Facility, w.ago(w.late(4)), b))
	}
	if w.chance(0.6) {
		w.infected()
	}
	if w.chance(0.6) {
		answer()
		if w.chance(0.6) {
			w.infected()
		}
	}
	for range pick(w.builder, 1, 1, 1, 2) {
		b := w.threshold()
		b.Pattern, b.InfectionClass = old.Pattern, old.InfectionClass
		w.limits = append(w.limits, w.post("", w.Facility, w.ago(pick(w.builder, 0, 0, 0, w.late(8))), b))
		if w.chance(0.5) {
			w.infected()
		}
	}
	if w.chance(0.3) {
		answer()
	}
}

func (w *ward) threshold() *v1.SurveillanceThresholdSet {
	b := &v1.SurveillanceThresholdSet{}
	b.Pattern, b.InfectionClass = w.name()
	b.ReferencePer_100PatientMonths = pick(w.builder, 2.0, 10, 20, 60)
	b.RateRatio = pick(w.builder, 2.0, 3, 4)
	b.Threshold = pick(w.builder, 0.6, 1.0, 1.5, 2.2)
	b.InControlMonths, b.SetBy = 60, staff()
	return b
}

func staff() *v1.StaffIdentifier { return &v1.StaffIdentifier{System: system, Value: "lead"} }

// acknowledge answers a chart, whether or not it signals: on time, dated back, or not yet.
func (w *ward) acknowledge() {
	b := &v1.SurveillanceSignalAcknowledged{AcknowledgedBy: staff(), Reason: "invented"}
	b.Pattern, b.InfectionClass = w.name()
	if len(w.limits) > 0 && w.chance(0.8) {
		l := w.limits[w.r.IntN(len(w.limits))].body.(*v1.SurveillanceThresholdSet)
		b.Pattern, b.InfectionClass = l.GetPattern(), l.GetInfectionClass()
	}
	t := w.post("", w.Facility, w.ago(pick(w.builder, 0, 0, 0, 1, w.late(15), w.r.IntN(40))), b)
	w.acks = append(w.acks, t)
}

// amend corrects something or takes it back.
func (w *ward) amend(t told) {
	e := t.event
	at := e.GetOccurredAt().AsTime().Add(time.Hour)
	if w.chance(0.4) {
		void := w.post(e.GetPatientKey(), e.GetFacility(), at, &v1.FactVoided{Fact: reference(t), Reason: "invented"})
		if w.chance(0.25) {
			w.today = min(w.today+w.r.IntN(4), len(w.Days)-1)
			w.post(e.GetPatientKey(), e.GetFacility(), at, &v1.FactVoided{Fact: reference(void), Reason: "invented"})
		}
		return
	}
	var body proto.Message
	switch m := proto.Clone(t.body).(type) {
	case *v1.CultureResulted:
		m.CollectedAt = timestamppb.New(m.GetCollectedAt().AsTime().AddDate(0, 0, -w.r.IntN(9)))
		m.Setting = v1.CollectionSetting(pick(w.builder, 0, 1, 1, 3))
		if w.chance(0.3) {
			m.Growth = v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE
		}
		body = m
	case *v1.SuspectedSourceAssessed:
		m.SuspectedSource = v1.SuspectedSource(1 + w.r.IntN(4))
		body = m
	case *v1.CensusCounted:
		m.Fistula += uint32(w.r.IntN(9))
		body = m
	case *v1.SurveillanceThresholdSet:
		body = w.threshold()
		if w.chance(0.5) {
			body.(*v1.SurveillanceThresholdSet).Pattern, body.(*v1.SurveillanceThresholdSet).InfectionClass = m.Pattern, m.InfectionClass
		}
	case *v1.SurveillanceSignalAcknowledged:
		if w.chance(0.5) {
			m.Pattern, m.InfectionClass = w.name()
		}
		body = m
	default:
		return
	}
	w.revised++
	c := &v1.Correction{Fact: reference(t), Revision: uint32(w.revised), AssertedAt: timestamppb.New(at), Reason: "invented"}
	if w.chance(0.3) {
		c.CorrectedOccurredAt = timestamppb.New(e.GetOccurredAt().AsTime().AddDate(0, 0, -w.r.IntN(6)))
		c.CorrectedPrecision = v1.TimePrecision_TIME_PRECISION_DAY
	}
	w.post(e.GetPatientKey(), e.GetFacility(), at, correcting(c, body))
}
