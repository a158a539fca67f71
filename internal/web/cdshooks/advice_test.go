package cdshooks_test

import (
	"strings"
	"testing"
	"time"

	"cannulary/internal/card"
	"cannulary/internal/track/rule"
	"cannulary/internal/web/cdshooks"
)

var seenAt = time.Date(2025, 4, 4, 7, 40, 0, 0, time.UTC)

func gauge(n uint32) *uint32 { return &n }

// forming is a forming arterial track.
func forming(change ...func(*card.Track)) card.Track {
	angle := 26.0
	t := card.Track{ID: "5302d33b1fad63b537488e1a29eebb73", Name: "A1", Role: "arterial", Access: "F1", Stage: "forming", SessionsTarget: 6, Creator: "CN-01", Deputies: []string{"CN-02"},
		Next:            card.Next{Needle: "sharp", Session: 4, Gauge: gauge(16), AngleDegrees: &angle, Direction: "antegrade", Who: []string{"CN-01", "CN-02"}, Why: "forming: 3 of 6 sharp sessions count"},
		ProtocolVersion: "2025-1"}
	for _, f := range change {
		f(&t)
	}
	return t
}

func noNeedle(why string) func(*card.Track) {
	return func(t *card.Track) { t.Next = card.Next{Needle: "none", Why: why} }
}

func thrillHold() card.Hold {
	r, _ := rule.Of(rule.ThrillAbsent)
	return card.Hold{ID: "c9e3345b68503ccbe54838ecf166b873", Rule: r.Code, Scope: "access F1", Accesses: []string{"F1"}, Since: seenAt, Seen: "no thrill", Asked: r.Asks, Clears: r.Clears, Urgent: true, Ground: "aa.0"}
}

func finding(id, code, severity, scope, seen string) card.Finding {
	return card.Finding{ID: id, Rule: code, Severity: severity, Scope: scope, Since: seenAt, Seen: seen, Text: seen + " (asked otherwise)", Clears: "a later look", Facts: []string{"ff.0"}, Protocol: "2025-1"}
}

