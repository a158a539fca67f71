package intake

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/fault"
	"cannulary/internal/record/zone"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// futureTolerance is how far a sender's clock may be ahead.
const futureTolerance = 5 * time.Minute

// futureRule is the id of the rule about the future.
const futureRule = "time.future"

// furthest is the zone in which a day begins first. It stands for the zone of an unknown
// facility.
var furthest = time.FixedZone("UTC+14", 14*60*60)

// calendar is the time at the facility of a message.
type calendar struct {
	now  time.Time
	zone *time.Location // nil if it is not known
}

// today returns the latest local date (YYYY-MM-DD) that can have begun.
func (c calendar) today() string {
	return zone.Date(c.now.Add(futureTolerance), cmp.Or(c.zone, furthest))
}

// date returns the local date of t. If the zone is not known, it is the date that the sender
// most likely meant.
func (c calendar) date(t time.Time) string { return zone.Date(t, cmp.Or(c.zone, time.UTC)) }

// precisionOf returns how exactly the time in a field of m is known; unspecified if the schema
// has no such field beside it.
func precisionOf(m protoreflect.Message, fd protoreflect.FieldDescriptor) cannularyv1.TimePrecision {
	name := strings.TrimSuffix(strings.TrimSuffix(string(fd.Name()), "at"), "occurred_") + "precision"
	p := m.Descriptor().Fields().ByName(protoreflect.Name(name))
	if p == nil || p.Kind() != protoreflect.EnumKind {
		return cannularyv1.TimePrecision_TIME_PRECISION_UNSPECIFIED
	}
	return cannularyv1.TimePrecision(m.Get(p).Enum())
}

// times checks that nothing is said to have happened in the future. A fact that is known to the
// day is in the future if that day has not begun.
func times(m protoreflect.Message, c calendar) []fault.Violation {
	var bad []fault.Violation
	fields(m, "", func(path string, in protoreflect.Message, fd protoreflect.FieldDescriptor, v protoreflect.Value) {
		if fd.Kind() != protoreflect.MessageKind || fd.IsList() {
			return
		}
		ts, ok := v.Message().Interface().(*timestamppb.Timestamp)
		switch {
		case !ok:
		case ts.CheckValid() != nil:
			bad = append(bad, fault.Violation{Field: path, Rule: "time.valid",
				Description: "is not a valid time: seconds must lie between years 1 and 9999, nanos between 0 and 999,999,999"})
		case precisionOf(in, fd) == cannularyv1.TimePrecision_TIME_PRECISION_DAY:
			if d := c.date(ts.AsTime()); d > c.today() {
				bad = append(bad, fault.Violation{Field: path, Rule: futureRule,
					Description: fmt.Sprintf("is the day %s, in the future; at most the facility's local day (%s) is allowed", d,
						c.today())})
			}
		case ts.AsTime().After(c.now.Add(futureTolerance)):
			bad = append(bad, fault.Violation{Field: path, Rule: futureRule,
				Description: fmt.Sprintf("is %s, in the future; at most 5 minutes after the service's clock (%s) are allowed",
					ts.AsTime().Format(time.RFC3339), c.now.UTC().Format(time.RFC3339))})
		}
	})
	return bad
}

// notAhead are the dates and months that cannot lie in the future.
var notAhead = map[protoreflect.FullName]string{
	"cannulary.v1.IdentityStated.birth_date": "nobody is born",
	"cannulary.v1.AccessCreated.created_on":  "no access is created",
	"cannulary.v1.CensusCounted.month":       "no month is counted",
	"cannulary.v1.CensusCounted.counted_on":  "nobody is counted",
}

// ahead returns a violation for a date or month in the future that cannot lie there.
func (c calendar) ahead(path string, fd protoreflect.FieldDescriptor, s string) []fault.Violation {
	what, ok := notAhead[fd.FullName()]
	if !ok || !matches(pattern(fd), s) || s <= c.today()[:len(s)] {
		return nil
	}
	return []fault.Violation{{Field: path, Rule: "date.future",
		Description: fmt.Sprintf("is %sin the future, where %s; at most %s is allowed", unlessBirth(fd, s+", "), what, c.today()[:len(s)])}}
}

// moment is a clinical time with its precision.
type moment struct {
	at        time.Time
	precision cannularyv1.TimePrecision
}

// when returns the time of the message's facts.
func (m Message) when() moment {
	return moment{m.Envelope.GetOccurredAt().AsTime(), m.Envelope.GetPrecision()}
}

// before reports whether a lies before b, as far as both are known.
func (c calendar) before(a, b moment) bool {
	either := func(p cannularyv1.TimePrecision) bool { return a.precision == p || b.precision == p }
	switch {
	case either(cannularyv1.TimePrecision_TIME_PRECISION_DAY):
		return c.zone != nil && c.date(a.at) < c.date(b.at)
	case either(cannularyv1.TimePrecision_TIME_PRECISION_MINUTE):
		return a.at.Truncate(time.Minute).Before(b.at.Truncate(time.Minute))
	}
	return a.at.Before(b.at)
}

// resulted refuses a culture whose result is older than its specimen. path is the culture's.
func (c calendar) resulted(path string, culture *cannularyv1.CultureResulted, result moment) []fault.Violation {
	if culture == nil || result.at.Unix() <= 0 {
		return nil // a missing time is refused already
	}
	collected := moment{culture.GetCollectedAt().AsTime(), culture.GetCollectedPrecision()}
	if !c.before(result, collected) {
		return nil
	}
	return []fault.Violation{{Field: path + ".collected_at", Rule: "culture.collected",
		Description: fmt.Sprintf("is %s, after the result, which is of %s; a specimen is taken before it gives a result", c.says(collected),
			c.says(result))}}
}

// says returns a moment in words, as exactly as it is known.
func (c calendar) says(m moment) string {
	if m.precision == cannularyv1.TimePrecision_TIME_PRECISION_DAY {
		return c.date(m.at)
	}
	return m.at.Format(time.RFC3339)
}

// cultures checks the message's cultures. A correction that leaves the time of the result as it
// was is checked together with the fact that it corrects.
func cultures(m Message, c calendar) []fault.Violation {
	var bad []fault.Violation
	for i, f := range m.facts {
		s, ok := f.(*cannularyv1.SurveillanceFact)
		if !ok {
			continue
		}
		at := fmt.Sprintf("facts[%d]", i)
		bad = append(bad, c.resulted(at+".culture_resulted", s.GetCultureResulted(), m.when())...)
		if k := s.GetFactCorrected().GetCorrection(); k.GetCorrectedOccurredAt() != nil {
			bad = append(bad, c.resulted(at+".fact_corrected.replacement.culture_resulted", s.GetFactCorrected().GetReplacement().
				GetCultureResulted(),
				moment{k.GetCorrectedOccurredAt().AsTime(), k.GetCorrectedPrecision()})...)
		}
	}
	return bad
}
