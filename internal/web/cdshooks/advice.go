package cdshooks

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"cannulary/fhir"
	"cannulary/internal/card"
	"cannulary/internal/track/rule"
)

// tracksApart is up to how many tracks have a card each; more stand on one together.
const tracksApart = 4

// Advice words a chairside card as cards of CDS Hooks: at most one that stops, one of
// cautions, one for each track's next needle, one of what to know of the record, one of
// notes, one of holds that are history. Every hold and every finding of the chairside card stands on one of them.
func Advice(c card.Card, site Site) []Card {
	found := findings(&c)
	var drafts []draft
	add := func(d *draft) {
		if d != nil {
			if c.LastFactAt != nil {
				d.say("From what was recorded of this patient until " + escape(c.Time(*c.LastFactAt)) + ".")
			}
			drafts = append(drafts, *d)
		}
	}
	add(stops(&c, of(found, rule.Stop)))
	add(graded(&c, of(found, rule.Caution), Warning, "caution"))
	for _, d := range needles(&c) {
		add(&d)
	}
	add(notices(&c))
	add(graded(&c, of(found, rule.Note), Info, "note"))
	add(history(&c))
	return finish(drafts, site, c.Patient.ID, c.Patient.ID)
}

// findings are those of the card, each once; a track lists those of its access as well.
func findings(c *card.Card) []card.Finding {
	var out []card.Finding
	seen := map[string]bool{}
	add := func(list []card.Finding) {
		for _, f := range list {
			if !seen[f.ID] {
				seen[f.ID] = true
				out = append(out, f)
			}
		}
	}
	add(c.Findings)
	for _, a := range c.Accesses {
		add(a.Findings)
	}
	for _, t := range c.Tracks {
		add(t.Findings)
	}
	return out
}

// of are the findings of a severity; one that this version does not know counts as a caution.
func of(list []card.Finding, s rule.Severity) (out []card.Finding) {
	for _, f := range list {
		known := f.Severity == string(rule.Stop) || f.Severity == string(rule.Note)
		if f.Severity == string(s) || s == rule.Caution && !known {
			out = append(out, f)
		}
	}
	return out
}

// stops is the card of all open holds and of the findings that stop; nil without any.
func stops(c *card.Card, found []card.Finding) *draft {
	if len(c.Holds)+len(found) == 0 {
		return nil
	}
	d := &draft{indicator: Critical}
	if len(c.Holds) == 0 && !slices.ContainsFunc(found, func(f card.Finding) bool { return !past(c, f) }) {
		d.indicator = Warning // nothing keeps the next needle away
	}
	var places, reasons []string
	once := func(to *[]string, s string) {
		if s = strings.TrimSuffix(s, "."); s != "" && !slices.Contains(*to, s) {
			*to = append(*to, s)
		}
	}
	urgent := false
	told := map[string]bool{}
	for _, h := range c.Holds {
		for _, p := range h.Places() {
			once(&places, p)
		}
		once(&reasons, h.Seen)
		urgent = urgent || h.Urgent
		facts := []string{}
		if h.Ground != "" {
			facts = append(facts, h.Ground)
		}
		for _, f := range found {
			same := f.Rule == h.Rule && f.Since.Equal(h.Since) && f.Seen == h.Seen && slices.Contains(h.Places(), f.Scope)
			if same || f.Hold != "" && slices.Contains(h.IDs, f.Hold) {
				told[f.ID] = true
				for _, x := range f.Facts {
					if !slices.Contains(facts, x) {
						facts = append(facts, x)
					}
				}
			}
		}
		d.say(held(c, h), heldWhy(h, facts))
	}
	let := "" // where such a finding stands but a needle comes next
	for _, f := range found {
		if told[f.ID] {
			continue
		}
		r, _ := rule.Of(f.Rule)
		urgent = urgent || r.Urgent
		once(&reasons, f.Seen)
		if needled(c, f) {
			let = cmp.Or(let, f.Scope)
			d.say("**No hold is open, but look first**: " + line(c, f))
			if !past(c, f) {
				d.say("Ask who lifted the hold, and why, before any needle.")
			}
			continue
		}
		once(&places, f.Scope)
		d.say("**No needle now**: " + line(c, f))
	}
	what := strings.Join(places, ", ")
	if units(what) > 90 {
		what = fmt.Sprintf("any of %d tracks and accesses", len(places))
	}
	head := "Do not needle"
	if what != "" {
		head += " " + what
	} else if let != "" && len(c.Holds) == 0 {
		head = "Look first at " + let + ", no hold is open"
	}
	if urgent {
		head += " (URGENT)"
		d.parts = slices.Insert(d.parts, 0, "**Urgent: call the physician or surgeon now.**")
	}
	d.summary = head + ": " + strings.Join(reasons, "; ")
	d.say(whatToDo(c))
	return d
}

