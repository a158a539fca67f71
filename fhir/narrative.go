package fhir

import (
	"strings"
	"unicode/utf8"

	model "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// Narratives stand in the resources that somebody at the chair reads in a viewer that knows
// nothing of constant-site needling: maturity, holds and findings. Each is made of its own
// resource alone and ends with Advice, which the resource's words already hold.

// narrative is a generated text of paragraphs; those that are empty are left out.
func narrative(paragraphs ...string) *model.Narrative {
	var b strings.Builder
	b.WriteString(`<div xmlns="http://www.w3.org/1999/xhtml">`)
	for _, p := range paragraphs {
		if t := text(p); t != nil {
			b.WriteString("<p>" + escapeXML.Replace(capital(*t)) + "</p>")
		}
	}
	b.WriteString("</div>")
	return &model.Narrative{Status: model.NarrativeStatusGenerated, Div: b.String()}
}

// capital begins with a capital letter.
func capital(s string) string {
	_, n := utf8.DecodeRuneInString(s)
	return strings.ToUpper(s[:n]) + s[n:]
}

// escapeXML is for the text of elements: quotes stand for themselves there.
var escapeXML = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;")

const (
	inError   = "Entered in error: it counts for nothing."
	takenAway = "Cancelled: it does not stand by what is on record now, because a fact was corrected, withdrawn or reported late, " +
		"or patients were merged."
)

// said is what a reader sees of a concept.
func said(c *model.CodeableConcept) string {
	if c == nil {
		return ""
	}
	return deref(c.Text)
}

func maturityText(o *model.Observation) *model.Narrative {
	status, next, notes := "", "", ""
	if o.Status == model.ObservationStatusEnteredInError {
		status = inError
	}
	for i := range o.Component {
		if c := &o.Component[i]; deref(c.Code.Coding[0].Code) == "next-needle" {
			next = said(&c.Code) + ": " + said(c.ValueCodeableConcept)
		}
	}
	for _, n := range o.Note {
		notes = n.Text
	}
	return narrative(status, sentences(said(&o.Code)+": "+said(o.ValueCodeableConcept), next, said(o.Method)), notes)
}

func flagText(f *model.Flag) *model.Narrative {
	status, rule := "", ""
	if f.Status == model.FlagStatusEnteredInError {
		status = inError
	}
	for _, k := range f.Code.Coding {
		rule = deref(k.Display)
	}
	return narrative(status, sentences(rule), said(&f.Code))
}

func issueText(d *model.DetectedIssue) *model.Narrative {
	status, grave, over := "", "", ""
	if d.Status == model.ObservationStatusCancelled {
		status = takenAway
	}
	if d.Severity != nil {
		switch *d.Severity {
		case model.DetectedIssueSeverityHigh:
			grave = "Stop"
		case model.DetectedIssueSeverityModerate:
			grave = "Caution"
		case model.DetectedIssueSeverityLow:
			grave = "Note"
		}
	}
	places := ""
	for _, r := range d.Implicated {
		// A track's words name its access.
		if p := deref(r.Display); !strings.Contains(places, p) {
			places += "; " + p
		}
	}
	for _, m := range d.Mitigation {
		over = said(&m.Action)
	}
	return narrative(status, sentences(prefixed(grave+": ", said(d.Code))+places, over), deref(d.Detail))
}
