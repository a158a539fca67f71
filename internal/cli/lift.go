package cli

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// liftCommand writes the message by which a person lifts holds of one patient, for `load`. It
// first asks whether they are open and belong to the patient, because ingest accepts a lift of
// any id.
func liftCommand(ctx context.Context, env Env, args []string) error {
	var s source
	var named []string
	var patient, code, by, reason, src string
	fs := flags(env, "lift",
		"(--http URL | --data DIR) (--hold ID[,ID…] | --patient 'SYSTEM|VALUE' [--rule CODE]) --by 'SYSTEM|VALUE' --reason TEXT")
	s.flags(fs)
	fs.Func("hold", "the hold's `ID`, as the card shows it; several, repeated or with commas, are lifted together", func(s string) error {
		for id := range strings.SplitSeq(s, ",") {
			if id = strings.TrimSpace(id); id != "" && !slices.Contains(named, id) {
				named = append(named, id)
			}
		}
		return nil
	})
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
	if len(named) == 0 && patient == "" {
		return errUse{"give --hold ID, or --patient 'SYSTEM|VALUE' with --rule where several holds are open"}
	}
	if code != "" {
		if len(named) > 0 {
			return errUse{"--hold names the hold; --rule goes with --patient alone"}
		}
		if err := holds(code); err != nil {
			return err
		}
	}
	c, err := holdsCard(ctx, env, &s, named, patient)
	if err != nil {
		return err
	}
	ids, shown, err := openHolds(c, named, code, env.Now())
	if err != nil {
		return err
	}
	if len(c.Patient.Identifiers) == 0 {
		return fmt.Errorf("nothing that identifies the patient of hold %s can be read; send the lift under the identifier that this "+
			"patient's messages are posted under", ids[0])
	}
	// Messages are posted under the first identifier.
	id := c.Patient.Identifiers[0]
	e := envelope(src, "lift-"+ids[0], c.Facility, who, env.Now())
	e.Patient = &cannularyv1.PatientIdentifier{System: id.System, Value: id.Value}
	if err := printMessage(env,
		&cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Cannulation{Cannulation: &cannularyv1.RecordCannulationRequest{
			Envelope: e,
			Facts: []*cannularyv1.CannulationFact{
				{Fact: &cannularyv1.CannulationFact_HoldLifted{HoldLifted: &cannularyv1.HoldLifted{Hold: ids[0], MoreHolds: ids[1:],
					LiftedBy: who, Reason: reason}}}},
		}}}); err != nil {
		return err
	}
	fmt.Fprint(env.Stderr, said(c, ids, shown))
	fmt.Fprintf(env.Stderr,
		"%s\nDecision support only. A licensed practitioner decides whether what clears the hold has happened, and whether the hold may "+
			"be lifted. Examine the access before every "+
			"needling.\n%s\n", nobodyNamedOfPatient, toPost)
	if c.Lagging {
		fmt.Fprintln(env.Stderr, behind)
	}
	return nil
}

// holds refuses a rule that places no hold.
func holds(code string) error {
	var codes []string
	for _, r := range rule.All() {
		if r.Holds != rule.NoHold && r.Holds != rule.Entry {
			codes = append(codes, r.Code)
		}
	}
	if !slices.Contains(codes, code) {
		return errUse{fmt.Sprintf("--rule %q never places a hold; choose one of %s", code, strings.Join(codes, ", "))}
	}
	return nil
}

// holdsCard returns the card of the named patient, else of the patient of the hold.
func holdsCard(ctx context.Context, env Env, s *source, named []string, patient string) (*card.Card, error) {
	query := url.Values{"identifier": {patient}}
	if patient == "" {
		key, err := holdsPatient(ctx, env, s, named[0])
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
		return nil, fmt.Errorf("the answer is not a card; do both sides run the same version?")
	}
	return &c, nil
}

// holdsPatient returns the patient key of a hold, found by its Flag.
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
		return "", fmt.Errorf("the answer is not a search for holds; do both sides run the same version?")
	}
	if len(found.Entry) == 0 {
		return "", fmt.Errorf("no hold %q is known here; the card shows the id with the hold, and --patient 'SYSTEM|VALUE' lists "+
			"those that are open", hold)
	}
	_, key, ok := strings.Cut(found.Entry[0].Resource.Subject.Reference, "Patient/")
	if !ok {
		return "", fmt.Errorf("the answer does not say whose hold %s is; do both sides run the same version?", hold)
	}
	return key, nil
}

