package grpcapi_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/testkit"
	"cannulary/internal/testkit/tier"
	v1 "cannulary/proto/cannulary/v1"
)

// What an answer says of a message depends on what was sent about the patient before it, and not on how much of that is
// answered yet: a sender who waits for each answer gets the same ones as a sender who waits for none.
func TestAFeedAnswersAsIfTheSenderWaited(t *testing.T) {
	waits, hasty := testkit.Start(t, testkit.Options{}), testkit.Start(t, testkit.Options{})
	// Somebody was admitted at the unit, so that it counts who was not.
	for _, node := range []*testkit.Node{waits, hasty} {
		if _, err := node.Client.Send(testkit.Context(t), testkit.Request(about("first", "P-0"), admission())); err != nil {
			t.Fatal(err)
		}
	}
	notices, refusals := 0, 0
	for seed := range tier.Of[uint64](6, 60) {
		sent := chatter(rand.New(rand.NewPCG(seed, 11)), fmt.Sprint(seed), 60)
		var want []string
		for _, m := range sent {
			a := feed(t, waits.Client, m)[0]
			want = append(want, said(a))
			notices, refusals = notices+len(a.GetNotices()), refusals+len(a.GetReasons())
		}
		for i, a := range feed(t, hasty.Client, sent...) {
			if got := said(a); got != want[i] {
				t.Fatalf("seed %d, message %d, %v, is answered\n%s\nand where the sender waits\n%s", seed, i, sent[i], got, want[i])
			}
		}
	}
	if notices < 50 || refusals < 15 {
		t.Errorf("%d notices and %d refusals say little", notices, refusals)
	}
}

func admission() *v1.RosterFact {
	return &v1.RosterFact{Fact: &v1.RosterFact_PatientAdmitted{PatientAdmitted: &v1.PatientAdmitted{}}}
}

// chatter gives messages about three patients. Many of them have an answer that depends on those before. Each patient has
// an older identifier, under which nothing is sent: a feed keeps the order of each identifier alone.
func chatter(r *rand.Rand, run string, n int) []*v1.FeedRequest {
	var out []*v1.FeedRequest
	earlier := map[string][]string{} // message ids by patient
	for i := range n {
		who := fmt.Sprintf("P-%s-%d", run, r.IntN(3))
		older := who + "-old"
		e := about(fmt.Sprintf("m-%s-%d", run, i), who)
		e.OccurredAt = timestamppb.New(time.Date(2025, time.February, 10, 8+9*r.IntN(5), 0, 0, 0, time.UTC))
		var f proto.Message
		switch kind := r.IntN(10); {
		case kind == 0:
			f = admission()
		case kind == 1:
			f = bornOn(who, fmt.Sprintf("196%d-05-17", r.IntN(2)))
		case kind == 2:
			f = merged(older)
		case kind == 3:
			f = reversed(older)
		case kind == 4:
			f = &v1.RosterFact{Fact: &v1.RosterFact_PatientLeft{PatientLeft: &v1.PatientLeft{Reason: v1.LeavingReason_LEAVING_REASON_DEATH}}}
		case kind == 5:
			f = &v1.RosterFact{Fact: &v1.RosterFact_AccessCreated{AccessCreated: &v1.AccessCreated{Access: "F1",
				Kind: v1.AccessKind_ACCESS_KIND_FISTULA, Side: v1.BodySide(1 + r.IntN(2))}}}
		case kind <= 7 && len(earlier[who]) > 0:
			f = &v1.RosterFact{Fact: &v1.RosterFact_FactVoided{FactVoided: &v1.FactVoided{Reason: "Wrong.",
				Fact: fact(earlier[who][r.IntN(len(earlier[who]))], uint32(r.IntN(3)/2))}}}
		default:
			f, e.Session = needle(), testkit.Session("T-1")
		}
		earlier[who] = append(earlier[who], e.GetSourceMessageId())
		out = append(out, testkit.Request(e, f))
	}
	return out
}

// said is an answer without its ids.
func said(a *v1.FeedResponse) string {
	var reasons []string
	for _, r := range a.GetReasons() {
		reasons = append(reasons, r.GetField()+" "+r.GetDescription())
	}
	return fmt.Sprintf("%s %d\n %s\n %s", a.GetOutcome(), a.GetCode(), strings.Join(reasons, "\n "), strings.Join(a.GetNotices(), "\n "))
}
