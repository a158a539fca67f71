package cli

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/fault"
	"cannulary/internal/feed"
	"cannulary/internal/intake"
	"cannulary/internal/surveil"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Warnings beside a reason that a person types: about a facility, and about a patient. Package freetext seals the second.
const (
	nobodyNamed = "The log keeps the reason as plain text, and others see it. It must name nobody, neither patient nor staff."

	nobodyNamedOfPatient = "The log keeps the reason sealed with the patient's key. " +
		"Whoever may read the patient's record sees it. It must name nobody, neither patient nor staff."
)

// toPost is the last line beside a message.
const toPost = "Nothing has changed yet: post the line with `cannulary load --grpc HOST:PORT FILE`."

// staff returns the person that a flag names.
func staff(flag, s, does string) (*cannularyv1.StaffIdentifier, error) {
	system, value, ok := strings.Cut(s, "|")
	if !ok || system == "" || value == "" {
		return nil, errUse{fmt.Sprintf("%s %q is not of the form SYSTEM|VALUE; name the person who %s", flag, s, does)}
	}
	return &cannularyv1.StaffIdentifier{System: system, Value: value}, nil
}

// reasonOf checks a reason before the instance is asked.
func reasonOf(s, what string, most int) (string, error) {
	s = strings.TrimSpace(s)
	switch n := utf8.RuneCountInString(s); {
	case n == 0:
		return "", errUse{"--reason is missing; say " + what}
	case n > most:
		return "", errUse{fmt.Sprintf("--reason has %d characters; at most %d are allowed", n, most)}
	}
	return s, nil
}

// patternOf and classOf return the schema's values for a chart.
func patternOf(t surveil.Technique) cannularyv1.NeedlingPattern {
	if t == surveil.ConstantSite {
		return cannularyv1.NeedlingPattern_NEEDLING_PATTERN_CONSTANT_SITE
	}
	return cannularyv1.NeedlingPattern_NEEDLING_PATTERN_ROPE_LADDER
}

func classOf(c surveil.Class) cannularyv1.InfectionClass {
	return map[surveil.Class]cannularyv1.InfectionClass{
		surveil.Bloodstream:   cannularyv1.InfectionClass_INFECTION_CLASS_BLOODSTREAM,
		surveil.AccessRelated: cannularyv1.InfectionClass_INFECTION_CLASS_ACCESS_RELATED_BLOODSTREAM,
		surveil.LocalAccess:   cannularyv1.InfectionClass_INFECTION_CLASS_LOCAL_ACCESS,
	}[c]
}

// envelope returns the envelope of a message for a decision that a person makes now. Its id
// names the thing and the second. So the printed line can be posted again.
func envelope(source, id, facility string, by *cannularyv1.StaffIdentifier, now time.Time) *cannularyv1.Envelope {
	return &cannularyv1.Envelope{
		Source: source, SourceMessageId: id + "-" + now.UTC().Format("20060102T150405Z"),
		Facility: facility, OccurredAt: timestamppb.New(now), Precision: cannularyv1.TimePrecision_TIME_PRECISION_SECOND, Recorder: by,
	}
}

// printMessage writes a message as a line for `load`. It refuses a message that ingest would
// refuse.
func printMessage(env Env, m *cannularyv1.FeedRequest) error {
	v, err := intake.NewValidator()
	if err != nil {
		return err
	}
	msg, _ := intake.FromFeed(m)
	if err := v.Validate(msg, env.Now(), nil); err != nil {
		var f *fault.Error
		if !errors.As(err, &f) {
			return err
		}
		said := *f
		said.What, said.Do = "the message would be refused", "correct what was given"
		return errUse{said.Error()}
	}
	var line bytes.Buffer
	if err := feed.WriteLine(&line, m); err != nil {
		return err
	}
	_, err = env.Stdout.Write(line.Bytes())
	return err
}
