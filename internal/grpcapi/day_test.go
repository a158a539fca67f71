package grpcapi_test

import (
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/testkit"
	v1 "cannulary/proto/cannulary/v1"
)

const toTheDay = v1.TimePrecision_TIME_PRECISION_DAY

// A fact known to the day is taken from the start of that local day on, at whichever instant of
// it the sender puts it: the clock stands at 07:00 in the unit, the instant is noon or later.
func TestTodayIsTakenInTheMorning(t *testing.T) {
	n := testkit.Start(t, testkit.Options{Unregistered: true})
	registration := testkit.Registration()
	registration.GetRoster().GetFacts()[0].GetFacilityRegistered().TimeZone = "America/Lima" // UTC-5, no summer time
	if _, err := n.Client.Send(testkit.Context(t), registration); err != nil {
		t.Fatal(err)
	}
	onDay := func(at string) []*v1.FeedRequest {
		return []*v1.FeedRequest{
			change("cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) {
				e.OccurredAt, e.Precision, e.SourceMessageId = testkit.At(at), toTheDay, "needle "+at
			}),
			change("cannulation fact_corrected needle_inserted", func(m *v1.FeedRequest, e *v1.Envelope) {
				c := m.GetCannulation().GetFacts()[0].GetFactCorrected().GetCorrection()
				c.CorrectedOccurredAt, c.CorrectedPrecision, e.SourceMessageId = testkit.At(at), toTheDay, "correction "+at
			}),
			change("surveillance culture_resulted", func(m *v1.FeedRequest, e *v1.Envelope) {
				c := m.GetSurveillance().GetFacts()[0].GetCultureResulted()
				e.OccurredAt, e.Precision, e.SourceMessageId = testkit.At(at), toTheDay, "culture "+at
				c.CollectedAt, c.CollectedPrecision = testkit.At(at), toTheDay
			}),
		}
	}
	for _, at := range []string{"2025-03-03T05:00:00Z", "2025-03-03T17:00:00Z", "2025-03-04T04:59:59Z"} {
		for _, m := range onDay(at) {
			if _, err := n.Client.Send(testkit.Context(t), m); err != nil {
				t.Errorf("%s: %v", at, err)
			}
		}
	}
	const tomorrow = "is the day 2025-03-04, in the future; at most the facility's local day (2025-03-03) is allowed"
	for _, m := range onDay("2025-03-04T05:00:00Z") {
		_, err := n.Client.Send(testkit.Context(t), m)
		if v := testkit.Violations(err); status.Code(err) != codes.OutOfRange || len(v) == 0 || v[0].GetDescription() != tomorrow {
			t.Errorf("the next day: %v", err)
		}
	}
	// It begins at midnight in the unit, by a clock that may run five minutes ahead.
	n.Clock.Advance(testkit.At("2025-03-04T04:54:59Z").AsTime().Sub(testkit.Noon()))
	ask := testkit.ValidateOnly(onDay("2025-03-04T17:00:00Z")[0])
	if _, err := n.Client.Send(testkit.Context(t), ask); status.Code(err) != codes.OutOfRange {
		t.Errorf("before midnight: %v", err)
	}
	n.Clock.Advance(time.Second)
	testkit.Eventually(t, "tomorrow is taken", func() bool {
		_, err := n.Client.Send(testkit.Context(t), ask)
		if c := status.Code(err); c != codes.OK && c != codes.Unavailable {
			t.Fatal(err)
		}
		return err == nil
	})
	// To the minute it is in the future as ever.
	if _, err := n.Client.Send(testkit.Context(t), change("cannulation needle_inserted", func(_ *v1.FeedRequest, e *v1.Envelope) {
		e.OccurredAt, e.SourceMessageId = testkit.At("2025-03-04T17:00:00Z"), "minute"
	})); status.Code(err) != codes.OutOfRange {
		t.Errorf("to the minute: %v", err)
	}
}

// Result and specimen of one minute, or of one day, are taken however their instants lie.
func TestAResultInTheMinuteOfItsSpecimen(t *testing.T) {
	n := testkit.Start(t, testkit.Options{})
	culture := func(id, result, collected string, p v1.TimePrecision) *v1.FeedRequest {
		return change("surveillance culture_resulted", func(m *v1.FeedRequest, e *v1.Envelope) {
			c := m.GetSurveillance().GetFacts()[0].GetCultureResulted()
			e.SourceMessageId, e.OccurredAt, e.Precision = id, testkit.At(result), p
			c.CollectedAt, c.CollectedPrecision = testkit.At(collected), v1.TimePrecision_TIME_PRECISION_SECOND
		})
	}
	for _, m := range []*v1.FeedRequest{
		culture("minute", "2025-02-03T07:30:00Z", "2025-02-03T07:30:40Z", v1.TimePrecision_TIME_PRECISION_MINUTE),
		culture("day", "2025-02-03T00:00:00Z", "2025-02-03T23:59:59Z", toTheDay),
		culture("second", "2025-02-03T07:30:40Z", "2025-02-03T07:30:40Z", v1.TimePrecision_TIME_PRECISION_SECOND),
	} {
		if _, err := n.Client.Send(testkit.Context(t), m); err != nil {
			t.Error(err)
		}
	}
	// A correction that leaves the time of the result is held against that time.
	replaced := func(collected string) *v1.SurveillanceFact {
		c := proto.CloneOf(testkit.SampleOf("surveillance culture_resulted").GetSurveillance().GetFacts()[0])
		c.GetCultureResulted().CollectedAt = testkit.At(collected)
		return &v1.SurveillanceFact{Fact: &v1.SurveillanceFact_FactCorrected{FactCorrected: &v1.SurveillanceFactCorrected{
			Correction: &v1.Correction{Fact: fact("second", 0), Revision: 1, AssertedAt: testkit.At("2025-02-04T08:00:00Z"), Reason: "Another specimen."}, Replacement: c}}}
	}
	_, err := n.Client.Send(testkit.Context(t), testkit.Request(about("late", "INV-0001"), replaced("2025-02-03T07:31:00Z")))
	const want = refused + "facts[0].fact_corrected.replacement.culture_resulted.collected_at: is 2025-02-03T07:31:00Z, after the result, which is of 2025-02-03T07:30:40Z; a specimen is taken before it gives a result" + correct
	if status.Convert(err).Message() != want {
		t.Errorf("%v", err)
	}
	if _, err := n.Client.Send(testkit.Context(t), testkit.Request(about("earlier", "INV-0001"), replaced("2025-02-03T07:30:00Z"))); err != nil {
		t.Error(err)
	}
}