// Each case is a card, what its cards say in order ("indicator: summary"), and what must be in
// the first one's detail.
func TestAdvice(t *testing.T) {
	p := card.Patient{ID: "p"}
	for _, x := range []struct {
		name   string
		card   card.Card
		cards  []string
		detail []string
	}{
		{"the next needle of a track, and why", card.Card{Patient: p, Tracks: []card.Track{forming()}},
			[]string{"info: Track A1 (arterial, forming): next sharp needle, session 4 of 6, 16G, 26°"},
			[]string{"**sharp needle**, 16G, 26°, with the flow, depth not recorded, session 4 of 6.", "Why: forming: 3 of 6 sharp sessions count.", "Whose track: CN-01, deputies CN-02; who may needle it now: CN-01, CN-02.", "Judged by needling protocol 2025-1; sharp or blunt by the rule “Blunt needle before the track was ready”."}},
		{"a track under review says so", card.Card{Patient: p, Tracks: []card.Track{forming(func(t *card.Track) { t.UnderReview = true })}},
			[]string{"info: Track A1 (arterial, forming), under review: next sharp needle, session 4 of 6, 16G, 26°"}, []string{"stage forming, under review."}},
		{"a hold goes before all, and is urgent where its rule is", card.Card{Patient: p, Holds: []card.Hold{thrillHold()}, Tracks: []card.Track{forming(noNeedle("a hold is open"), func(t *card.Track) { t.Held = []string{"c9e3345b68503ccbe54838ecf166b873"} })}},
			[]string{"critical: Do not needle access F1 (URGENT): no thrill", "info: Track A1 (arterial, forming): no needle. a hold is open"},
			[]string{"**Urgent: call the physician or surgeon now.**", "hold since 2025-04-04 07:40 UTC", "Rule “No thrill or no bruit” (fixed: no protocol can change it).", "What clears it: a named person lifts the hold, with a reason.", "To look it up: hold c9e3345b68503ccbe54838ecf166b873, fact aa.0."}},
		{"two holds are one card with both reasons", card.Card{Patient: p, Holds: []card.Hold{thrillHold(), {ID: "h2", Rule: rule.Person, Scope: "track V1", Tracks: []string{"V1"}, Since: seenAt, Seen: "Sore.", PlacedBy: "DR-07", GroundWithdrawn: true}}},
			[]string{"critical: Do not needle access F1, track V1 (URGENT): no thrill; Sore", "info: No constant-site track is recorded for this patient."},
			[]string{"hold by DR-07 since", "The reason for this hold was later corrected or withdrawn", "What clears it: a named person lifts it, with a reason."}},
		{"a hold on more places than a summary has room for", card.Card{Patient: p, Holds: []card.Hold{{ID: "h1", Rule: rule.SiteInfection, Since: seenAt, Seen: "pus", Tracks: []string{"the upper arterial one", "the lower arterial one", "the upper venous one", "the lower venous one"},
			Scope: "track the upper arterial one, track the lower arterial one, track the upper venous one, track the lower venous one"}}},
			[]string{"critical: Do not needle any of 4 tracks and accesses: pus", "info: No constant-site track is recorded for this patient."}, []string{"**Do not needle track the upper arterial one, track the lower arterial one, track the upper venous one, track the lower venous one**"}},
		{"a finding that forbids the needle, without a hold", card.Card{Patient: p, Tracks: []card.Track{forming(noNeedle("the scab is not wholly removed"), func(t *card.Track) {
			t.Findings = []card.Finding{finding("f1", rule.ScabIncomplete, "stop", "track A1", "the scab was left in part")}
		})}},
			[]string{"critical: Do not needle track A1: the scab was left in part", "info: Track A1 (arterial, forming): no needle. the scab is not wholly removed"},
			[]string{"**No needle now**: Track A1: the scab was left in part (asked otherwise).", "Rule “Scab not wholly removed” (no protocol sets values for it) by protocol 2025-1.", "To look it up: rule scab-incomplete, fact ff.0."}},
		{"a scab of a session that is over forbids no needle, and nobody lifted a hold", card.Card{Patient: p, Tracks: []card.Track{forming(func(t *card.Track) {
			t.Findings = []card.Finding{finding("f1", rule.ScabIncomplete, "stop", "track A1", "the scab was left in part")}
		})}},
			[]string{"warning: Look first at track A1, no hold is open: the scab was left in part", "info: Track A1 (arterial, forming): next sharp needle, session 4 of 6, 16G, 26°"},
			[]string{"**No hold is open, but look first**: Track A1: the scab was left in part"}},
		{"who left is warned about before any needle", card.Card{Patient: p, Left: true, Notices: []string{"The patient left north on 2026-11-01 (death)."}, Tracks: []card.Track{forming()}},
			[]string{"warning: Before you trust this record: The patient left north on 2026-11-01 (death).", "info: Track A1 (arterial, forming): next sharp needle, session 4 of 6, 16G, 26°"}, nil},
		{"a finding of spacing that stands after its hold was lifted", card.Card{Patient: p, Tracks: []card.Track{forming(func(t *card.Track) {
			t.Findings = []card.Finding{finding("f1", rule.SpacingShort, "stop", "track A1", "the tips lie 45 mm apart")}
		})}},
			[]string{"critical: Look first at track A1, no hold is open: the tips lie 45 mm apart", "info: Track A1 (arterial, forming): next sharp needle, session 4 of 6, 16G, 26°"},
			[]string{"**No hold is open, but look first**", "Ask who lifted the hold", "Rule “Needle tips too close” (the unit's protocol sets its values)"}},
		{"cautions are one warning, notes one more info", card.Card{Patient: p, Findings: []card.Finding{finding("f1", rule.MergeWithoutEffect, "caution", "", "a merge had no effect")},
			Accesses: []card.Access{{Name: "F1", Findings: []card.Finding{finding("f2", rule.FlowLow, "caution", "access F1", "flow 320 mL/min")}}},
			Tracks: []card.Track{forming(func(t *card.Track) {
				t.Findings = []card.Finding{finding("f3", rule.HardEntry, "note", "track A1", "3 passes")}
			})}},
			[]string{"warning: 2 cautions: a merge had no effect; access F1: flow 320 mL/min", "info: Track A1 (arterial, forming): next sharp needle, session 4 of 6, 16G, 26°", "info: Note, track A1: 3 passes"},
			[]string{"- Access F1: flow 320 mL/min (asked otherwise). Since 2025-04-04 07:40 UTC. What clears it: a later look. Rule “Access flow low” (the unit's protocol sets its values) by protocol 2025-1. To look it up: rule flow-low, fact ff.0."}},
		{"a severity of tomorrow counts as a caution", card.Card{Patient: p, Findings: []card.Finding{finding("f1", "a-new-rule", "grave", "", "something")}},
			[]string{"warning: Caution, something", "info: No constant-site track is recorded for this patient."}, []string{"Rule “a-new-rule” by protocol 2025-1."}},
		{"no needle without hold or stop is a warning", card.Card{Patient: p, Tracks: []card.Track{forming(noNeedle("resting until 2025-04-09"))}},
			[]string{"warning: Track A1 (arterial, forming): no needle. resting until 2025-04-09"}, []string{"**No needle**."}},
		{"a view that is behind", card.Card{Patient: p, Lagging: true, Notices: []string{"This view is behind the log."}, Tracks: []card.Track{forming()}},
			[]string{"warning: The record may not be complete: this view is behind, newer facts may exist", "info: Track A1 (arterial, forming): next sharp needle, session 4 of 6, 16G, 26°"}, []string{"- This view is behind the log."}},
		{"messages that were not understood", card.Card{Patient: p, Quarantined: 2, Notices: []string{"2 messages could not be understood."}, Tracks: []card.Track{forming()}},
			[]string{"warning: The record may not be complete: messages not understood: 2, perhaps one about this patient", "info: Track A1 (arterial, forming): next sharp needle, session 4 of 6, 16G, 26°"}, []string{"- 2 messages could not be understood."}},
		{"any other notice is an info, after the needles", card.Card{Patient: p, Notices: []string{"The patient left."}, Tracks: []card.Track{forming()}},
			[]string{"info: Track A1 (arterial, forming): next sharp needle, session 4 of 6, 16G, 26°", "info: Before you trust this record: The patient left."}, nil},
		{"a patient without a track", card.Card{Patient: p, Notices: []string{card.NoTrack}, Use: card.Use{Text: "No access in use is recorded."}},
			[]string{"info: No constant-site track is recorded for this patient."}, []string{"No access in use is recorded."}},
		{"a patient whose only track is retired", card.Card{Patient: p, Tracks: []card.Track{forming(func(t *card.Track) { t.Stage = "retired" })}},
			[]string{"info: No constant-site track is in use: A1 retired."}, nil},
		{"reports shown as one hold are to be lifted together, and a hold known to the day shows no hour", card.Card{Patient: p, Holds: []card.Hold{func() card.Hold {
			h := thrillHold()
			h.IDs, h.Day, h.NeedledSessions, h.NeedledLast = []string{h.ID, "h2"}, "2025-04-04", 2, "2025-04-06"
			return h
		}()}},
			[]string{"critical: Do not needle access F1 (URGENT): no thrill", "info: No constant-site track is recorded for this patient."},
			[]string{"hold since 2025-04-04. Seen: no thrill.", "2 reports shown as one hold, to be lifted together: c9e3345b68503ccbe54838ecf166b873, h2, fact aa.0.", "Sessions in which a needle was used during this hold: 2, last on 2025-04-06."}},
		{"a hold on a retired access is history, last and quiet", card.Card{Patient: p, History: []card.Hold{{ID: "h1", Rule: rule.ThrillAbsent, Scope: "access F1", Text: "A hold on access F1, which is no longer used, was never lifted."}}, Tracks: []card.Track{forming()}},
			[]string{"info: Track A1 (arterial, forming): next sharp needle, session 4 of 6, 16G, 26°", "info: History: a hold on access F1, no longer used, was never lifted"}, nil},
		{"what is serious stands in the summary of the needle", card.Card{Patient: p, Tracks: []card.Track{forming(func(t *card.Track) {
			t.Next.Caution = "2 rescues within 28 days: the track needs a review."
		})}},
			[]string{"info: Track A1 (arterial, forming): next sharp needle, session 4 of 6, 16G, 26°. Look first: 2 rescues within 28 days: the track needs a review."}, nil},
		{"more than four tracks stand on one card", card.Card{Patient: p, Tracks: []card.Track{forming(), forming(), forming(), forming(), forming(noNeedle("resting"))}},
			[]string{"warning: Next needles of 5 tracks"}, []string{"**sharp needle**", "**No needle**"}},
	} {
		t.Run(x.name, func(t *testing.T) {
			cards := cdshooks.Advice(x.card, cdshooks.Site{})
			conforms(t, cards)
			nothingIsMissing(t, x.card, cards)
			var got []string
			for _, c := range cards {
				got = append(got, c.Indicator+": "+c.Summary)
			}
			if strings.Join(got, "\n") != strings.Join(x.cards, "\n") {
				t.Errorf("the cards are\n%s\nexpected\n%s", strings.Join(got, "\n"), strings.Join(x.cards, "\n"))
			}
			for _, d := range x.detail {
				if !strings.Contains(cards[0].Detail, d) || strings.ContainsAny(cards[0].Detail, "`\\") {
					t.Errorf("the first card has no %q:\n%s", d, cards[0].Detail)
				}
			}
		})
	}
}

