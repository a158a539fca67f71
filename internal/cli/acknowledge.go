package cli

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"net/url"
	"slices"
	"strings"

	"cannulary/internal/infectioncontrol"
	"cannulary/internal/surveil"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// acknowledgeCommand writes the message by which a person acknowledges a signal, for `load`. It
// first asks whether that signal stands, because ingest accepts an acknowledgement of any chart.
func acknowledgeCommand(ctx context.Context, env Env, args []string) error {
	var s source
	var facility, technique, class, by, reason, src string
	fs := flags(env, "acknowledge", "(--http URL | --data DIR) [--facility CODE --technique T --class C] --by 'SYSTEM|VALUE' --reason TEXT")
	s.flags(fs)
	fs.StringVar(&facility, "facility", "", "facility; needed where there is more than one")
	fs.StringVar(&technique, "technique", string(surveil.ConstantSite), "technique of the chart: constant-site or other-fistula")
	fs.StringVar(&class, "class", string(surveil.AccessRelated), "class of the chart: access-related, bloodstream or local-access")
	fs.StringVar(&by, "by", "", "who acknowledges, SYSTEM|VALUE (required)")
	fs.StringVar(&reason, "reason", "", "what was found and done (required); must name nobody")
	sourceFlag(fs, &src)
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	who, err := staff("--by", by, "acknowledges the signal")
	if err != nil {
		return err
	}
	if reason, err = reasonOf(reason, "what was found and done, and name nobody", 1000); err != nil {
		return err
	}
	name, err := chartName(technique, class)
	if err != nil {
		return err
	}
	body, err := s.get(ctx, env, "/surveillance/signals", url.Values{"facility": {facility}})
	if err != nil {
		return err
	}
	var now infectioncontrol.Signals
	if err := json.Unmarshal(body, &now); err != nil || now.Facility == "" {
		return fmt.Errorf("the answer holds no signals; do both sides run the same version?")
	}
	i := slices.IndexFunc(now.Charts, func(c infectioncontrol.Standing) bool { return c.ChartName == name && c.Signal != nil })
	if i < 0 {
		return noSignal(&now, name)
	}
	if err := printMessage(env, &cannularyv1.FeedRequest{Message: &cannularyv1.FeedRequest_Roster{Roster: &cannularyv1.RecordRosterRequest{
		Envelope: envelope(src, fmt.Sprintf("acknowledge-%s-%s-%s", now.Facility, name.Technique, name.Class),
			now.Facility, who, env.Now()),
		Facts: []*cannularyv1.RosterFact{{Fact: &cannularyv1.RosterFact_SurveillanceSignalAcknowledged{
			SurveillanceSignalAcknowledged: &cannularyv1.SurveillanceSignalAcknowledged{
				Pattern: patternOf(name.Technique), InfectionClass: classOf(name.Class), AcknowledgedBy: who, Reason: reason,
			}}}},
	}}}); err != nil {
		return err
	}
	fmt.Fprintf(env.Stderr,
		"This acknowledges, at %s, the signal of %s. The chart restarts on the next day at half of its threshold.\n%s\n%s\n%s\n",
		now.Facility, signalText(&now.Charts[i]), nobodyNamed, infectioncontrol.Caution, toPost)
	if now.Lagging {
		fmt.Fprintln(env.Stderr, behind)
	}
	return nil
}

// behind is the warning that the answer may be old.
const behind = "The view is behind the log: newer facts may exist. Ask again in a moment."

// sourceFlag adds the flag for the source of a message that is written here.
func sourceFlag(fs *flag.FlagSet, src *string) {
	fs.StringVar(src, "source", "cannulary-cli", "the message's source")
}

// chartName checks the name of a chart and returns it.
func chartName(technique, class string) (surveil.ChartName, error) {
	n := surveil.ChartName{Technique: surveil.Technique(technique), Class: surveil.Class(class)}
	if n.Technique != surveil.ConstantSite && n.Technique != surveil.OtherFistula {
		return n, errUse{fmt.Sprintf("--technique %q has no chart; choose constant-site or other-fistula", technique)}
	}
	if classOf(n.Class) == cannularyv1.InfectionClass_INFECTION_CLASS_UNSPECIFIED {
		return n, errUse{fmt.Sprintf("--class %q has no chart; choose access-related, bloodstream or local-access", class)}
	}
	return n, nil
}

// noSignal returns the error that no signal stands there, with the signals that do stand.
func noSignal(now *infectioncontrol.Signals, n surveil.ChartName) error {
	var standing []string
	for i := range now.Charts {
		if now.Charts[i].Signal != nil {
			standing = append(standing, signalText(&now.Charts[i]))
		}
	}
	there := "no signal stands there at all"
	if len(standing) > 0 {
		there = "these stand: " + strings.Join(standing, "; ")
	}
	if now.Lagging {
		there += ". " + behind
	}
	return fmt.Errorf("no signal of %s, %s stands at %s, so there is nothing to acknowledge; %s", n.Technique, n.Class, now.Facility, there)
}

func signalText(c *infectioncontrol.Standing) string {
	return fmt.Sprintf("%s, %s, since %s (sum then %.3f, threshold %.3f)", c.Technique, c.Class, c.Signal.Day, c.Signal.Sum, c.Threshold)
}
