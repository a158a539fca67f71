package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/url"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/feed"
	"cannulary/internal/infectioncontrol"
	"cannulary/internal/surveil"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// thresholdCommand computes the threshold that a sequential signal needs at a unit's size.
// It sets nothing: with --set-by it writes the message that does, for `load`.
func thresholdCommand(ctx context.Context, env Env, args []string) error {
	var s source
	q := map[string]*string{}
	var setBy, src string
	var asJSON bool
	fs := flags(env, "threshold", "(--http URL | --data DIR) [--facility CODE --technique T --class C --rate-ratio R --in-control-months M] [--json | --set-by 'SYSTEM|VALUE']")
	s.flags(fs)
	for name, f := range map[string][2]string{
		"facility":          {"facility", "facility; needed where there is more than one"},
		"technique":         {"technique", "constant-site (default) or other-fistula"},
		"class":             {"class", "access-related (default), bloodstream or local-access"},
		"rate_ratio":        {"rate-ratio", "the increase to notice, as a ratio (default 2)"},
		"in_control_months": {"in-control-months", "mean months between false alarms (default 120)"},
		"reference":         {"reference", "usual rate, events per 100 patient-months (default the registered one)"},
		"patients":          {"patients", "average number at risk (default that of the last six whole months)"},
	} {
		q[name] = fs.String(f[0], "", f[1])
	}
	fs.StringVar(&setBy, "set-by", "", "who sets it, SYSTEM|VALUE: write the message that does, one line for `load`")
	fs.StringVar(&src, "source", "cannulary-cli", "with --set-by: the message's source")
	fs.BoolVar(&asJSON, "json", false, "JSON instead of text")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if asJSON && setBy != "" {
		return errUse{"--json prints the figures, --set-by the message that sets them; give one of them"}
	}
	query := url.Values{}
	for name, v := range q {
		if *v != "" {
			query.Set(name, *v)
		}
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
		return fmt.Errorf("the answer is not a threshold: %w; do versions of both sides agree?", err)
	}
	if setBy == "" {
		_, err = fmt.Fprintf(env.Stdout, "%s, %s, %s\nreference %.4g per 100 patient-months (%s), %.1f patients on average\nthreshold %.3f for an increase of %.4g times; %.0f months between false alarms were asked for, %.0f it is on average, after a restart %.0f\n%s\n%s%s\n",
			t.Facility, t.Technique, t.Class, t.Reference, t.Basis, t.Patients, t.H, t.RateRatio, t.Asked, t.InControl, t.AfterRestart, t.Says, choices(t), t.Caution)
		return err
	}
	m, err := thresholdMessage(env, t, setBy, src)
	if err != nil {
		return err
	}
	var line bytes.Buffer
	if err := feed.WriteLine(&line, m); err != nil {
		return err
	}
	_, err = env.Stdout.Write(line.Bytes())
	return err
}

// choices tells the two rules between which a small unit's people choose, a line each.
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

// thresholdMessage is the roster message that sets a threshold; its months are those that
// were asked for.
func thresholdMessage(env Env, t infectioncontrol.Threshold, setBy, src string) (*cannularyv1.FeedRequest, error) {
	system, value, ok := strings.Cut(setBy, "|")
	if !ok || system == "" || value == "" {
		return nil, errUse{fmt.Sprintf("--set-by %q is not of the form SYSTEM|VALUE; name the person who sets the threshold", setBy)}
	}
	pattern := cannularyv1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE
	if t.Technique != surveil.ConstantSite {
		pattern = cannularyv1.NeedlingPattern_NEEDLING_PATTERN_ROPE_LADDER
	}
	class := map[surveil.Class]cannularyv1.InfectionClass{
		surveil.Bloodstream:   cannularyv1.InfectionClass_INFECTION_CLASS_BLOODSTREAM,
		surveil.AccessRelated: cannularyv1.InfectionClass_INFECTION_CLASS_ACCESS_RELATED_BLOODSTREAM,
		surveil.LocalAccess:   cannularyv1.InfectionClass_INFECTION_CLASS_LOCAL_ACCESS,
	}[t.Class]
	now := env.Now()
	return &cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Roster{Roster: &cannularyv1.RecordRosterRequest{
		Envelope: &cannularyv1.Envelope{
			Source: src, SourceMessageId: fmt.Sprintf("threshold-%s-%s-%s-%s", t.Facility, t.Technique, t.Class, now.UTC().Format("20060102T150405Z")),
			Facility: t.Facility, OccurredAt: timestamppb.New(now), Precision: cannularyv1.TimePrecision_TIME_PRECISION_SECOND,
			Recorder: &cannularyv1.StaffIdentifier{System: system, Value: value},
		},
		Facts: []*cannularyv1.RosterFact{{Fact: &cannularyv1.RosterFact_SurveillanceThresholdSet{SurveillanceThresholdSet: &cannularyv1.SurveillanceThresholdSet{
			Pattern: pattern, InfectionClass: class, ReferencePer_100PatientMonths: t.Reference, RateRatio: t.RateRatio, Threshold: t.H, InControlMonths: t.Asked,
			SetBy: &cannularyv1.StaffIdentifier{System: system, Value: value},
		}}}},
	}}}, nil
}
