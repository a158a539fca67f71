package proposal_test

import (
	"errors"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"cannulary/internal/fault"
	"cannulary/internal/protocol"
	"cannulary/internal/record"
	"cannulary/internal/whatif/proposal"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

func TestAProtocolOfItsOwnWords(t *testing.T) {
	p, err := proposal.Read("nine.json",
		[]byte(`{"version":"2027-1","effectiveFrom":"2026-03-01","protocol":{"formingSessionsTarget":9,"uses_pegs":true}}`))
	if err != nil {
		t.Fatal(err)
	}
	if p.Version != "2027-1" || p.From != "2026-03-01" || p.Protocol.GetFormingSessionsTarget() != 9 || !p.Protocol.GetUsesPegs() {
		t.Errorf("read %+v", p)
	}
}

func TestParametersAloneWereAlwaysInForce(t *testing.T) {
	p, err := proposal.Read("nine.json", []byte(`{"forming_sessions_target":9}`))
	if err != nil {
		t.Fatal(err)
	}
	if p.Version != "nine.json" || p.From != "1970-01-01" || p.Protocol.GetFormingSessionsTarget() != 9 {
		t.Errorf("read %+v", p)
	}
	if p, err = proposal.Read(strings.Repeat("n", 70), []byte(`{}`)); err != nil || len(p.Version) != 60 || p.Protocol == nil {
		t.Errorf("the defaults under a long name: %+v, %v", p, err)
	}
	if p, err = proposal.Read("", []byte(`{}`)); err != nil || p.Version != "what-if" {
		t.Errorf("the defaults without a name: %+v, %v", p, err)
	}
}

// Every refusal names the place, what is wrong and what is allowed.
func TestWhatIsRefused(t *testing.T) {
	for _, c := range []struct {
		sentence, text string
		kind           fault.Kind
		says           []string
	}{
		{"less than six sessions", `{"forming_sessions_target":5}`, fault.Invalid,
			[]string{"the protocol f.json is refused: forming_sessions_target: ", "6", "40",
				"floor-six, which is fixed: no protocol asks for fewer than six", "nothing was compared"}},
		{"less than six sessions in a whole adoption",
			`{"version":"v","effective_from":"2026-01-01","protocol":{"forming_sessions_target":0}}`, fault.Invalid,
			[]string{"protocol.forming_sessions_target: ", "floor-six"}},
		{"a fixed rule loosened", `{"thrill_absent_severity":"note"}`, fault.Invalid,
			[]string{"thrill_absent_severity: is not a parameter: thrill-absent is a fixed rule, which no protocol may change or loosen; " +
				"leave it out"}},
		{"a fixed rule loosened in a whole adoption",
			`{"version":"v","effective_from":"2026-01-01","protocol":{"floorSix":false}}`, fault.Invalid,
			[]string{"protocol.floorSix: is not a parameter: floor-six is a fixed rule"}},
		{"a rule that has no parameter", `{"scab_incomplete_allowed":true}`, fault.Invalid,
			[]string{"scab_incomplete_allowed: is not a parameter: the rule scab-incomplete has none; leave it out"}},
		{"a parameter that a rule does not have", `{"rescue-repeat":3}`, fault.Invalid,
			[]string{"rescue-repeat: is not a parameter: those of the rule rescue-repeat are rescue_repeat_count, rescue_window_days"}},
		{"a slip of the pen", `{"gap_extra_day":9}`, fault.Invalid, []string{"gap_extra_day: is not a parameter; is gap_extra_days meant?"}},
		{"a slip beside the parameters", `{"version":"v","effectivefrom":"2026-01-01","protocol":{}}`, fault.Invalid,
			[]string{"effectivefrom: is not a field of ProtocolAdopted; is effective_from meant?"}},
		{"something else", `{"zzzz":1}`, fault.Invalid,
			[]string{"zzzz: is not a parameter; leave it out. The parameters are the fields of cannulary.v1.Protocol; the fixed rules " +
				"(not-a-fistula, floor-six, reference-reused, needled-under-hold, thrill-absent,", "no protocol may loosen them"}},
		{"several at once", `{"zzzz":1,"gap_extra_day":9}`, fault.Invalid,
			[]string{"gap_extra_day: is not a parameter", "zzzz: is not a parameter"}},
		{"gaps the wrong way round", `{"gap_extra_days":20}`, fault.Invalid,
			[]string{"gap_extra_days must be below gap_restart_days, defaults 7 and 14 where absent"}},
		{"tips the wrong way round", `{"tip_distance_min_millimetres":90}`, fault.Invalid,
			[]string{"tip_distance_stop_millimetres <= tip_distance_min_millimetres < tip_distance_max_millimetres must hold"}},
		{"angles the wrong way round", `{"angle_min_degrees":40}`, fault.Invalid,
			[]string{"angle_min_degrees must be below angle_max_degrees"}},
		{"an antiseptic twice", `{"antiseptics":["ANTISEPTIC_ALCOHOL","ANTISEPTIC_ALCOHOL"]}`, fault.Invalid, []string{"antiseptics: "}},
		{"a word for a number", `{"forming_sessions_target":"six"}`, fault.Invalid,
			[]string{"(line 1:28): invalid value for uint32 field formingSessionsTarget"}},
		{"the same twice", `{"trial_sessions":3,"trialSessions":4}`, fault.Invalid, []string{"duplicate field"}},
		{"a whole adoption without its version", `{"effective_from":"2026-01-01","protocol":{}}`, fault.Invalid, []string{"version: "}},
		{"no parameters at all", `{"version":"v","effective_from":"2026-01-01"}`, fault.Invalid, []string{"protocol: is required"}},
		{"a date that is none", `{"version":"v","effective_from":"soon","protocol":{}}`, fault.Invalid,
			[]string{"effective_from: must be a date YYYY-MM-DD"}},
		{"a day that no calendar has", `{"version":"v","effective_from":"2026-02-30","protocol":{}}`, fault.Invalid,
			[]string{`effective_from: is "2026-02-30", a day that the calendar does not have`}},
		{"text for the parameters", `{"version":"v","effective_from":"2026-01-01","protocol":"none"}`, fault.Invalid,
			[]string{"unexpected token"}},
		{"a list", `[]`, fault.Invalid,
			[]string{"it is not a JSON object", "allowed is cannulary.v1.ProtocolAdopted or cannulary.v1.Protocol in protobuf-JSON"}},
		{"nothing", ``, fault.Invalid, []string{"it is not a JSON object (unexpected end of JSON input)"}},
		{"null", `null`, fault.Invalid, []string{"it is not a JSON object; allowed is"}},
		{"a very long text", `{"` + strings.Repeat("x", proposal.MaxBytes) + `":1}`, fault.TooLarge,
			[]string{"the protocol f.json has more than 65536 bytes"}},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			_, err := proposal.Read("f.json", []byte(c.text))
			var f *fault.Error
			if !errors.As(err, &f) || f.Kind != c.kind {
				t.Fatalf("%v", err)
			}
			for _, s := range c.says {
				if !strings.Contains(f.Error(), s) {
					t.Errorf("%q\ndoes not say %q", f.Error(), s)
				}
			}
		})
	}
}

