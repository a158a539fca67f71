package rule_test

import (
	"regexp"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

func TestTheTableIsWhole(t *testing.T) {
	fields := (&cannularyv1.Protocol{}).ProtoReflect().Descriptor().Fields()
	grave := map[rule.Severity]int{rule.Note: 1, rule.Caution: 2, rule.Stop: 3}
	kebab := regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)
	seen := map[string]bool{}
	for _, r := range rule.All() {
		if !kebab.MatchString(r.Code) || seen[r.Code] {
			t.Errorf("%q is no code, or stands twice", r.Code)
		}
		seen[r.Code] = true
		if r.Asks == "" || r.Basis == "" || r.Clears == "" || grave[r.Severity] == 0 {
			t.Errorf("%s is not whole: %+v", r.Code, r)
		}
		if r.Graver != "" && grave[r.Graver] <= grave[r.Severity] {
			t.Errorf("%s: %s is not graver than %s", r.Code, r.Graver, r.Severity)
		}
		stops := r.Severity == rule.Stop || r.Graver == rule.Stop
		// A message that asks for fewer than six sessions is refused, so that nothing is held.
		if holds := r.Holds != rule.NoHold; holds != stops && r.Code != rule.FloorSix {
			t.Errorf("%s: a stop holds something, and only a stop does", r.Code)
		}
		if r.Urgent && !stops {
			t.Errorf("%s: only a stop is urgent", r.Code)
		}
		// A hold ends with a person, except where what it says of the access must be corrected.
		if held := r.Holds == rule.Track || r.Holds == rule.Access; held && r.Code != rule.NotAFistula &&
			!strings.Contains(r.EndedBy(rule.Stop), "named person") {
			t.Errorf("%s opens a hold and is cleared by %q, not by a named person", r.Code, r.EndedBy(rule.Stop))
		}
		if r.Fixed && len(r.Parameters) > 0 {
			t.Errorf("%s is fixed and a protocol could change it: %v", r.Code, r.Parameters)
		}
		for _, p := range r.Parameters {
			if fields.ByName(protoreflect.Name(p)) == nil {
				t.Errorf("%s reads %s, which is no field of Protocol", r.Code, p)
			}
		}
	}
}

// No protocol may loosen what is a definition or a safety rule (the list is that of the
// trade's rules; six sessions are common practice, no source).
func TestWhatNoProtocolChanges(t *testing.T) {
	for _, code := range []string{rule.NotAFistula, rule.FloorSix, rule.ThrillAbsent, rule.SiteInfection, rule.SkinAtRisk, rule.OutflowSign,
		rule.InflowSign, rule.Person} {
		if r, ok := rule.Of(code); !ok || !r.Fixed {
			t.Errorf("%s is not fixed", code)
		}
	}
}

func TestOf(t *testing.T) {
	for _, r := range rule.All() {
		if got, ok := rule.Of(r.Code); !ok || got.Asks != r.Asks {
			t.Errorf("Of(%q) is %+v, %v", r.Code, got, ok)
		}
	}
	if got, ok := rule.Of("no-such-rule"); ok || got.Code != "no-such-rule" || got.Asks != "" {
		t.Errorf("an unknown code gives %+v, %v", got, ok)
	}
}

// Who changes what All gave does not change the table.
func TestAllIsACopy(t *testing.T) {
	rule.All()[0].Asks = "nothing"
	if rule.All()[0].Asks == "nothing" {
		t.Error("the table was changed")
	}
}
