package grpcapi_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

const (
	refused = "the message is refused: "
	clocks  = ". Have a person compare both clocks and the sender's time zone: if the service's clock was wrong, send the same message again once it is right, else correct the fields named; nothing was stored"
	correct = ". Correct the fields named and send it again under a new message id or the same one; nothing was stored"
)

// text is one refusal that an outside user can meet: how, the code, every violation's
// field, and the whole text.
type text struct {
	name   string
	m      *v1.FeedRequest
	code   codes.Code
	fields string // parted by spaces
	text   string
}

// change is a sample with a change.
func change(sample string, f func(m *v1.FeedRequest, env *v1.Envelope)) *v1.FeedRequest {
	m := testkit.SampleOf(sample)
	f(m, testkit.Envelope(m))
	return m
}

// after is a time after the nodes' clock.
func after(d time.Duration) *timestamppb.Timestamp { return timestamppb.New(testkit.Noon().Add(d)) }

func contradictions() []text {
	var mixed []proto.Message
	for _, name := range []string{"roster schedule_set", "roster census_counted"} {
		mixed = append(mixed, testkit.SampleOf(name).GetRoster().GetFacts()[0])
	}
	env := testkit.Envelope(testkit.SampleOf("roster schedule_set"))
	without := proto.CloneOf(env)
	without.Patient = nil
	return []text{
		{
			"a census about a patient",
			change("roster census_counted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.Patient = testkit.Patient("INV-0001") }), codes.InvalidArgument, "envelope.patient",
			refused + "envelope.patient: must be absent: facts[0] (census_counted) is about a facility or a member of staff; send it in a message of its own" + correct,
		},
		{
			"a corrected census about a patient",
			change("roster fact_corrected census_counted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.Patient = testkit.Patient("INV-0001") }), codes.InvalidArgument, "envelope.patient",
			refused + "envelope.patient: must be absent: facts[0] (census_counted) is about a facility or a member of staff; send it in a message of its own" + correct,
		},
		{
			"a schedule of nobody",
			change("roster schedule_set", func(_ *v1.FeedRequest, e *v1.Envelope) { e.Patient = nil }), codes.InvalidArgument, "envelope.patient",
			refused + "envelope.patient: is required: facts[0] (schedule_set) is about a patient" + correct,
		},
		{
			"patient and facility in one message, with a patient",
			testkit.Request(env, mixed...), codes.InvalidArgument, "envelope.patient",
			refused + "envelope.patient: must be absent: facts[1] (census_counted) is about a facility or a member of staff; send it in a message of its own" + correct,
		},
		{
			"patient and facility in one message, without a patient",
			testkit.Request(without, mixed...), codes.InvalidArgument, "envelope.patient",
			refused + "envelope.patient: is required: facts[0] (schedule_set) is about a patient" + correct,
		},
		{
			"a needle in nobody",
			change("cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.Patient = nil }), codes.InvalidArgument, "envelope.patient",
			refused + "envelope.patient: is required: facts[0] (needle_inserted) is about a patient" + correct,
		},
		{
			"a corrected needle in nobody",
			change("cannulation fact_corrected needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.Patient = nil }), codes.InvalidArgument, "envelope.patient",
			refused + "envelope.patient: is required: facts[0] (fact_corrected) is about a patient" + correct,
		},
		{
			"a void of nobody's culture",
			change("surveillance fact_voided", func(_ *v1.FeedRequest, e *v1.Envelope) { e.Patient = nil }), codes.InvalidArgument, "envelope.patient",
			refused + "envelope.patient: is required: facts[0] (fact_voided) is about a patient" + correct,
		},
		{
			"a correction of a merge",
			change("roster fact_corrected schedule_set", func(m *v1.FeedRequest, _ *v1.Envelope) {
				m.GetRoster().GetFacts()[0].GetFactCorrected().Replacement = testkit.SampleOf("roster patients_merged").GetRoster().GetFacts()[0]
			}), codes.InvalidArgument, "facts[0].fact_corrected.replacement",
			refused + "facts[0].fact_corrected.replacement: a merge or its reversal cannot be corrected; void it with fact_voided and send the right one as a new fact" + correct,
		},
		{
			"a correction of a reversal",
			change("roster fact_corrected schedule_set", func(m *v1.FeedRequest, _ *v1.Envelope) {
				m.GetRoster().GetFacts()[0].GetFactCorrected().Replacement = testkit.SampleOf("roster merge_reversed").GetRoster().GetFacts()[0]
			}), codes.InvalidArgument, "facts[0].fact_corrected.replacement",
			refused + "facts[0].fact_corrected.replacement: a merge or its reversal cannot be corrected; void it with fact_voided and send the right one as a new fact" + correct,
		},
	}
}

func impossibleTimes() []text {
	const late = "at most 5 minutes after the service's clock (2025-03-03T12:00:00Z) are allowed"
	return []text{
		{
			"a needle of the future",
			change("cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.OccurredAt = after(5*time.Minute + time.Second) }), codes.OutOfRange, "envelope.occurred_at",
			refused + "envelope.occurred_at: is 2025-03-03T12:05:01Z, in the future; " + late + clocks,
		},
		{
			"a culture of the future",
			change("surveillance culture_resulted", func(m *v1.FeedRequest, _ *v1.Envelope) {
				m.GetSurveillance().GetFacts()[0].GetCultureResulted().CollectedAt = after(24 * time.Hour)
			}), codes.OutOfRange, "facts[0].culture_resulted.collected_at",
			refused + "facts[0].culture_resulted.collected_at: is 2025-03-04T12:00:00Z, in the future; " + late + clocks,
		},
		{
			"a correction of the future, to the future",
			change("cannulation fact_corrected needle_inserted", func(m *v1.FeedRequest, _ *v1.Envelope) {
				c := m.GetCannulation().GetFacts()[0].GetFactCorrected().GetCorrection()
				c.AssertedAt, c.CorrectedOccurredAt = after(time.Hour), after(2*time.Hour)
			}), codes.OutOfRange, "facts[0].fact_corrected.correction.asserted_at facts[0].fact_corrected.correction.corrected_occurred_at",
			refused + "facts[0].fact_corrected.correction.asserted_at: is 2025-03-03T13:00:00Z, in the future; " + late +
				"; facts[0].fact_corrected.correction.corrected_occurred_at: is 2025-03-03T14:00:00Z, in the future; " + late + clocks,
		},
		{
			"no time that there is",
			change("cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) {
				e.OccurredAt = &timestamppb.Timestamp{Seconds: 1, Nanos: 2_000_000_000}
			}), codes.InvalidArgument, "envelope.occurred_at",
			refused + "envelope.occurred_at: is not a valid time: seconds must lie between years 1 and 9999, nanos between 0 and 999,999,999" + correct,
		},
		{
			"30 February",
			change("roster protocol_adopted", func(m *v1.FeedRequest, _ *v1.Envelope) {
				m.GetRoster().GetFacts()[0].GetProtocolAdopted().EffectiveFrom = "2025-02-30"
			}), codes.InvalidArgument, "facts[0].protocol_adopted.effective_from",
			refused + `facts[0].protocol_adopted.effective_from: is "2025-02-30", a day that the calendar does not have` + correct,
		},
		{
			"29 February of a common year, among holidays",
			change("roster facility_registered", func(m *v1.FeedRequest, _ *v1.Envelope) {
				m.GetRoster().GetFacts()[0].GetFacilityRegistered().Holidays = []string{"2024-02-29", "2025-02-29"}
			}), codes.InvalidArgument, "facts[0].facility_registered.holidays[1]",
			refused + `facts[0].facility_registered.holidays[1]: is "2025-02-29", a day that the calendar does not have` + correct,
		},
		{
			"an unknown time zone",
			change("roster facility_registered", func(m *v1.FeedRequest, _ *v1.Envelope) {
				m.GetRoster().GetFacts()[0].GetFacilityRegistered().TimeZone = "Europe/Atlantis"
			}), codes.InvalidArgument, "facts[0].facility_registered.time_zone",
			refused + `facts[0].facility_registered.time_zone: is "Europe/Atlantis", not an IANA time zone; allowed are names such as Europe/Lisbon` + correct,
		},
		{
			"the time zone of whatever machine",
			change("roster facility_registered", func(m *v1.FeedRequest, _ *v1.Envelope) {
				m.GetRoster().GetFacts()[0].GetFacilityRegistered().TimeZone = "Local"
			}), codes.InvalidArgument, "facts[0].facility_registered.time_zone",
			refused + `facts[0].facility_registered.time_zone: is "Local", not an IANA time zone; allowed are names such as Europe/Lisbon` + correct,
		},
	}
}

// unseenCharacters are identifiers with what nobody sees.
func unseenCharacters() []text {
	patient := func(v string) func(*v1.FeedRequest, *v1.Envelope) {
		return func(_ *v1.FeedRequest, e *v1.Envelope) { e.Patient = testkit.Patient(v) }
	}
	var out []text
	add := func(name, sample string, f func(*v1.FeedRequest, *v1.Envelope), field, says string) {
		out = append(out, text{name, change(sample, f), codes.InvalidArgument, field, refused + field + ": " + says + correct})
	}
	const without = "; send it without"
	add("a patient with a carriage return behind", "cannulation needle_inserted", patient("INV-0001\r"), "envelope.patient.value", "has U+000D, a control character, as character 9 of 9"+without)
	add("a patient with a line feed behind", "cannulation needle_inserted", patient("INV-0001\n"), "envelope.patient.value", "has U+000A, a control character, as character 9 of 9"+without)
	add("a patient with a tab before", "cannulation needle_inserted", patient("\tINV-0001"), "envelope.patient.value", "has U+0009, a control character, as character 1 of 9"+without)
	add("a patient with a no-break space behind", "cannulation needle_inserted", patient("INV-0001\u00a0"), "envelope.patient.value", "has U+00A0, a space, as character 9 of 9"+without)
	add("a patient with a space behind, within allowed", "cannulation needle_inserted", patient("INV 0001 "), "envelope.patient.value", "has U+0020, a space, as character 9 of 9"+without)
	add("a patient with a zero-width space within", "cannulation needle_inserted", patient("INV\u200b0001"), "envelope.patient.value", "has U+200B, a format character, which is invisible, as character 4 of 8"+without)
	add("a patient with a line separator within", "cannulation needle_inserted", patient("INV\u20280001"), "envelope.patient.value", "has U+2028, a line break, as character 4 of 8"+without)
	add("a NUL in a patient's number", "cannulation needle_inserted", patient("INV\x000001"), "envelope.patient.value", "has U+0000, a control character, as character 4 of 8"+without)
	add("a session with a soft hyphen", "cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.Session.Value = "T\u00ad1" },
		"envelope.session.value", "has U+00AD, a format character, which is invisible, as character 2 of 3"+without)
	add("a recorder with an ideographic space", "cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.Recorder.Value = "S-1\u3000" },
		"envelope.recorder.value", "has U+3000, a space, as character 4 of 4"+without)
	add("a message id with a line feed", "cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.SourceMessageId = "1\n" },
		"envelope.source_message_id", "has U+000A, a control character, as character 2 of 2"+without)
	add("a source with a byte order mark", "cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.Source = "\ufeffengine-a" },
		"envelope.source", "must be 1 to 64 letters, digits, dots, underscores, colons or hyphens, beginning with a letter or digit; it has U+FEFF, a format character, which is invisible, as character 1 of 9")
	add("a track with a no-break space", "cannulation needle_inserted", func(m *v1.FeedRequest, _ *v1.Envelope) {
		m.GetCannulation().GetFacts()[0].GetNeedleInserted().Track = "A1\u00a0"
	}, "facts[0].needle_inserted.track", "must be 1 to 64 letters, digits, dots, underscores, colons or hyphens, beginning with a letter or digit; it has U+00A0, a space, as character 3 of 3")
	add("a patient's system with a line feed", "cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.Patient.System += "\n" },
		"envelope.patient.system", "must be a valid URI; it has U+000A, a control character, as character 40 of 40")
	add("a second identifier with a tab", "roster identity_stated", func(m *v1.FeedRequest, _ *v1.Envelope) {
		m.GetRoster().GetFacts()[0].GetIdentityStated().Identifiers[0].Value = "7\t"
	}, "facts[0].identity_stated.identifiers[0].value", "has U+0009, a control character, as character 2 of 2"+without)
	return out
}

// impossible are facts that cannot be true. The clock stands at noon of 3 March 2025, in Lisbon.
func impossible() []text {
	const none = "must be after 1970-01-01T00:00:00Z, which a system sends when it knows no time; send when it happened"
	culture := func(f func(c *v1.CultureResulted, e *v1.Envelope)) *v1.FeedRequest {
		return change("surveillance culture_resulted", func(m *v1.FeedRequest, e *v1.Envelope) {
			f(m.GetSurveillance().GetFacts()[0].GetCultureResulted(), e)
		})
	}
	one := func(name string, m *v1.FeedRequest, field, says string) text {
		return text{name, m, codes.InvalidArgument, field, refused + field + ": " + says + correct}
	}
	const order = "a specimen is taken before it gives a result"
	return []text{
		one("the beginning of all clocks", change("cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.OccurredAt = &timestamppb.Timestamp{} }), "envelope.occurred_at", none),
		one("a specimen of that time", culture(func(c *v1.CultureResulted, _ *v1.Envelope) { c.CollectedAt = &timestamppb.Timestamp{} }), "facts[0].culture_resulted.collected_at", none),
		one("a result a minute before its specimen", culture(func(c *v1.CultureResulted, e *v1.Envelope) {
			e.OccurredAt, c.CollectedAt = testkit.At("2025-02-03T07:29:00Z"), testkit.At("2025-02-03T07:30:00Z")
		}), "facts[0].culture_resulted.collected_at", "is 2025-02-03T07:30:00Z, after the result, which is of 2025-02-03T07:29:00Z; "+order),
		one("a result the day before its specimen", culture(func(c *v1.CultureResulted, e *v1.Envelope) {
			e.OccurredAt, e.Precision = testkit.At("2025-02-02T23:59:00Z"), v1.TimePrecision_TIME_PRECISION_DAY
			c.CollectedAt = testkit.At("2025-02-03T00:01:00Z")
		}), "facts[0].culture_resulted.collected_at", "is 2025-02-03T00:01:00Z, after the result, which is of 2025-02-02; "+order),
		one("a result corrected to before its specimen", change("surveillance fact_corrected site_signs_seen", func(m *v1.FeedRequest, _ *v1.Envelope) {
			c := m.GetSurveillance().GetFacts()[0].GetFactCorrected()
			c.Correction.CorrectedOccurredAt = testkit.At("2025-01-01T07:00:00Z")
			c.Replacement = testkit.SampleOf("surveillance culture_resulted").GetSurveillance().GetFacts()[0]
			c.GetReplacement().GetCultureResulted().CollectedAt = testkit.At("2025-01-02T07:00:00Z")
		}), "facts[0].fact_corrected.replacement.culture_resulted.collected_at", "is 2025-01-02T07:00:00Z, after the result, which is of 2025-01-01T07:00:00Z; "+order),
		one("a birth tomorrow", change("roster identity_stated", func(m *v1.FeedRequest, _ *v1.Envelope) {
			m.GetRoster().GetFacts()[0].GetIdentityStated().BirthDate = "2025-03-04"
		}), "facts[0].identity_stated.birth_date", "is in the future, where nobody is born; at most 2025-03-03 is allowed"),
		one("an access of tomorrow", change("roster access_created", func(m *v1.FeedRequest, _ *v1.Envelope) {
			m.GetRoster().GetFacts()[0].GetAccessCreated().CreatedOn = proto.String("2025-03-04")
		}), "facts[0].access_created.created_on", "is 2025-03-04, in the future, where no access is created; at most 2025-03-03 is allowed"),
		one("a census of next month", change("roster census_counted", func(m *v1.FeedRequest, _ *v1.Envelope) {
			c := m.GetRoster().GetFacts()[0].GetCensusCounted()
			c.Month, c.CountedOn = "2025-04", []string{"2025-03-03"}
		}), "facts[0].census_counted.month", "is 2025-04, in the future, where no month is counted; at most 2025-03 is allowed"),
		one("a census counted tomorrow", change("roster census_counted", func(m *v1.FeedRequest, _ *v1.Envelope) {
			m.GetRoster().GetFacts()[0].GetCensusCounted().CountedOn = []string{"2025-03-03", "2025-03-04"}
		}), "facts[0].census_counted.counted_on[1]", "is 2025-03-04, in the future, where nobody is counted; at most 2025-03-03 is allowed"),
		{"a day that has not begun", change("cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) {
			e.OccurredAt, e.Precision = testkit.At("2025-03-04T00:00:00Z"), v1.TimePrecision_TIME_PRECISION_DAY
		}), codes.OutOfRange, "envelope.occurred_at", refused + "envelope.occurred_at: is the day 2025-03-04, in the future; at most the facility's local day (2025-03-03) is allowed" + clocks},
	}
}

func otherTexts() []text {
	gauge := func(n uint32) func(*v1.FeedRequest, *v1.Envelope) {
		return func(m *v1.FeedRequest, _ *v1.Envelope) {
			m.GetCannulation().GetFacts()[0].GetNeedleInserted().Gauge = proto.Uint32(n)
		}
	}
	return []text{
		{
			"a gauge of 3", change("cannulation needle_inserted", gauge(3)), codes.InvalidArgument, "facts[0].needle_inserted.gauge",
			refused + "facts[0].needle_inserted.gauge: must be greater than or equal to 13 and less than or equal to 18" + correct,
		},
		{
			"a protocol of five sessions",
			change("roster protocol_adopted", func(m *v1.FeedRequest, _ *v1.Envelope) {
				m.GetRoster().GetFacts()[0].GetProtocolAdopted().GetProtocol().FormingSessionsTarget = proto.Uint32(5)
			}), codes.InvalidArgument, "facts[0].protocol_adopted.protocol.forming_sessions_target",
			refused + "facts[0].protocol_adopted.protocol.forming_sessions_target: must be greater than or equal to 6 and less than or equal to 40" + correct,
		},
		{
			"a track taken over as resting",
			change("cannulation track_taken_over", func(m *v1.FeedRequest, _ *v1.Envelope) {
				m.GetCannulation().GetFacts()[0].GetTrackTakenOver().Stage = v1.TrackStage_TRACK_STAGE_RESTING
			}), codes.InvalidArgument, "facts[0].track_taken_over.stage",
			refused + "facts[0].track_taken_over.stage: must be one of TRACK_STAGE_FORMING, TRACK_STAGE_TRIAL, TRACK_STAGE_ESTABLISHED" + correct,
		},
		{
			"no day of the week",
			change("roster schedule_set", func(m *v1.FeedRequest, _ *v1.Envelope) {
				m.GetRoster().GetFacts()[0].GetScheduleSet().Days = []v1.Weekday{0}
			}), codes.InvalidArgument, "facts[0].schedule_set.days[0]",
			refused + "facts[0].schedule_set.days[0]: must be one of WEEKDAY_MONDAY, WEEKDAY_TUESDAY, WEEKDAY_WEDNESDAY, WEEKDAY_THURSDAY, WEEKDAY_FRIDAY, WEEKDAY_SATURDAY, WEEKDAY_SUNDAY" + correct,
		},
		{
			"a void of no fact",
			change("cannulation fact_voided", func(m *v1.FeedRequest, _ *v1.Envelope) {
				m.GetCannulation().GetFacts()[0].GetFactVoided().Fact = nil
			}), codes.InvalidArgument, "facts[0].fact_voided.fact",
			refused + "facts[0].fact_voided.fact: is required" + correct,
		},
		{
			"a fact of no kind",
			change("cannulation fact_voided", func(m *v1.FeedRequest, _ *v1.Envelope) { m.GetCannulation().GetFacts()[0].Fact = nil }), codes.InvalidArgument, "facts[0].fact",
			refused + "facts[0].fact: is required: exactly one of its kinds must be set" + correct,
		},
		{
			"the service's own name",
			change("cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.Source = "cannulary" }), codes.InvalidArgument, "envelope.source",
			refused + `envelope.source: is "cannulary", the service's own name; any other name is allowed` + correct,
		},
		{
			"a NUL in a text",
			change("cannulation complication_seen", func(m *v1.FeedRequest, _ *v1.Envelope) {
				m.GetCannulation().GetFacts()[0].GetComplicationSeen().Note = "seen\x00"
			}), codes.InvalidArgument, "facts[0].complication_seen.note",
			refused + "facts[0].complication_seen.note: holds a NUL character; text without one is allowed" + correct,
		},
		{
			"no envelope", change("cannulation peg_placed", func(m *v1.FeedRequest, _ *v1.Envelope) { m.GetCannulation().Envelope = nil }), codes.InvalidArgument, "envelope envelope.patient",
			refused + "envelope: is required; envelope.patient: is required: facts[0] (peg_placed) is about a patient" + correct,
		},
		{
			"an unknown facility",
			change("cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.Facility = "invented-west" }), codes.FailedPrecondition, "envelope.facility",
			`facility "invented-west" is not registered: envelope.facility: "invented-west" is not registered; a registered facility is allowed. ` +
				"Send facility_registered for it first, or correct the facility's code; nothing was stored",
		},
		{
			"an id used before with other content",
			change("cannulation needle_inserted", func(m *v1.FeedRequest, e *v1.Envelope) { e.SourceMessageId = "used"; gauge(16)(m, e) }), codes.AlreadyExists, "envelope.source_message_id",
			`message id "used" of source "engine-a" was used before with other content (event 83e09d80a71a3678c4357cd5d1a21c60); nothing was stored: ` +
				"envelope.source_message_id: must be an id that this source never used with other content. " +
				"Send new facts under a new id, changes as fact_corrected; if the source restarted its counter, give it a new source name",
		},
	}
}

// TestRefusalTexts checks each refusal by its whole text, asked and sent alike; neither
// appends anything.
func TestRefusalTexts(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	used := change("cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.SourceMessageId = "used" })
	if _, err := n.Client.Send(testkit.Context(t), used); err != nil {
		t.Fatal(err)
	}
	before := n.LastSeq(t)
	for _, c := range slices.Concat(contradictions(), impossibleTimes(), unseenCharacters(), impossible(), otherTexts()) {
		for how, m := range map[string]*v1.FeedRequest{"sent": c.m, "asked": testkit.ValidateOnly(c.m)} {
			_, err := n.Client.Send(testkit.Context(t), m)
			st := status.Convert(err)
			var fields []string
			for _, v := range testkit.Violations(err) {
				fields = append(fields, v.GetField())
			}
			if st.Code() != c.code || st.Message() != c.text || strings.Join(fields, " ") != c.fields {
				t.Errorf("%s, %s: %v %v\n got %q\nwant %q", c.name, how, st.Code(), fields, st.Message(), c.text)
			}
		}
	}
	if got := n.LastSeq(t); got != before {
		t.Errorf("something was appended: %d → %d", before, got)
	}
	if got := n.Outcomes.Of("cannulation", "conflict"); got != 1 {
		t.Errorf("%d conflicts counted, want the 1 that was sent and not the one that was asked", got)
	}
}

// TestFiveMinutesAheadAreTaken is the other side of the boundary.
func TestFiveMinutesAheadAreTaken(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	for name, m := range map[string]*v1.FeedRequest{
		"occurred_at": change("cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) { e.OccurredAt = after(5 * time.Minute) }),
		"collected_at": change("surveillance culture_resulted", func(m *v1.FeedRequest, e *v1.Envelope) {
			e.OccurredAt = after(5 * time.Minute)
			m.GetSurveillance().GetFacts()[0].GetCultureResulted().CollectedAt = after(5 * time.Minute)
		}),
		"asserted_at, corrected_occurred_at": change("cannulation fact_corrected needle_inserted", func(m *v1.FeedRequest, _ *v1.Envelope) {
			c := m.GetCannulation().GetFacts()[0].GetFactCorrected().GetCorrection()
			c.AssertedAt, c.CorrectedOccurredAt = after(5*time.Minute), after(5*time.Minute)
		}),
	} {
		if _, err := n.Client.Send(testkit.Context(t), m); err != nil {
			t.Errorf("%s five minutes ahead: %v", name, err)
		}
		n.Clock.Advance(-time.Nanosecond)
		if _, err := n.Client.Send(testkit.Context(t), testkit.ValidateOnly(m)); status.Code(err) != codes.OutOfRange {
			t.Errorf("%s a nanosecond more than five minutes ahead: %v", name, err)
		}
		n.Clock.Advance(time.Nanosecond)
	}
}

// TestLogFull fills a small log: the sender learns that nothing was stored, and that it
// may send again.
func TestLogFull(t *testing.T) {
	n := testkit.Start(t, testkit.Options{MaxBytes: 8 << 10})
	m := testkit.SampleOf("cannulation needle_inserted")
	var err error
	var last uint64
	for i := 0; err == nil && i < 100; i++ {
		last = n.LastSeq(t)
		testkit.Envelope(m).SourceMessageId = time.Duration(i).String()
		_, err = n.Client.Send(testkit.Context(t), m)
	}
	const want = "the log is full: nothing was stored. Ask the operator to raise the log's limit, then send the message again"
	if st := status.Convert(err); st.Code() != codes.ResourceExhausted || st.Message() != want {
		t.Errorf("%v", err)
	}
	if got := n.LastSeq(t); got != last || got < 5 {
		t.Errorf("the log holds %d entries, %d before the refusal", got, last)
	}
	if e := testkit.Event(t, n.Log, 1); e.GetFacts()[0].GetGenesis() == nil {
		t.Error("the oldest entry is gone")
	}
	f := n.Client.Feed(t)
	if err := f.Send(m); err != nil {
		t.Fatal(err)
	}
	if r, err := f.Recv(); err != nil || !r.GetRetry() || r.GetCode() != uint32(codes.ResourceExhausted) {
		t.Errorf("on the feed: %v, %v", r, err)
	}
}

// TestUnavailableTells stops the log under the service.
func TestUnavailableTells(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	n.NATS.Close()
	_, err := n.Client.Send(testkit.Context(t), testkit.SampleOf("cannulation needle_inserted"))
	const want = "the log did not confirm the message: it may or may not be stored. Send the same message again; a resend never makes a second fact"
	st := status.Convert(err)
	if st.Code() != codes.Unavailable || st.Message() != want {
		t.Errorf("%v", err)
	}
	retry := false
	for _, d := range st.Details() {
		info, ok := d.(*errdetails.RetryInfo)
		retry = retry || ok && info.GetRetryDelay().AsDuration() == time.Second
	}
	if !retry {
		t.Errorf("no delay is told: %v", st.Details())
	}
}
