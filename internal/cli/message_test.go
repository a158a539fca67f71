package cli

import (
	"bytes"
	"context"
	"fmt"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"cannulary/internal/answer"
	"cannulary/internal/card"
	"cannulary/internal/feed"
	"cannulary/internal/infectioncontrol"
	"cannulary/internal/surveil"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

const someone = "https://unit.example/staff|S-9"

// refused is a call that prints nothing and says why in one line.
type refused struct {
	sentence string
	args     []string
	code     int
	says     string
}

func (c refused) check(t *testing.T, command string, with ...string) {
	t.Helper()
	t.Run(c.sentence, func(t *testing.T) {
		t.Helper()
		code, stdout, stderr := run(context.Background(), append(append([]string{command}, c.args...), with...)...)
		if code != c.code || stdout != "" || !strings.HasPrefix(stderr, "cannulary "+command+": ") || !strings.Contains(stderr, c.says) ||
			strings.Count(stderr, "\n") != 1 {
			t.Errorf("exit code %d, want %d; stdout %q, stderr %q, want one line with %q", code, c.code, stdout, stderr, c.says)
		}
	})
}

func TestWrongUseOfAcknowledge(t *testing.T) {
	somewhere := t.TempDir()
	for _, c := range []refused{
		{"nobody named", []string{"--data", somewhere, "--reason", "seen"}, WrongUse,
			`--by "" is not of the form SYSTEM|VALUE; name the person who acknowledges the signal`},
		{"a person without a system", []string{"--data", somewhere, "--by", "S-9", "--reason", "seen"}, WrongUse,
			`--by "S-9" is not of the form SYSTEM|VALUE`},
		{"no reason", []string{"--data", somewhere, "--by", someone, "--reason", "  "}, WrongUse,
			"--reason is missing; say what was found and done, and name nobody"},
		{"a reason too long", []string{"--data", somewhere, "--by", someone, "--reason", strings.Repeat("ä", 1001)}, WrongUse,
			"--reason has 1001 characters; at most 1000 are allowed"},
		{"a technique without a chart", []string{"--data", somewhere, "--by", someone, "--reason", "seen", "--technique", "graft"},
			WrongUse, `--technique "graft" has no chart; choose constant-site or other-fistula`},
		{"a class without a chart", []string{"--data", somewhere, "--by", someone, "--reason", "seen", "--class", "antimicrobial-start"},
			WrongUse, `--class "antimicrobial-start" has no chart; choose access-related, bloodstream or local-access`},
		{"nowhere to ask", []string{"--by", someone, "--reason", "seen"}, WrongUse,
			"give either --http URL, for a running instance, or --data DIR, for one on this machine"},
		{"an argument too many", []string{"more"}, WrongUse, `argument "more" is not expected; see cannulary acknowledge --help`},
		{"a folder without an instance", []string{"--data", somewhere, "--by", someone, "--reason", "seen"}, Failed,
			"there is no instance in " + somewhere + "; check --data"},
		{"nobody there", []string{"--http", "http://127.0.0.1:1", "--by", someone, "--reason", "seen"}, Failed, "is it running?"},
	} {
		c.check(t, "acknowledge")
	}
}

func TestWrongUseOfLift(t *testing.T) {
	somewhere := t.TempDir()
	for _, c := range []refused{
		{"neither hold nor patient", []string{"--data", somewhere, "--by", someone, "--reason", "seen"}, WrongUse,
			"give --hold ID, or --patient 'SYSTEM|VALUE' with --rule where several holds are open"},
		{"hold and rule", []string{"--data", somewhere, "--by", someone, "--reason", "seen", "--hold", "a", "--rule", "person"}, WrongUse,
			"--hold names the hold; --rule goes with --patient alone"},
		{"a rule that holds nothing", []string{"--data", somewhere, "--by", someone, "--reason", "seen", "--patient", "a|b", "--rule",
			"rescue"}, WrongUse,
			`--rule "rescue" never places a hold; choose one of not-a-fistula, spacing-short, ` +
				`thrill-absent, site-infection, skin-at-risk, bacteraemia, person`},
		{"nobody named", []string{"--hold", "a", "--reason", "seen"}, WrongUse,
			`--by "" is not of the form SYSTEM|VALUE; name the person who lifts the hold`},
		{"no reason", []string{"--hold", "a", "--by", someone}, WrongUse,
			"--reason is missing; say why the hold may be lifted, and name nobody"},
		{"a reason too long", []string{"--hold", "a", "--by", someone, "--reason", strings.Repeat("x", 501)}, WrongUse,
			"--reason has 501 characters; at most 500 are allowed"},
		{"nowhere to ask", []string{"--hold", "a", "--by", someone, "--reason", "seen"}, WrongUse,
			"give either --http URL, for a running instance, or --data DIR, for one on this machine"},
		{"an argument too many", []string{"more"}, WrongUse, `argument "more" is not expected; see cannulary lift --help`},
		{"nobody there", []string{"--http", "http://127.0.0.1:1", "--hold", "a", "--by", someone, "--reason", "seen"}, Failed,
			"is it running?"},
	} {
		c.check(t, "lift")
	}
}

// answering answers each path with a value as JSON, or with a text as it is.
func answering(t *testing.T, answers map[string]any) string {
	t.Helper()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch v := answers[r.URL.Path].(type) {
		case nil:
			_ = answer.Refuse(w, r, &answer.Problem{Status: http.StatusNotFound, Text: "nothing of this kind is here"}, answer.JSON())
		case string:
			_, _ = w.Write([]byte(v))
		default:
			_ = answer.Value(w, r, http.StatusOK, v)
		}
	}))
	t.Cleanup(s.Close)
	return s.URL
}