// Nothing that a person recorded may act in the EHR's window, wherever it stands on the card.
func TestRecordedTextDoesNotAct(t *testing.T) {
	const evil = "<img src=x onerror=alert(1)>[x](javascript:alert(1))\n\n# heading\n\n| a |\n"
	h := thrillHold()
	h.Seen, h.PlacedBy, h.Rule, h.ID, h.Ground, h.Tracks, h.Scope = evil, evil, rule.Person, evil, evil, []string{evil}, "track "+evil
	f := finding(evil, evil, "caution", "track "+evil, evil)
	f.Protocol, f.Clears, f.Facts = evil, evil, []string{evil}
	c := card.Card{Patient: card.Patient{ID: "p"}, Holds: []card.Hold{h}, Findings: []card.Finding{f}, Notices: []string{evil}, Use: card.Use{Text: evil},
		Tracks: []card.Track{forming(func(t *card.Track) {
			t.Name, t.Role, t.Access, t.Creator, t.Declared, t.ProtocolVersion, t.ID = evil, evil, evil, evil, evil, evil, evil
			t.Deputies, t.Next.Who, t.Next.Why, t.Next.Direction = []string{evil}, []string{evil}, evil, evil
			t.Extras = []card.Extra{{Rule: evil, Text: evil}}
			t.Recent = []card.Visit{{Date: "2025-04-02", Who: evil, Complications: []string{evil}, WhyNot: []string{evil}}}
		})}}
	for _, cards := range [][]cdshooks.Card{cdshooks.Advice(c, site), cdshooks.Unknown("x", []string{evil}, cdshooks.Record{}, site), cdshooks.Ambiguous("x", map[string][]string{"a": {evil}, "b": {evil}}, site)} {
		for _, x := range cards {
			if strings.ContainsAny(x.Summary, "<>\n") || strings.ContainsAny(x.Detail, "<>") {
				t.Errorf("HTML: %q %q", x.Summary, x.Detail)
			}
			for _, mark := range []string{"[x]", "# heading\n", "\n#", "\n|", " | a"} {
				if strings.Contains(x.Detail, mark) {
					t.Errorf("the mark %q stands in %q", mark, x.Detail)
				}
			}
		}
		conforms(t, cards)
	}
}