// A parameter may be good by itself and impossible beside what the unit has.
func TestAProposalThatTheUnitsProtocolForbids(t *testing.T) {
	item := record.Item{Fact: record.Fact{ID: "a", Facility: "u"}}
	item.Body = &cannularyv1.ProtocolAdopted{Version: "short", EffectiveFrom: "2025-01-01",
		Protocol: &cannularyv1.Protocol{GapExtraDays: proto.Uint32(5), GapRestartDays: proto.Uint32(9)}}
	book := protocol.NewBook([]record.Item{item})
	p, err := proposal.Read("ten.json", []byte(`{"gap_extra_days":10}`))
	if err != nil {
		t.Fatal(err)
	}
	if err := proposal.Fits(p, book, []string{"elsewhere"}); err != nil {
		t.Errorf("where the defaults are in force: %v", err)
	}
	err = proposal.Fits(p, book, []string{"elsewhere", "u"})
	var f *fault.Error
	if !errors.As(err, &f) || f.Kind != fault.Invalid {
		t.Fatalf("%v", err)
	}
	for _, want := range []string{"the protocol ten.json is refused together with what facility u has from 2025-01-01 on: ",
		"gap_extra_days must be below gap_restart_days", "Give the other parameter as well; nothing was compared"} {
		if !strings.Contains(f.Error(), want) {
			t.Errorf("%q does not say %q", f.Error(), want)
		}
	}
}