func chartOf(class string, sum float64, signal *infectioncontrol.Signal) infectioncontrol.Standing {
	n, err := chartName("constant-site", class)
	if err != nil {
		panic(err)
	}
	return infectioncontrol.Standing{ChartName: n, Threshold: 1.627, SetBy: "MD-01", From: "2026-03-25", Sum: sum, Signal: signal}
}

func TestASignalThatDoesNotStandIsNotAcknowledged(t *testing.T) {
	given := &infectioncontrol.Signal{Day: "2026-10-24", Sum: 1.7}
	north := infectioncontrol.Signals{Facility: "north", Charts: []infectioncontrol.Standing{chartOf("bloodstream", 0.5, nil),
		chartOf("access-related", 2.46, given)}}
	late := north
	late.Lagging = true
	calm := infectioncontrol.Signals{Facility: "north", Charts: []infectioncontrol.Standing{chartOf("access-related", 0.2, nil)}}
	for _, c := range []struct {
		refused
		answer any
	}{
		{refused{"the wrong class", []string{"--class", "bloodstream"}, Failed,
			"no signal of constant-site, bloodstream stands at north, so there is nothing to acknowledge; these stand: constant-site, " +
				"access-related, since 2026-10-24 (sum then 1.700, threshold 1.627)\n"}, north},
		{refused{"a chart that is not set", []string{"--technique", "other-fistula"}, Failed,
			"no signal of other-fistula, access-related stands at north, so there is nothing to acknowledge; these stand: constant-site, " +
				"access-related, since"}, north},
		{refused{"none stands at all", nil, Failed,
			"no signal of constant-site, access-related stands at north, so there is nothing to acknowledge; no signal stands there at " +
				"all\n"}, calm},
		{refused{"the view is behind", []string{"--class", "local-access"}, Failed,
			"threshold 1.627). The view is behind the log: newer facts may exist. Ask again in a moment.\n"}, late},
		{refused{"the service refuses", nil, Failed, "nothing of this kind is here"}, nil},
		{refused{"no JSON", nil, Failed, "the answer holds no signals; do both sides run the same version?"}, "<html>"},
		{refused{"another JSON", nil, Failed, "the answer holds no signals; do both sides run the same version?"}, "{}"},
		{refused{"a person whose system is no URI", []string{"--by", "no uri|S-9"}, WrongUse,
			"the message would be refused: envelope.recorder.system: must be a valid URI; " +
				"facts[0].surveillance_signal_acknowledged.acknowledged_by.system: must be a valid URI. Correct what was given"}, north},
	} {
		args := c.args
		if c.code != WrongUse {
			args = append(args, "--by", someone)
		}
		c.args = append(args, "--reason", "seen", "--http", answering(t, map[string]any{"/surveillance/signals": c.answer}))
		c.check(t, "acknowledge")
	}
}

