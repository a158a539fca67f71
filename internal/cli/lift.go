package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// liftCommand writes the message by which a person lifts a hold, for `load`. It asks first
// whether that hold is open and the patient's: ingest takes a lift of any id.
func liftCommand(ctx context.Context, env Env, args []string) error {
	var s source
	var hold, patient, code, by, reason, src string
	fs := flags(env, "lift", "(--http URL | --data DIR) (--hold ID | --patient 'SYSTEM|VALUE' [--rule CODE]) --by 'SYSTEM|VALUE' --reason TEXT")
	s.flags(fs)
	fs.StringVar(&hold, "hold", "", "the hold's id, as the card shows it")
	fs.StringVar(&patient, "patient", "", "patient's identifier, SYSTEM|VALUE: finds the hold, or checks whose it is")
	fs.StringVar(&code, "rule", "", "with --patient: the hold of this rule")
	fs.StringVar(&by, "by", "", "who lifts, SYSTEM|VALUE (required)")
	fs.StringVar(&reason, "reason", "", "why it may be lifted (required); must name nobody")
	sourceFlag(fs, &src)
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	who, err := staff("--by", by, "lifts the hold")
	if err != nil {
		return err
	}
	if reason, err = reasonOf(reason, "why the hold may be lifted, and name nobody", 500); err != nil {
		return err
	}
	if hold == "" && patient == "" {
		return errUse{"give --hold ID, or --patient 'SYSTEM|VALUE' with --rule where several holds are open"}
	}
	if code != "" {
		if hold != "" {
			return errUse{"--hold names one hold; --rule goes with --patient alone"}
		}
		if err := holds(code); err != nil {
			return err
		}
	}
	c, err := holdsCard(ctx, env, &s, hold, patient)
	if err != nil {
		return err
	}
	h, err := openHold(c, hold, code, env.Now())
	if err != nil {
		return err
	}
	if len(c.Patient.Identifiers) == 0 {
		return fmt.Errorf("nothing that identifies the patient of hold %s can be read; send the lift under the identifier that this patient's messages are posted under", h.ID)
	}
	// The first identifier is the one that messages are posted under.
	id := c.Patient.Identifiers[0]
	e := envelope(src, "lift-"+h.ID, c.Facility, who, env.Now())
	e.Patient = &cannularyv1.PatientIdentifier{System: id.System, Value: id.Value}
	if err := printMessage(env, &cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Cannulation{Cannulation: &cannularyv1.RecordCannulationRequest{
		Envelope: e,
		Facts:    []*cannularyv1.CannulationFact{{Fact: &cannularyv1.CannulationFact_HoldLifted{HoldLifted: &cannularyv1.HoldLifted{Hold: h.ID, LiftedBy: who, Reason: reason}}}},
	}}}); err != nil {
		return err
	}
	fmt.Fprintf(env.Stderr, "This lifts hold %s of %s, born %s, on %s.\n%s\n", h.ID, or(c.Patient.Name, "(name not stated)"), or(c.Patient.BirthDate, "(not stated)"), h.Scope, h.Text)
	if n := len(c.Holds) - 1; n > 0 {
		fmt.Fprintf(env.Stderr, "Other holds of this patient stay open: %s.\n", listed(c, func(x *card.Hold) bool { return x.ID != h.ID }))
	}
	fmt.Fprintf(env.Stderr, "%s\nDecision support only: whether what would clear it has happened, and whether the hold may be lifted, a licensed practitioner decides. Examine the access before every needling.\n%s\n", nobodyNamed, toPost)
	if c.Lagging {
		fmt.Fprintln(env.Stderr, behind)
	}
	return nil
}

// holds refuses a code that no hold can be of.
func holds(code string) error {
	var codes []string
	for _, r := range rule.All() {
		if r.Holds != rule.NoHold && r.Holds != rule.Entry {
			codes = append(codes, r.Code)
		}
	}
	if !slices.Contains(codes, code) {
		return errUse{fmt.Sprintf("--rule %q holds nothing; choose one of %s", code, strings.Join(codes, ", "))}
	}
	return nil
}