func TestIdsAndAddresses(t *testing.T) {
	c := card.Card{Patient: card.Patient{ID: "p", Name: "Zelthozumbrox, Quilewilth", BirthDate: "1950-01-02", Identifiers: []card.Identifier{{System: "urn:invented", Value: "MRN-1"}}}, Tracks: []card.Track{forming()}}
	first := cdshooks.Advice(c, site)[0]
	if first.UUID != cdshooks.Advice(c, site)[0].UUID {
		t.Error("the same advice has two ids")
	}
	other := c
	other.Patient.ID = "q"
	if first.UUID == cdshooks.Advice(other, site)[0].UUID {
		t.Error("two patients share a card's id")
	}
	later := c
	later.Tracks = []card.Track{forming(func(t *card.Track) { t.Next.Session = 5 })}
	if first.UUID == cdshooks.Advice(later, site)[0].UUID {
		t.Error("another session has the same id")
	}
	later = c
	later.AsOf, later.KnownAt = seenAt.AddDate(0, 0, 1), seenAt.AddDate(0, 0, 1)
	if first.UUID != cdshooks.Advice(later, site)[0].UUID {
		t.Error("the same advice asked for later has another id")
	}
	if len(first.Links) != 1 || first.Links[0].URL != "https://needles.example/card?patient=p" || first.Source.URL != "https://needles.example/" {
		t.Errorf("links %+v, source %+v", first.Links, first.Source)
	}
	bare := cdshooks.Advice(c, cdshooks.Site{})[0]
	if len(bare.Links) != 0 || bare.Source.URL != "" {
		t.Errorf("without a public address: links %+v, source %+v", bare.Links, bare.Source)
	}
	for _, s := range []string{"Zelthozumbrox", "1950-01-02", "MRN-1"} {
		if strings.Contains(first.Detail+first.Summary+first.Links[0].URL, s) {
			t.Errorf("the card tells %q, which the chart shows already", s)
		}
	}
}