func TestAHoldThatIsNotOpenIsNotLifted(t *testing.T) {
	since := time.Date(2026, 6, 12, 7, 13, 0, 0, time.UTC)
	thrill := card.Hold{ID: "h1", Rule: "thrill-absent", Scope: "access F1", Since: since, Seen: "no thrill",
		Clears: "a named person lifts the hold, with a reason", Text: "No thrill. Do not needle. Call now."}
	pus := card.Hold{ID: "h2", Rule: "site-infection", Scope: "track A1", Since: since, Seen: "pus",
		Clears: "a named person lifts the hold, with a reason", Text: "Pus."}
	graft := card.Hold{ID: "h3", Rule: "not-a-fistula", Scope: "track A1", Since: since, Seen: "a graft",
		Text: "A graft. What clears it: the kind of the access is corrected; it cannot be lifted."}
	ahead := thrill
	ahead.Since = time.Now().Add(time.Hour)
	of := func(holds ...card.Hold) card.Card {
		return card.Card{Patient: card.Patient{ID: "p1", Identifiers: []card.Identifier{{System: "https://unit.example/mrn",
			Value: "M-1"}}}, Facility: "north", TimeZone: "Europe/Lisbon", Holds: holds, Caution: card.Caution}
	}
	nameless, late := of(thrill), of(thrill)
	nameless.Patient.Identifiers, late.Lagging = nil, true
	const flag = `{"resourceType":"Bundle","entry":[{"resource":{"subject":{"reference":"Patient/p1"}}}]}`
	const open = "h1 (thrill-absent, access F1, since 2026-06-12 08:13 WEST: no thrill; what clears it: a named person lifts the hold, " +
		"with a reason)"
	for _, c := range []struct {
		sentence   string
		args       []string
		flag, card any
		code       int
		says       string
	}{
		{"one that nobody knows", []string{"--hold", "h9"}, `{"resourceType":"Bundle"}`, nil, Failed,
			`no hold "h9" is known here; the card shows the id with the hold, and --patient 'SYSTEM|VALUE' lists those that are open`},
		{"one that was lifted", []string{"--hold", "h9"}, flag, of(thrill), Failed,
			"hold h9 is not open for this patient; nothing is lifted: open are " + open},
		{"one that was lifted, of a patient without another", []string{"--hold", "h9"}, flag, of(), Failed,
			"hold h9 is not open for this patient; nothing is lifted: the patient has no open hold"},
		{"another patient's", []string{"--hold", "h9", "--patient", "https://unit.example/mrn|M-1"}, nil, of(thrill), Failed,
			"hold h9 is not open for this patient; nothing is lifted: open are " + open},
		{"of a rule that holds nothing of the patient", []string{"--patient", "a|b", "--rule", "bacteraemia"}, nil, of(thrill), Failed,
			"no hold of rule bacteraemia is open for this patient; nothing is lifted: open are " + open},
		{"none is open", []string{"--patient", "a|b"}, nil, of(), Failed, "nothing is lifted: the patient has no open hold\n"},
		{"two are open", []string{"--patient", "a|b"}, nil, of(thrill, pus), Failed,
			"2 holds are open for this patient; name one with --hold: " + open + "; h2 (site-infection, track A1, since"},
		{"one that nobody can lift", []string{"--patient", "a|b", "--rule", "not-a-fistula"}, nil, of(thrill, graft), Failed,
			"hold h3 cannot be lifted by a person. A graft. What clears it: the kind of the access is corrected; it cannot be lifted."},
		{"one of a time to come", []string{"--patient", "a|b"}, nil, of(ahead), Failed, "later than this machine's clock ("},
		{"of a patient whose key was destroyed", []string{"--patient", "a|b"}, nil, nameless, Failed,
			"nothing that identifies the patient of hold h1 can be read; send the lift under the identifier that this patient's messages " +
				"are posted under"},
		{"the view is behind", []string{"--hold", "h9", "--patient", "a|b"}, nil, late, Failed,
			"The view is behind the log: newer facts may exist. Ask again in a moment."},
		{"a patient never heard of", []string{"--patient", "a|b"}, nil, nil, Failed, "nothing of this kind is here"},
		{"no JSON for holds", []string{"--hold", "h1"}, "<html>", nil, Failed,
			"the answer is not a search for holds; do both sides run the same version?"},
		{"a hold of nobody", []string{"--hold", "h1"}, `{"resourceType":"Bundle","entry":[{"resource":{}}]}`, nil, Failed,
			"the answer does not say whose hold h1 is; do both sides run the same version?"},
		{"no JSON for a card", []string{"--hold", "h1"}, flag, "<html>", Failed,
			"the answer is not a card; do both sides run the same version?"},
		{"another JSON for a card", []string{"--hold", "h1"}, flag, "{}", Failed,
			"the answer is not a card; do both sides run the same version?"},
	} {
		url := answering(t, map[string]any{"/fhir/Flag": c.flag, "/card": c.card})
		refused{c.sentence, append(c.args, "--by", someone, "--reason", "seen", "--http", url), c.code, c.says}.check(t, "lift")
	}
}

