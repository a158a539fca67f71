package cli

import (
	"context"
	"fmt"
	"io"
	"net/url"
	"strings"
	"time"

	"cannulary/internal/app"
	"cannulary/internal/simulate"
)

// stages returns a track's stages in the order of its life.
func stages() []string {
	return []string{"planned", "forming", "ready", "trial", "established", "resting", "retired"}
}

// summary prints what came out.
func summary(ctx context.Context, env Env, a *app.App, took time.Duration) error {
	w := env.Stdout
	counts, err := a.Store().Counts(ctx)
	if err != nil {
		return err
	}
	total, line := 0, ""
	for _, t := range counts.Resources {
		total += t.Count
		line += fmt.Sprintf(" %s %d,", t.Type, t.Count)
	}
	fmt.Fprintf(w, "FHIR resources     %d:%s all in view after %.1f s\n", total, line, took.Seconds())
	tracks, err := a.Store().Tracks(ctx)
	if err != nil {
		return err
	}
	count := map[string]int{}
	for _, t := range tracks {
		count[t.Stage]++
	}
	line = ""
	for _, s := range stages() {
		if count[s] > 0 {
			line += fmt.Sprintf(" %d %s,", count[s], s)
		}
	}
	holds, err := a.Store().Holds(ctx)
	if err != nil {
		return err
	}
	// As on Today, holds on places that are no longer used are not counted.
	open := 0
	for _, h := range holds {
		if h.Stands() {
			open++
		}
	}
	fmt.Fprintf(w, "Tracks             %d:%s %d open holds\n", len(tracks), line, open)
	fmt.Fprintf(w, "Not understood     %d events in quarantine\n", counts.Quarantine)
	return nil
}

// lookAt prints the pages and some patients that are worth a look.
func lookAt(ctx context.Context, env Env, a *app.App, highlights []simulate.Highlight) error {
	w, http := env.Stdout, "http://"+a.HTTPAddr()
	tracks, err := a.Store().Tracks(ctx)
	if err != nil {
		return err
	}
	pick := map[string]string{} // stage → a patient to look at
	for _, t := range tracks {
		if _, ok := pick[t.Stage]; !ok {
			pick[t.Stage] = t.Patient
		}
	}
	fmt.Fprintf(w, "\nLook at\n  Today      %s/\n", http)
	for _, s := range stages() {
		if key, ok := pick[s]; ok {
			fmt.Fprintf(w, "  card       %s/card?patient=%s   (%s)\n", http, url.QueryEscape(key), sayStage(s))
		}
	}
	if key, ok := pick["established"]; ok {
		fmt.Fprintf(w, "  FHIR       %s/fhir/metadata\n             %s/fhir/Patient/%s/$everything\n", http, http, key)
		fmt.Fprintf(w, "             %s/fhir/Procedure?patient=%s&_count=5\n", http, key)
	}
	fmt.Fprintf(w, "  report     bin/cannulary report --http %s --out ./report   (infection control's, of the last whole month)\n", http)
	fmt.Fprintf(w, "             %s/surveillance/report?format=html\n  CDS Hooks  %s/cds-services\n", http, http)
	fmt.Fprintf(w, "  metrics    %s/metrics\n  gRPC       %s   (reflection is on)\n", http, a.GRPCAddr())
	tellStories(w, http, highlights)
	return nil
}

// stories are the events of the year that the demo shows, one of each kind.
func stories() []struct{ what, title, then string } {
	return []struct{ what, title, then string }{
		{simulate.Moved, "A patient who moved", "the card on the day before"},
		{simulate.LiftedAtOnce, "A hold that was lifted at once", "the card while it stood"},
		{simulate.AnsweredLate, "A hold that was answered late", "the card before the answer"},
		{simulate.LateCulture, "A result that came late", "what was known a few hours before it came"},
		{simulate.FindingCleared, "A sign that went away", "the card while it stood"},
		{simulate.LongUnused, "Tracks that nobody needled for weeks", "the card meanwhile"},
		{simulate.GuestTreated, "A guest in the other unit", "the card at that time"},
	}
}

// tellStories prints for each story what happened and the command for the card of that time, as
// it was and as it was known.
func tellStories(w io.Writer, http string, highlights []simulate.Highlight) {
	for _, s := range stories() {
		var h simulate.Highlight
		for _, x := range highlights {
			if x.What == s.what {
				h = x // keep the latest of its kind
			}
		}
		if h.What == "" {
			continue
		}
		id := h.Patient.GetSystem() + "|" + h.Patient.GetValue()
		at := h.At.UTC().Format(time.RFC3339)
		fmt.Fprintf(w, "\n%s: %s\n", s.title, strings.TrimSuffix(h.Text, "."))
		fmt.Fprintf(w, "  today      %s/card?identifier=%s\n", http, url.QueryEscape(id))
		card := fmt.Sprintf("bin/cannulary card --http %s --identifier '%s' --as-of %s", http, id, at)
		fmt.Fprintf(w, "  then       %s --known-at %s   (%s)\n", card, at, s.then)
		if s.what == simulate.LateCulture {
			fmt.Fprintf(w, "  in truth   %s   (the same hour, as it is known today)\n", card)
		}
	}
}

// sayStage returns a track in that stage, in words.
func sayStage(stage string) string {
	if stage == "trial" {
		return "a track in trial"
	}
	return "a track that is " + stage
}
