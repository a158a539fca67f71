package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/url"
	"strings"

	"cannulary/internal/card"
	"cannulary/internal/infectioncontrol"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// thresholdCommand computes the threshold that a sequential signal needs at a unit's size. It
// sets nothing. With --set-by it writes the message that does, for `load`.
func thresholdCommand(ctx context.Context, env Env, args []string) error {
	var s source
	q := map[string]*string{}
	var setBy, src string
	var asJSON, replace bool
	fs := flags(env, "threshold",
		"(--http URL | --data DIR) [--facility CODE --technique T --class C --rate-ratio R --in-control-months M] [--json | --set-by "+
			"'SYSTEM|VALUE' [--replace]]")
	s.flags(fs)
	for name, f := range map[string][2]string{
		"facility":          {"facility", "facility; needed where there is more than one"},
		"technique":         {"technique", "constant-site (default) or other-fistula"},
		"class":             {"class", "access-related (default), bloodstream or local-access"},
		"rate_ratio":        {"rate-ratio", "the increase to notice, as a ratio (default 2)"},
		"in_control_months": {"in-control-months", "mean months between false alarms (default 120)"},
		"reference": {"reference",
			"usual rate, events per 100 patient-months (default the registered one; the answer says whose rate it is, and names others)"},
		"patients": {"patients", "average number at risk (default that of the last six whole months)"},
	} {
		q[name] = fs.String(f[0], "", f[1])
	}
	fs.StringVar(&setBy, "set-by", "", "who sets it, SYSTEM|VALUE: prints the message that sets it, one line for `load`")
	sourceFlag(fs, &src)
	fs.BoolVar(&replace, "replace", false, "with --set-by: set it although the chart has a sum or a signal; the chart restarts at 0")
	fs.BoolVar(&asJSON, "json", false, "JSON instead of text")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if asJSON && setBy != "" {
		return errUse{"--json prints the figures, --set-by the message that sets them; give one of them"}
	}
	if replace && setBy == "" {
		return errUse{"--replace goes with --set-by, which names who sets the threshold"}
	}
	query := url.Values{}
	for name, v := range q {
		query.Set(name, *v)
	}
	body, err := s.get(ctx, env, "/surveillance/threshold", query)
	if err != nil {
		return err
	}
	if asJSON {
		_, err = env.Stdout.Write(body)
		return err
	}
	var t infectioncontrol.Threshold
	if err := json.Unmarshal(body, &t); err != nil {
		return fmt.Errorf("the answer is not a threshold: %w; do both sides run the same version?", err)
	}
	if setBy == "" {
		_, err = fmt.Fprintf(env.Stdout,
			"%s, %s, %s\nreference %.4g per 100 patient-months (%s), %.1f patients on average\n%s\nthreshold %.3f for an increase of "+
				"%.4g times; %.0f months between false alarms were asked for, it has %.0f on average and %.0f after a restart\n%s\n%s%s\n",
			t.Facility, t.Technique, t.Class, t.Reference, t.Basis, t.Patients, strings.Join(t.Beside.Says, "\n"), t.H, t.RateRatio,
			t.Asked, t.InControl, t.AfterRestart, t.Says, choices(t), t.Caution)
		return err
	}
	by, err := staff("--set-by", setBy, "sets the threshold")
	if err != nil {
		return err
	}
	if was := evidence(t.Current); was != "" && !replace {
		return fmt.Errorf("%s: setting it again restarts the chart at 0; add --replace to write the message anyway", was)
	}
	if err := printMessage(env, thresholdMessage(env, t, by, src)); err != nil {
		return err
	}
	if was := evidence(t.Current); was != "" {
		fmt.Fprintf(env.Stderr, "%s. This message restarts the chart at 0, and that evidence no longer counts.\n", card.Capital(was))
		if t.Current.Signal != nil {
			fmt.Fprintln(env.Stderr, "The signal stays until it is acknowledged.")
		}
	}
	return nil
}

// choices describes the two rules between which a small unit can choose, a line each.
func choices(t infectioncontrol.Threshold) string {
	var b strings.Builder
	for _, c := range t.Choices {
		at := fmt.Sprintf("--in-control-months %.0f", math.Floor(c.InControl))
		if c.H == t.H {
			at = "this one"
		}
		fmt.Fprintf(&b, "choice: threshold %.3f, %s (%s)\n", c.H, c.Says, at)
	}
	return b.String()
}

// evidence says what a chart that is set already has gathered, and who set it. It is empty if
// nothing would be lost.
func evidence(c *infectioncontrol.Standing) string {
	if c == nil || c.Sum == 0 && c.Signal == nil {
		return ""
	}
	said := fmt.Sprintf("a threshold of %.3f stands, set by %s on %s; the sum is %.3f", c.Threshold, c.SetBy, c.From, c.Sum)
	if c.Signal != nil {
		said += ", and a signal stands since " + c.Signal.Day
	}
	return said
}

// thresholdMessage returns the roster message that sets a threshold. Its months are those that
// were asked for.
func thresholdMessage(env Env, t infectioncontrol.Threshold, by *cannularyv1.StaffIdentifier, src string) *cannularyv1.FeedRequest {
	return &cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Roster{Roster: &cannularyv1.RecordRosterRequest{
		Envelope: envelope(src, fmt.Sprintf("threshold-%s-%s-%s", t.Facility, t.Technique, t.Class), t.Facility, by, env.Now()),
		Facts: []*cannularyv1.RosterFact{
			{Fact: &cannularyv1.RosterFact_SurveillanceThresholdSet{SurveillanceThresholdSet: &cannularyv1.SurveillanceThresholdSet{
				Pattern: patternOf(t.Technique), InfectionClass: classOf(t.Class), ReferencePer_100PatientMonths: t.Reference,
				RateRatio: t.RateRatio, Threshold: t.H, InControlMonths: t.Asked,
				SetBy: by,
			}}}},
	}}}
}