func TestWithoutAdvice(t *testing.T) {
	systems := []string{"https://hospital.example/mrn", "urn:oid:2.999.1"}
	unknown := cdshooks.Unknown("77", systems, cdshooks.Record{}, site)
	behind := cdshooks.Unknown("77", systems, cdshooks.Record{Lagging: true, Quarantined: 3}, site)
	nameless := cdshooks.Nameless("77", site)
	ambiguous := cdshooks.Ambiguous("77", map[string][]string{"p": {systems[0]}, "q": {systems[1], systems[0]}}, site)
	for _, x := range []struct {
		cards     []cdshooks.Card
		indicator string
		has       []string
	}{
		{unknown, "info", []string{"No patient in this record has the identifiers", "not an all-clear", "hospital.example/mrn", "urn:oid:2.999.1"}},
		{behind, "warning", []string{"behind the log", "could not be understood: 3"}},
		{nameless, "info", []string{"no identifier with both a system and a value", "not an all-clear"}},
		{ambiguous, "warning", []string{"2 different patients", "No advice is given", "patient 1, by an identifier of: hospital.example/mrn\n", "patient 2, by an identifier of: urn:oid:2.999.1, hospital.example/mrn"}},
	} {
		conforms(t, x.cards)
		if len(x.cards) != 1 || x.cards[0].Indicator != x.indicator || len(x.cards[0].Links) != 0 {
			t.Fatalf("%+v", x.cards)
		}
		for _, s := range x.has {
			if !strings.Contains(x.cards[0].Detail, s) {
				t.Errorf("no %q in %q", s, x.cards[0].Detail)
			}
		}
	}
	if unknown[0].UUID == cdshooks.Unknown("78", systems, cdshooks.Record{}, site)[0].UUID {
		t.Error("two unknown patients share a card's id")
	}
	var many []string
	for i := range 12 {
		many = append(many, strings.Repeat("s", 200)+string(rune('a'+i)))
	}
	d := cdshooks.Unknown("77", many, cdshooks.Record{}, site)[0].Detail
	if !strings.Contains(d, "and 2 more") || strings.Contains(d, strings.Repeat("s", 121)) {
		t.Errorf("many long systems: %q", d)
	}
}
