package cdshooks

import (
	"fmt"
	"slices"
	"strings"
)

// Record is how far the record can be trusted to be whole.
type Record struct {
	Lagging     bool // the view is behind the log
	Quarantined int  // messages that could not be understood
}

// doubts say why somebody whom the record does not know may be in it all the same.
func (r Record) doubts() string {
	var items []string
	if r.Lagging {
		items = append(items, "This view is behind the log: newer facts may exist. Ask again in a moment.")
	}
	if r.Quarantined > 0 {
		items = append(items,
			fmt.Sprintf("Messages that could not be understood: %d. One of them may be about this patient.", r.Quarantined))
	}
	return list(items...)
}

// Unknown is the card for a patient whom the record does not know by identifiers of these
// systems. The EHR's own id of the patient tells the cards of two patients apart. A record
// that may not be whole makes a warning of it.
func Unknown(ehrID string, systems []string, r Record, site Site) []Card {
	d := draft{indicator: Info,
		summary: "No patient in this record of needle tracks has the identifiers in this chart. That is not an all-clear."}
	doubts := r.doubts()
	if doubts != "" {
		d.indicator = Warning
	}
	d.say("No patient in this record has the identifiers that this chart sent. Their systems are:", systemList(systems),
		"**That is not an all-clear**: the patient may be recorded under an identifier of another system, or not at all. Nothing was "+
			"judged, and no rule was applied.", doubts)
	return finish([]draft{d}, site, "unknown\x00"+ehrID, "")
}

// Nameless is the card for a chart that sent no identifier to look for.
func Nameless(ehrID string, site Site) []Card {
	d := draft{indicator: Info,
		summary: "This chart sent no identifier, so the record of needle tracks could not be asked. That is not an all-clear."}
	d.say("The patient in this chart has no identifier with both a system and a value (Patient.identifier), and this record finds a "+
		"patient by nothing else.",
		"**That is not an all-clear**: nothing was looked up, nothing was judged, and no rule was applied.")
	return finish([]draft{d}, site, "nameless\x00"+ehrID, "")
}

// sameBirth reports whether two FHIR dates may be of one birth: one may be given to the year or the
// month only, or not at all.
func sameBirth(a, b string) bool {
	n := min(len(a), len(b))
	return a[:n] == b[:n]
}

// otherBirth is the card where the identifiers lead to a patient of another birth date. It gives
// neither date and no link: that may be another person's.
func otherBirth(ehrID, patient string, site Site) []Card {
	d := draft{indicator: Warning,
		summary: "The birth date in this chart is not the one in the record of needle tracks: no advice is given."}
	d.say("The identifiers that this chart sent lead to a patient who has another birth date here.",
		"**No advice is given, and that is not an all-clear**: it may be another person's. Find out who this is by the unit's own means, "+
			"and have the identifier or the birth date put right in the system where it is wrong. No rule was applied.")
	return finish([]draft{d}, site, "birth\x00"+ehrID+"\x00"+patient, "")
}

// Ambiguous is the card where the identifiers lead to several patients: matches holds, of
// each, the systems whose identifiers lead there.
func Ambiguous(ehrID string, matches map[string][]string, site Site) []Card {
	d := draft{indicator: Warning,
		summary: fmt.Sprintf("The identifiers in this chart lead to %d different patients in the record of needle tracks: no advice is "+
			"given.", len(matches))}
	var ways []string
	for _, systems := range matches {
		shown := make([]string, 0, len(systems))
		for _, s := range systems {
			shown = append(shown, systemName(short(s)))
		}
		ways = append(ways, strings.Join(shown, ", "))
	}
	slices.Sort(ways)
	for i := range ways {
		ways[i] = fmt.Sprintf("patient %d, by an identifier of: %s", i+1, ways[i])
	}
	d.say(fmt.Sprintf("The identifiers that this chart sent belong to %d different patients here:", len(matches)), list(ways...),
		"**No advice is given, and that is not an all-clear**: nobody can tell whose tracks would be shown. Find out who this is by the "+
			"unit's own means, and have the identities put right: where they are one person, the sending engine reports a merge; where "+
			"not, an identifier is wrong in one of the two systems. No rule was applied.")
	return finish([]draft{d}, site, "ambiguous\x00"+ehrID, "")
}

// systemsShown is how many systems a card names.
const systemsShown = 10

func systemList(systems []string) string {
	var items []string
	for i, s := range systems {
		if i == systemsShown {
			items = append(items, fmt.Sprintf("and %d more", len(systems)-i))
			break
		}
		items = append(items, systemName(short(s)))
	}
	return list(items...)
}

// short cuts what a caller sent to a length that can be shown.
func short(s string) string {
	const limit = 120
	if r := []rune(s); len(r) > limit {
		return string(r[:limit]) + "…"
	}
	return s
}
