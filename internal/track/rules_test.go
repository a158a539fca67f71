package track_test

import (
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	v1 "cannulary/proto/cannulary/v1"
)

// sentence is one sentence of the trade with what follows from it.
type sentence struct {
	says  string
	told  func(s *story)
	day   int
	finds string // standing findings of the rules asked about, "rule severity", sorted, ", " between
	holds string // rules of the open holds
	next  track.Needle
}

// TestEveryRuleHasItsSentence reads as the rules of the trade. The numbers are those of the
// rule table (package rule), which names the basis of each: "this project's own", "common practice, no
// source", or a source with how far it is known. Each sentence fails when its rule is gone,
// and each rule of the table has sentences (checked at the end).
func TestEveryRuleHasItsSentence(t *testing.T) {
	used := map[string]bool{}
	for _, c := range slices.Concat(planSentences(), sessionSentences(), examinationSentences(), trendSentences(), seenSentences(),
		unusedSentences(), heldSentences()) {
		t.Run(c.says, func(t *testing.T) {
			s := tell(t)
			c.told(s)
			j := s.judge(c.day)
			got := map[string]bool{}
			for _, f := range j.Standing() {
				got[f.Rule+" "+string(f.Severity)] = true
				explained(t, &f)
			}
			var finds []string
			for f := range got {
				finds = append(finds, f)
			}
			sort.Strings(finds)
			if strings.Join(finds, ", ") != c.finds {
				t.Errorf("found %q, want %q", strings.Join(finds, ", "), c.finds)
			}
			var holds []string
			for _, h := range j.Open() {
				holds = append(holds, h.Rule)
				if h.Text == "" || h.Clears == "" || h.Asked == "" || h.Ground == "" || h.Since.IsZero() ||
					len(h.Tracks)+len(h.Accesses) == 0 {
					t.Errorf("the hold does not explain itself: %+v", h)
				}
			}
			sort.Strings(holds)
			if strings.Join(slices.Compact(holds), ", ") != c.holds {
				t.Errorf("held by %q, want %q", holds, c.holds)
			}
			if c.next != "" {
				if st := s.on(c.day); st.Next.Needle != c.next {
					t.Errorf("next is %s (%s), want %s", st.Next.Needle, st.Next.Why, c.next)
				}
			}
		})
		for _, f := range strings.Split(c.finds+", "+c.holds, ", ") {
			used[strings.Fields(f + " -")[0]] = true
		}
	}
	for _, r := range rule.All() {
		// A plan or protocol below six is refused by the schema before there is a fact: see the
		// refusals that package grpcapi tests. A merge without effect is found in TestAMergeWithoutEffectIsFound.
		if !used[r.Code] && r.Code != rule.FloorSix && r.Code != rule.MergeWithoutEffect {
			t.Errorf("no sentence finds %s", r.Code)
		}
	}
}

// explained tells that a finding says what was seen, by which rule, since when, on which
// facts and what would clear it, in a severity that the table allows.
func explained(t *testing.T, f *track.Finding) {
	t.Helper()
	r, known := rule.Of(f.Rule)
	if !known || f.Seen == "" || f.Asked == "" || f.Clears == "" || len(f.Facts) == 0 || f.Since.IsZero() || f.ID == "" {
		t.Errorf("the finding does not explain itself: %+v", f)
	}
	if f.Severity != r.Severity && f.Severity != r.Graver {
		t.Errorf("%s is a %s, which the table does not know", f.Rule, f.Severity)
	}
}

// A fixed rule is a definition or a safety rule: no protocol has a parameter for it. Every
// parameter that a policy rule names is a field of the schema.
func TestFixedRulesHaveNoParameter(t *testing.T) {
	fields := (&v1.Protocol{}).ProtoReflect().Descriptor().Fields()
	named := map[string]bool{}
	for _, r := range rule.All() {
		if r.Fixed && len(r.Parameters) > 0 {
			t.Errorf("%s is fixed and names parameters", r.Code)
		}
		if r.Asks == "" || r.Basis == "" || r.Clears == "" || r.Severity == "" {
			t.Errorf("%s is not whole: %+v", r.Code, r)
		}
		if (r.Severity == rule.Stop || r.Graver == rule.Stop) != (r.Holds != rule.NoHold) && r.Code != rule.FloorSix {
			t.Errorf("%s: a stop holds something, and only a stop", r.Code)
		}
		for _, p := range r.Parameters {
			named[p] = true
			if fields.ByName(protoreflect.Name(p)) == nil {
				t.Errorf("%s names %s, which is no field of Protocol", r.Code, p)
			}
		}
	}
	// Parameters that no finding rests on: the length of the trial, and what the card shows.
	for _, p := range []string{"trial_sessions", "antiseptics", "topical_prophylaxis", "deputies_max"} {
		named[p] = true
	}
	for i := range fields.Len() {
		if f := string(fields.Get(i).Name()); !named[f] {
			t.Errorf("no rule reads %s", f)
		}
	}
}

// An edge that closes a cycle, or merges a retired identity again, has no effect and is found.
func TestAMergeWithoutEffectIsFound(t *testing.T) {
	s := tell(t).planned(0)
	items := s.items(1)
	j := track.Fold(track.Input{Items: items, Refused: items[:1], Book: protocol.NewBook(nil),
		Zone: func(string) *time.Location { return time.UTC }, AsOf: on(1)})
	st := j.Standing()
	if len(st) != 1 || st[0].Rule != rule.MergeWithoutEffect || st[0].Facts[0] != items[0].ID {
		t.Fatalf("found %+v", st)
	}
	explained(t, &st[0])
	items[0].Kind = record.KindMergeReversed
	j = track.Fold(track.Input{Items: items, Refused: items[:1], Book: protocol.NewBook(nil),
		Zone: func(string) *time.Location { return time.UTC }, AsOf: on(1)})
	if got, want := j.Standing()[0].Seen, "a reversal of a merge had no effect: no such merge stood then"; got != want {
		t.Errorf("of a reversal it says %q", got)
	}
}