// One infection that two people reported is one hold on the card: it is lifted at once, by all of
// its ids. A lift that names ids lifts those and no other.
func TestReportsShownAsOneHoldAreLiftedTogether(t *testing.T) {
	since := time.Date(2026, 6, 12, 7, 13, 0, 0, time.UTC)
	redness := card.Hold{ID: "h1", IDs: []string{"h1", "h2"}, Rule: "site-infection", Scope: "track A1", Since: since, Seen: "redness",
		Text: "Redness. Do not needle."}
	sore := card.Hold{ID: "h3", IDs: []string{"h3"}, Rule: "person", Scope: "track A1", Since: since, Seen: "sore",
		Text: "Sore. Do not needle."}
	old := card.Hold{ID: "h4", IDs: []string{"h4"}, Rule: "thrill-absent", Scope: "access F0", Since: since, Seen: "no thrill",
		Text: "A hold on access F0, which is no longer used, was never lifted."}
	c := card.Card{Patient: card.Patient{ID: "p1", Identifiers: []card.Identifier{{System: "https://unit.example/mrn", Value: "M-1"}}},
		Facility: "north",
		TimeZone: "Europe/Lisbon", Holds: []card.Hold{redness, sore}, History: []card.Hold{old}, Caution: card.Caution}
	url := answering(t, map[string]any{"/card": c})
	for _, x := range []struct {
		sentence string
		args     []string
		ids      string
		says     []string
		never    string
	}{
		{"by its rule, all of its reports", []string{"--rule", "site-infection"}, "h1 h2", []string{"This lifts 2 holds (h1, h2) of ",
			", on track A1.\nRedness. Do not needle.\n", "Other holds of this patient stay open: h3 ("}, "add --hold"},
		{"both ids with a comma", []string{"--hold", "h2,h1"}, "h2 h1", []string{"This lifts 2 holds (h2, h1) of "}, "add --hold"},
		{"both ids, each with its flag", []string{"--hold", "h1", "--hold", "h2"}, "h1 h2",
			[]string{"This lifts 2 holds (h1, h2) of "}, "add --hold"},
		{"one id of the two", []string{"--hold", "h2"}, "h2", []string{"This lifts hold h2 of ",
			"The card shows this hold together with others that stay open. To lift them too, add --hold h1.\n"}, "holds (h"},
		{"the same id twice", []string{"--hold", "h2,h2"}, "h2", []string{"This lifts hold h2 of "}, "holds (h"},
		{"ids of two holds", []string{"--hold", "h1,h2,h3"}, "h1 h2 h3",
			[]string{"This lifts 3 holds (h1, h2, h3) of ", "Redness. Do not needle.\nSore. Do not needle.\n"}, "h3 ("},
		{"one that is history", []string{"--hold", "h4"}, "h4", []string{"This lifts hold h4 of ", ", on access F0.\n"}, "add --hold"},
		{"one that is history, by its rule", []string{"--rule", "thrill-absent"}, "h4", []string{"This lifts hold h4 of "}, "add --hold"},
	} {
		t.Run(x.sentence, func(t *testing.T) {
			code, out, log := run(context.Background(), append([]string{"lift", "--patient", "https://unit.example/mrn|M-1", "--by",
				someone, "--reason", "healed", "--http", url}, x.args...)...)
			if code != Done {
				t.Fatalf("%d %s", code, log)
			}
			f := message(t, out).GetCannulation().GetFacts()[0].GetHoldLifted()
			if got := strings.Join(append([]string{f.GetHold()}, f.GetMoreHolds()...), " "); got != x.ids {
				t.Errorf("it lifts %s, want %s", got, x.ids)
			}
			for _, w := range x.says {
				if !strings.Contains(log, w) {
					t.Errorf("it does not say %q: %s", w, log)
				}
			}
			if strings.Contains(log, x.never) {
				t.Errorf("it says %q: %s", x.never, log)
			}
		})
	}
	refused{"one of two that is not open", []string{"--patient", "a|b", "--hold", "h1,h9", "--by", someone, "--reason", "seen",
		"--http", url}, Failed,
		"hold h9 is not open for this patient; nothing is lifted: open are h1,h2 (site-infection, track A1, since 2026-06-12 08:13 WEST: " +
			"redness; "}.check(t, "lift")
}