// past reports whether a finding kept only a needle away that was due then, as a scab does: no hold is open or was lifted.
func past(c *card.Card, f card.Finding) bool {
	r, _ := rule.Of(f.Rule)
	return r.Holds == rule.Entry && needled(c, f)
}

// needled reports whether, in spite of a finding, a needle comes next where it was found.
func needled(c *card.Card, f card.Finding) bool {
	for _, t := range c.Tracks {
		if (f.Scope == "track "+t.Name || f.Scope == "access "+t.Access) && t.Next.Needle != "none" {
			return true
		}
	}
	return false
}

func held(c *card.Card, h card.Hold) string {
	by := ""
	if h.Rule == rule.Person {
		by = " by " + escape(cmp.Or(h.PlacedBy, "a person whose name is not recorded"))
	}
	return fmt.Sprintf("**Do not needle %s**: hold%s since %s. %s", escape(cmp.Or(h.Scope, "this patient")), by,
		escape(cmp.Or(h.Day, c.Time(h.Since))), sentence("Seen: "+escape(h.Seen)))
}

func heldWhy(h card.Hold, facts []string) string {
	withdrawn := ""
	if h.GroundWithdrawn {
		withdrawn = "The reason for this hold was later corrected or withdrawn. The hold stays until a person lifts it."
	}
	needled := ""
	if n := h.NeedledSessions; n > 0 {
		needled = fmt.Sprintf("Sessions in which a needle was used during this hold: %d, last on %s.", n, escape(h.NeedledLast))
	}
	ids := "hold " + escape(h.ID)
	if len(h.IDs) > 1 {
		ids = fmt.Sprintf("%d reports shown as one hold, to be lifted together: %s", len(h.IDs), escape(strings.Join(h.IDs, ", ")))
	}
	return list(
		because(h.Rule, ""),
		needled,
		sentence("What clears it: "+escape(cmp.Or(h.Clears, "a named person lifts it, with a reason"))),
		withdrawn,
		sentence("To look it up: "+ids+facted(facts)),
	)
}

// because names the rule, whether a protocol may change it, and the version of the protocol, as
// far as they are known.
func because(ruleCode, version string) string {
	s := "Rule “" + escape(fhir.RuleName(ruleCode)) + "”"
	r, known := rule.Of(ruleCode)
	switch {
	case !known:
	case r.Fixed:
		s += " (fixed: no protocol can change it)"
	case len(r.Parameters) > 0:
		s += " (the unit's protocol sets its values)"
	default:
		s += " (no protocol sets values for it)"
	}
	if version != "" {
		s += " by protocol " + escape(version)
	}
	return sentence(s)
}

// facted names the facts that something rests on, behind what comes before.
func facted(facts []string) string {
	if len(facts) == 0 {
		return ", the fact it rests on is not named"
	}
	shown := make([]string, 0, len(facts))
	for _, f := range facts {
		shown = append(shown, escape(f))
	}
	if len(shown) == 1 {
		return ", fact " + shown[0]
	}
	return ", facts " + strings.Join(shown, ", ")
}