// openHolds chooses the named holds, else the only one of a rule, else the only one. A hold that
// stands for several reports is chosen with all of their ids, unless ids are named. It returns
// the ids to lift and the holds as the card shows them.
func openHolds(c *card.Card, named []string, code string, now time.Time) (ids []string, shown []*card.Hold, err error) {
	of := func(list []card.Hold, match func(*card.Hold) bool) (found []*card.Hold) {
		for i := range list {
			if match(&list[i]) {
				found = append(found, &list[i])
			}
		}
		return found
	}
	if len(named) == 0 {
		match := func(h *card.Hold) bool { return code == "" || h.Rule == code }
		if shown = of(c.Holds, match); len(shown) == 0 {
			shown = of(c.History, match) // holds on places that are no longer used
		}
		if len(shown) > 1 {
			return nil, nil, fmt.Errorf("%d holds are open for this patient; name one with --hold: %s", len(shown), listed(c, match))
		}
		if len(shown) == 0 {
			return nil, nil, notOpen(c, "", code)
		}
		ids = idsOf(shown[0])
	}
	for _, id := range named {
		found := of(slices.Concat(c.Holds, c.History), func(h *card.Hold) bool { return slices.Contains(idsOf(h), id) })
		if len(found) == 0 {
			return nil, nil, notOpen(c, id, "")
		}
		ids = append(ids, id)
		if !slices.ContainsFunc(shown, func(h *card.Hold) bool { return h.ID == found[0].ID }) {
			shown = append(shown, found[0])
		}
	}
	for _, h := range shown {
		switch {
		case h.Rule == rule.NotAFistula:
			return nil, nil, fmt.Errorf("hold %s cannot be lifted by a person. %s", h.ID, h.Text)
		case h.Since.After(now):
			return nil, nil, fmt.Errorf("hold %s dates from %s, which is later than this machine's clock (%s): a lift now would come "+
				"before it; set the clock, or wait", h.ID, sinceOf(c, h), c.Time(now))
		}
	}
	return ids, shown, nil
}

// notOpen returns the error that a hold is not open, with the open ones.
func notOpen(c *card.Card, id, code string) error {
	what := ""
	switch {
	case id != "":
		what = "hold " + id + " is not open for this patient; "
	case code != "":
		what = "no hold of rule " + code + " is open for this patient; "
	}
	what += "nothing is lifted: "
	if len(c.Holds)+len(c.History) > 0 {
		what += "open are " + listed(c, func(*card.Hold) bool { return true })
	} else {
		what += "the patient has no open hold"
	}
	if c.Lagging {
		what += ". " + behind
	}
	return errors.New(what)
}

// idsOf returns the ids of all reports that the card shows as the hold.
func idsOf(h *card.Hold) []string {
	if len(h.IDs) == 0 {
		return []string{h.ID}
	}
	return h.IDs
}

// sinceOf returns since when a hold is open, as a date if its time is not known.
func sinceOf(c *card.Card, h *card.Hold) string { return cmp.Or(h.Day, c.Time(h.Since)) }

// said returns what a lift lifts and what stays open, in words.
func said(c *card.Card, ids []string, shown []*card.Hold) string {
	var b strings.Builder
	what := "hold " + ids[0]
	if len(ids) > 1 {
		what = fmt.Sprintf("%d holds (%s)", len(ids), strings.Join(ids, ", "))
	}
	var scopes []string
	for _, h := range shown {
		if !slices.Contains(scopes, h.Scope) {
			scopes = append(scopes, h.Scope)
		}
	}
	fmt.Fprintf(&b, "This lifts %s of %s, born %s, on %s.\n", what, cmp.Or(c.Patient.Name, "(name not stated)"),
		cmp.Or(c.Patient.BirthDate, "(not stated)"), strings.Join(scopes, ", "))
	for _, h := range shown {
		b.WriteString(h.Text + "\n")
		if left := slices.DeleteFunc(slices.Clone(idsOf(h)), func(id string) bool { return slices.Contains(ids, id) }); len(left) > 0 {
			fmt.Fprintf(&b, "The card shows this hold together with others that stay open. To lift them too, add --hold %s.\n",
				strings.Join(left, ","))
		}
	}
	if others := listed(c, func(x *card.Hold) bool {
		return !slices.ContainsFunc(shown, func(h *card.Hold) bool { return h.ID == x.ID })
	}); others != "" {
		fmt.Fprintf(&b, "Other holds of this patient stay open: %s.\n", others)
	}
	return b.String()
}

// listed describes open holds: ids, rule, place, since when, what was seen and what clears them.
func listed(c *card.Card, match func(*card.Hold) bool) string {
	var out []string
	for _, h := range slices.Concat(c.Holds, c.History) {
		if match(&h) {
			out = append(out, fmt.Sprintf("%s (%s, %s, since %s: %s; what clears it: %s)", strings.Join(idsOf(&h), ","), h.Rule, h.Scope,
				sinceOf(c, &h), h.Seen, h.Clears))
		}
	}
	return strings.Join(out, "; ")
}