func TestAThresholdThatStandsIsNotReplacedUnasked(t *testing.T) {
	n, err := chartName("constant-site", "access-related")
	if err != nil {
		t.Fatal(err)
	}
	set := func(current *infectioncontrol.Standing) string {
		return answering(t, map[string]any{"/surveillance/threshold": infectioncontrol.Threshold{Facility: "north", Technique: n.Technique,
			Class: n.Class, Reference: 0.2, RateRatio: 2, H: 1.004, InControl: 123, Asked: 120, Current: current}})
	}
	gathered, alarmed, quiet := chartOf("access-related", 1.46, nil),
		chartOf("access-related", 2.46, &infectioncontrol.Signal{Day: "2026-10-24", Sum: 1.7}), chartOf("access-related", 0, nil)
	for _, c := range []refused{
		{"a sum", []string{"--http", set(&gathered), "--set-by", someone}, Failed,
			"a threshold of 1.627 stands, set by MD-01 on 2026-03-25; the sum is 1.460: setting it again restarts the chart at 0; " +
				"add --replace to write the message anyway\n"},
		{"a signal", []string{"--http", set(&alarmed), "--set-by", someone}, Failed,
			"the sum is 2.460, and a signal stands since 2026-10-24: setting it again restarts the chart at 0; " +
				"add --replace to write the message anyway\n"},
		{"replaced by nobody", []string{"--http", set(&gathered), "--replace"}, WrongUse,
			"--replace goes with --set-by, which names who sets the threshold"},
		{"a person without a system", []string{"--http", set(nil), "--set-by", "S-9"}, WrongUse,
			`--set-by "S-9" is not of the form SYSTEM|VALUE; name the person who sets the threshold`},
		{"figures and message", []string{"--http", set(nil), "--set-by", someone, "--json"}, WrongUse,
			"--json prints the figures, --set-by the message that sets them; give one of them"},
	} {
		c.check(t, "threshold")
	}
	for _, c := range []struct {
		sentence string
		args     []string
		says     string
	}{
		{"none was set", []string{"--http", set(nil)}, ""},
		{"one is set that has gathered nothing", []string{"--http", set(&quiet)}, ""},
		{"replaced", []string{"--http", set(&gathered), "--replace"},
			"A threshold of 1.627 stands, set by MD-01 on 2026-03-25; the sum is 1.460. This message restarts the chart at 0, and " +
				"that evidence no longer counts.\n"},
		{"replaced under a signal", []string{"--http", set(&alarmed), "--replace"}, "The signal stays until it is acknowledged.\n"},
	} {
		t.Run(c.sentence, func(t *testing.T) {
			code, stdout, stderr := run(context.Background(), append([]string{"threshold", "--set-by", someone}, c.args...)...)
			m := message(t, stdout).GetRoster().GetFacts()[0].GetSurveillanceThresholdSet()
			if code != Done || m.GetThreshold() != 1.004 || m.GetSetBy().GetValue() != "S-9" || c.says == "" && stderr != "" ||
				!strings.HasSuffix(stderr, c.says) {
				t.Errorf("%d %v %q, want %q", code, m, stderr, c.says)
			}
		})
	}
}

// message is the only one that was printed.
func message(t *testing.T, stdout string) (m *cannularyv1.FeedRequest) {
	t.Helper()
	n := 0
	err := feed.ReadLines(strings.NewReader(stdout), func(_ int, r *cannularyv1.FeedRequest) error { n++; m = r; return nil },
		func(_ int, err error) { t.Error(err) })
	if err != nil || n != 1 {
		t.Fatalf("%d messages in %q: %v", n, stdout, err)
	}
	return m
}