// line is a finding in a paragraph of its own.
func line(c *card.Card, f card.Finding) string {
	s := escape(f.Text)
	if f.Scope != "" {
		s = escape(card.Capital(f.Scope)) + ": " + s
	}
	return strings.Join([]string{
		sentence(s), "Since " + escape(c.When(f)) + ".", sentence("What clears it: " + escape(cmp.Or(f.Clears, "not said"))),
		because(f.Rule, f.Protocol), sentence("To look it up: rule " + escape(f.Rule) + facted(f.Facts)),
	}, " ")
}

// whatToDo lists the steps of tracks that get no needle, each once.
func whatToDo(c *card.Card) string {
	var steps []string
	for _, t := range c.Tracks {
		if t.Stage == "retired" {
			continue
		}
		for _, s := range t.Preparation {
			if x := escape(s.Text); s.Phase == card.PhaseStop && !slices.Contains(steps, x) {
				steps = append(steps, x)
			}
		}
	}
	if len(steps) == 0 {
		return ""
	}
	return "What to do:\n\n" + list(steps...)
}

// graded is the card of all findings of one severity; nil without any.
func graded(c *card.Card, found []card.Finding, indicator, name string) *draft {
	if len(found) == 0 {
		return nil
	}
	d := &draft{indicator: indicator}
	var brief, items []string
	for _, f := range found {
		place := ""
		if f.Scope != "" {
			place = f.Scope + ": "
		}
		brief = append(brief, place+strings.TrimSuffix(f.Seen, "."))
		items = append(items, line(c, f))
	}
	head := card.Capital(name) + ", "
	if len(found) > 1 {
		head = fmt.Sprintf("%d %ss: ", len(found), name)
	}
	d.summary = head + strings.Join(brief, "; ")
	d.say(list(items...))
	return d
}

// notices is the card of what the reader must know before trusting the others. A view that
// is behind, or messages that could not be understood, make a warning of it.
func notices(c *card.Card) *draft {
	var said []string
	for _, n := range c.Notices {
		if n != card.NoTrack {
			said = append(said, n)
		}
	}
	if len(said) == 0 {
		return nil
	}
	d := &draft{indicator: Info, summary: "Before you trust this record: " + strings.Join(said, " ")}
	if c.Left {
		d.indicator = Warning // who left is here by mistake, or came back: that comes before any needle
	}
	if c.Lagging || c.Partial || c.Quarantined > 0 {
		d.indicator = Warning
		var wrong []string
		if c.Partial {
			wrong = append(wrong, "no stay is open here, what happened elsewhere since is not shown")
		}
		if c.Lagging {
			wrong = append(wrong, "this view is behind, newer facts may exist")
		}
		if c.Quarantined > 0 {
			wrong = append(wrong, fmt.Sprintf("messages not understood: %d, perhaps one about this patient", c.Quarantined))
		}
		d.summary = "The record may not be complete: " + strings.Join(wrong, "; ")
	}
	for i, n := range said {
		said[i] = escape(n)
	}
	d.say(list(said...), "This is about the record itself. It does not come from a rule.")
	return d
}

// history is the card of holds on what is no longer used; nil without any.
func history(c *card.Card) *draft {
	if len(c.History) == 0 {
		return nil
	}
	d := &draft{indicator: Info, summary: fmt.Sprintf("History: %d holds on what is no longer used were never lifted", len(c.History))}
	if len(c.History) == 1 {
		d.summary = "History: a hold on " + c.History[0].Scope + ", no longer used, was never lifted"
	}
	var items []string
	for i := range c.History {
		h := &c.History[i]
		items = append(items, sentence(escape(h.Text))+" "+because(h.Rule, "")+" "+sentence("To look it up: "+escape(h.Named())))
	}
	d.say(list(items...))
	return d
}