// holdsCard is the card of the patient who is named, or else whose hold it is.
func holdsCard(ctx context.Context, env Env, s *source, hold, patient string) (*card.Card, error) {
	query := url.Values{"identifier": {patient}}
	if patient == "" {
		key, err := holdsPatient(ctx, env, s, hold)
		if err != nil {
			return nil, err
		}
		query = url.Values{"patient": {key}}
	}
	body, err := s.get(ctx, env, "/card", query)
	if err != nil {
		return nil, err
	}
	var c card.Card
	if err := json.Unmarshal(body, &c); err != nil || c.Patient.ID == "" || c.Caution == "" {
		return nil, fmt.Errorf("the answer is not a card; do versions of both sides agree?")
	}
	return &c, nil
}

// holdsPatient finds the patient key of a hold by its Flag.
func holdsPatient(ctx context.Context, env Env, s *source, hold string) (string, error) {
	body, err := s.get(ctx, env, "/fhir/Flag", url.Values{"_id": {hold}})
	if err != nil {
		return "", err
	}
	var found struct {
		ResourceType string
		Entry        []struct {
			Resource struct{ Subject struct{ Reference string } }
		}
	}
	if err := json.Unmarshal(body, &found); err != nil || found.ResourceType != "Bundle" {
		return "", fmt.Errorf("the answer is not a search for holds; do versions of both sides agree?")
	}
	if len(found.Entry) == 0 {
		return "", fmt.Errorf("no hold %q is known here; the id stands with the stop on the card, and --patient 'SYSTEM|VALUE' lists those that are open", hold)
	}
	_, key, ok := strings.Cut(found.Entry[0].Resource.Subject.Reference, "Patient/")
	if !ok {
		return "", fmt.Errorf("the answer does not tell whose hold %s is; do versions of both sides agree?", hold)
	}
	return key, nil
}

// openHold chooses the hold that is named, the only one of a rule, or the only one.
func openHold(c *card.Card, hold, code string, now time.Time) (*card.Hold, error) {
	match := func(h *card.Hold) bool { return (hold == "" || h.ID == hold) && (code == "" || h.Rule == code) }
	var found []*card.Hold
	for i := range c.Holds {
		if match(&c.Holds[i]) {
			found = append(found, &c.Holds[i])
		}
	}
	if len(found) == 0 {
		what := ""
		switch {
		case hold != "":
			what = "hold " + hold + " is not open for this patient; "
		case code != "":
			what = "no hold of rule " + code + " is open for this patient; "
		}
		what += "nothing is lifted: "
		if len(c.Holds) > 0 {
			what += "open are " + listed(c, func(*card.Hold) bool { return true })
		} else {
			what += "the patient has no open hold"
		}
		if c.Lagging {
			what += ". " + behind
		}
		return nil, errors.New(what)
	}
	if len(found) > 1 {
		return nil, fmt.Errorf("%d holds are open for this patient; name one with --hold: %s", len(found), listed(c, match))
	}
	h := found[0]
	switch {
	case h.Rule == rule.NotAFistula:
		return nil, fmt.Errorf("hold %s cannot be lifted by a person. %s", h.ID, h.Text)
	case h.Since.After(now):
		return nil, fmt.Errorf("hold %s is of %s, later than this machine's clock (%s): a lift now would come before it; set the clock, or wait", h.ID, c.Time(h.Since), c.Time(now))
	}
	return h, nil
}

// listed names holds: id, rule, place, since when and what was seen.
func listed(c *card.Card, match func(*card.Hold) bool) string {
	var out []string
	for i := range c.Holds {
		if h := &c.Holds[i]; match(h) {
			out = append(out, fmt.Sprintf("%s (%s, %s, since %s: %s; clears: %s)", h.ID, h.Rule, h.Scope, c.Time(h.Since), h.Seen, h.Clears))
		}
	}
	return strings.Join(out, "; ")
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