// The way of a person: what stands is acknowledged, what is held is lifted, and what was
// posted for another chart or hold is told.
func TestAcknowledgeAndLiftInARunningInstance(t *testing.T) {
	dir, grpc, address, stop := served(t)
	ctx := context.Background()
	b, err := os.ReadFile(filepath.Join("..", "..", "proto", "examples", "invented-unit.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	// The examples without their own answers.
	var lines []string
	for _, l := range strings.Split(string(b), "\n") {
		if !strings.Contains(l, `"surveillance_signal_acknowledged"`) && !strings.Contains(l, `"hold_lifted"`) {
			lines = append(lines, l)
		}
	}
	post := func(text string) {
		t.Helper()
		file := filepath.Join(t.TempDir(), "x.ndjson")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if code, out, log := run(ctx, "load", "--grpc", grpc, file); code != Done {
			t.Fatalf("%d %s %s", code, out, log)
		}
		follow(t, address)
	}
	post(strings.Join(lines, "\n"))
	const patient = "https://hospital.example/patient-number|INV-0001"
	acknowledge := []string{"acknowledge", "--http", address, "--class", "bloodstream", "--by", someone, "--reason",
		"Drawing of blood gone through in all shifts."}
	var code int
	var out, log string
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) { // until the day has begun there
		if code, out, log = run(ctx, acknowledge...); code == Done {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("no signal: %s", log)
		}
	}
	for _, w := range []string{"This acknowledges, at invented-north, the signal of constant-site, bloodstream, since 2025-02-10 (sum " +
		"then 0.693, threshold 0.690). The chart restarts on the next day at half of its threshold.\n", nobodyNamed,
		infectioncontrol.Caution, toPost} {
		if !strings.Contains(log, w) {
			t.Errorf("it does not say %q: %s", w, log)
		}
	}
	m := message(t, out).GetRoster()
	f := m.GetFacts()[0].GetSurveillanceSignalAcknowledged()
	if e := m.GetEnvelope(); e.GetFacility() != "invented-north" || e.GetRecorder().GetValue() != "S-9" || e.GetPatient() != nil ||
		f.GetAcknowledgedBy().GetValue() != "S-9" || f.GetReason() != "Drawing of blood gone through in all shifts." {
		t.Errorf("%v", m)
	}
	// The right one clears the signal; a further one, of another chart, is told in the report.
	post(out)
	if code, _, log := run(ctx, acknowledge...); code != Failed || !strings.Contains(log, "no signal stands there at all") {
		t.Errorf("acknowledged, it says %d %s", code, log)
	}
	post(strings.ReplaceAll(strings.Replace(out, "INFECTION_CLASS_BLOODSTREAM", "INFECTION_CLASS_LOCAL_ACCESS", 1),
		"acknowledge-", "wrong-"))
	_, report, _ := run(ctx, "report", "--http", address, "--json")
	if n := strings.Count(report, "belonged to no signal"); n != 1 || !strings.Contains(report, "The acknowledgement by S-9 on ") {
		t.Errorf("%d answers to no signal in the report", n)
	}

	lift := []string{"lift", "--http", address, "--by", someone, "--reason", "Bruise gone, skin sound."}
	code, out, log = run(ctx, append(lift, "--patient", patient)...)
	if code != Done {
		t.Fatalf("%d %s", code, log)
	}
	for _, w := range []string{" of Invented, Example, born 1961-05-17, on track V2.\n",
		"Bruise over the site. Do not needle. Hold by S-102 since ", "What clears it: a named person lifts the hold, with a reason.",
		nobodyNamedOfPatient, "A licensed practitioner decides", toPost} {
		if !strings.Contains(log, w) {
			t.Errorf("it does not say %q: %s", w, log)
		}
	}
	c := message(t, out).GetCannulation()
	hold := c.GetFacts()[0].GetHoldLifted().GetHold()
	if e := c.GetEnvelope(); e.GetFacility() != "invented-north" || e.GetPatient().GetValue() != "INV-0001" || len(hold) != 32 {
		t.Errorf("%v", c)
	}
	// By its id alone the same hold is found.
	if code, again, log := run(ctx, append(lift, "--hold", hold)...); code != Done || message(t, again).GetCannulation().
		GetFacts()[0].GetHoldLifted().GetHold() != hold || message(t, again).GetCannulation().GetEnvelope().GetPatient().
		GetValue() != "INV-0001" {
		t.Errorf("%d %s %s", code, again, log)
	}
	text := func() string {
		t.Helper()
		_, text, _ := run(ctx, "card", "--http", address, "--identifier", patient)
		return strings.Join(strings.Fields(text), " ")
	}
	other := strings.Repeat("0", 32)
	post(strings.ReplaceAll(out, hold, other))
	if c := text(); !strings.Contains(c, "NOTICE A lift of hold "+other+" by S-9 on ") || !strings.Contains(c, "Hold "+hold) {
		t.Errorf("a lift of another hold: %s", c)
	}
	post(out)
	if c := text(); !strings.Contains(c, "HOLDS none recorded") {
		t.Errorf("lifted, the card says %s", c)
	}
	stop()
	code, _, log = run(ctx, "lift", "--data", dir, "--by", someone, "--reason", "again", "--hold", hold)
	if code != Failed ||
		!strings.Contains(log, "hold "+hold+" is not open for this patient; nothing is lifted: the patient has no open hold") {
		t.Errorf("of the stopped instance: %d %s", code, log)
	}
	// The log keeps the reasons as the two warnings say.
	plain, sealed := kept(t, dir, "Drawing of blood gone through in all shifts."), kept(t, dir, "Bruise gone, skin sound.")
	if !plain || sealed || !strings.Contains(nobodyNamed, "as plain text") || !strings.Contains(nobodyNamedOfPatient, "sealed") {
		t.Errorf("readable in the log: the reason about the facility %v, the one about the patient %v", plain, sealed)
	}
}

// kept reports whether a file of a stopped instance's log holds a text.
func kept(t *testing.T, dir, text string) (found bool) {
	t.Helper()
	err := filepath.WalkDir(filepath.Join(dir, "log"), func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		found = found || bytes.Contains(b, []byte(text))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// What a runbook tells a person to type is understood here: with nobody to ask, each command
// gets as far as asking.
func TestTheRunbooksCommandsAreUnderstood(t *testing.T) {
	files, err := filepath.Glob("../../deploy/runbooks/*.md")
	if err != nil {
		t.Fatal(err)
	}
	command := regexp.MustCompile(`(?m)^ *bin/cannulary ((?:acknowledge|lift) .*?) > \w+\.ndjson$`)
	word := regexp.MustCompile(`'([^']*)'|(\S+)`)
	found := 0
	for _, file := range files {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range command.FindAllStringSubmatch(string(b), -1) {
			found++
			var args []string
			for _, w := range word.FindAllStringSubmatch(c[1], -1) {
				args = append(args, strings.Replace(w[1]+w[2], "127.0.0.1:7451", "127.0.0.1:1", 1))
			}
			if code, out, log := run(context.Background(), args...); code != Failed || out != "" ||
				!strings.Contains(log, "is it running?") {
				t.Errorf("%s: %q: %d %s", filepath.Base(file), c[1], code, log)
			}
		}
	}
	if found != 5 {
		t.Errorf("%d commands in the runbooks, want those of three signals and two stops", found)
	}
}

// An engine that sends what the commands send finds the words of both side by side.
func TestTheSendersPageGivesTheWordsOfAChart(t *testing.T) {
	b, err := os.ReadFile("../../proto/README.md")
	if err != nil {
		t.Fatal(err)
	}
	page := strings.Join(strings.Fields(string(b)), " ")
	for _, technique := range []surveil.Technique{surveil.ConstantSite, surveil.OtherFistula} {
		if w := fmt.Sprintf("`%s` is `%s`", technique, patternOf(technique)); !strings.Contains(page, w) {
			t.Errorf("the page does not say: %s", w)
		}
	}
	for _, class := range []surveil.Class{surveil.AccessRelated, surveil.Bloodstream, surveil.LocalAccess} {
		if w := fmt.Sprintf("`%s` is `%s`", class, classOf(class)); !strings.Contains(page, w) {
			t.Errorf("the page does not say: %s", w)
		}
	}
}