// needles are the cards of the tracks that are not retired; of a patient without one, the
// card that says so.
func needles(c *card.Card) []draft {
	var out []draft
	var retired []string
	for _, t := range c.Tracks {
		if t.Stage == "retired" {
			retired = append(retired, t.Name)
			continue
		}
		out = append(out, needle(t))
	}
	switch {
	case len(out) == 0:
		d := draft{indicator: Info, summary: card.NoTrack, parts: []string{escape(card.NoTrack)}}
		if len(retired) > 0 {
			d.summary = "No constant-site track is in use: " + strings.Join(retired, ", ") + " retired."
			d.parts = []string{escape(d.summary)}
		}
		d.say(escape(c.Use.Text), "This does not come from a rule. Nothing is recorded that a needle could be advised for.")
		return []draft{d}
	case len(out) > tracksApart:
		all := draft{indicator: Info, summary: fmt.Sprintf("Next needles of %d tracks", len(out))}
		for _, d := range out {
			if urgency(d.indicator) > urgency(all.indicator) {
				all.indicator = d.indicator
			}
			all.say(d.parts...)
		}
		return []draft{all}
	}
	return out
}

// needle is what comes next in a track and why. That there is none is a warning where no
// hold and no finding that stops says so already.
func needle(t card.Track) draft {
	d := draft{indicator: Info}
	name := fmt.Sprintf("Track %s (%s, %s)", t.Name, cmp.Or(t.Role, "role not recorded"), t.Stage)
	title := fmt.Sprintf("**Track %s**: %s, access %s, stage %s", escape(t.Name), escape(cmp.Or(t.Role, "role not recorded")),
		escape(cmp.Or(t.Access, "not recorded")), escape(t.Stage))
	if t.UnderReview {
		name, title = name+", under review", title+", under review"
	}
	var next string
	if t.Next.Needle == "none" {
		stopped := len(t.Held) > 0 || len(of(t.Findings, rule.Stop)) > 0
		if !stopped {
			d.indicator = Warning
		}
		d.summary = name + ": no needle. " + cmp.Or(t.Next.Why, "Why is not said.")
		next = "**No needle**"
	} else {
		parts := card.Geometry(t)
		session := card.Session(t)
		short := append(append([]string{t.Next.Needle + " needle"}, session...), parts[:2]...)
		d.summary = name + ": next " + strings.Join(short, ", ")
		if t.Next.Caution != "" {
			d.summary += ". Look first: " + t.Next.Caution
		}
		next = "Next: **" + escape(t.Next.Needle) + " needle**, " + escape(strings.Join(parts, ", "))
	}
	d.say(title + ".")
	var extras []string
	for _, e := range t.Added() {
		extras = append(extras, fmt.Sprintf("One of the %d sessions was added: ", t.Course())+sentence(escape(e.Text))+" "+
			because(e.Rule, ""))
	}
	who := "Whose track: " + escape(cmp.Or(t.Creator, "the creator is not recorded"))
	if len(t.Deputies) > 0 {
		who += ", deputies " + escape(strings.Join(t.Deputies, ", "))
	}
	if len(t.Next.Who) > 0 {
		who += "; who may needle it now: " + escape(strings.Join(t.Next.Who, ", "))
	}
	items := []string{sentence(next), sentence("Why: " + escape(cmp.Or(t.Next.Why, "not said"))), sentence(who)}
	if t.Declared != "" {
		items = append(items, sentence("As taken over: "+escape(t.Declared)))
	}
	for _, r := range t.Remarks {
		items = append(items, sentence(escape(r)))
	}
	items = append(items, extras...)
	if len(t.Recent) > 0 {
		items = append(items, sentence("Last session: "+escape(card.VisitText(t.Recent[0]))))
	}
	if len(t.Held) > 0 {
		items = append(items, "A hold is open here. See the card that says not to needle.")
	}
	items = append(items, sentence(judgedBy(t)))
	d.say(list(items...))
	return d
}

// judgedBy names the rules that this track's sessions count by.
func judgedBy(t card.Track) string {
	s := "Judged by the built-in needling protocol"
	if t.ProtocolVersion != "" {
		s = "Judged by needling protocol " + escape(t.ProtocolVersion)
	}
	return s + "; sharp or blunt by the rule “" + fhir.RuleName(rule.EarlyBlunt) + "”"
}
