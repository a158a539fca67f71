package histories

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/record"
	"cannulary/internal/track/rule"
	v1 "cannulary/proto/cannulary/v1"
)

// finding is mostly as it should be, sometimes not looked for, rarely the other way.
func (b *builder) finding(should v1.Finding, wrong float64) v1.Finding {
	switch {
	case b.chance(wrong):
		return v1.Finding_FINDING_PRESENT + v1.Finding_FINDING_ABSENT - should
	case b.chance(0.15):
		return pick(b, v1.Finding_FINDING_UNSPECIFIED, v1.Finding_FINDING_NOT_EXAMINED)
	}
	return should
}

// examination looks, listens and feels.
func (b *builder) examination() *v1.AccessExamined {
	const present, absent = v1.Finding_FINDING_PRESENT, v1.Finding_FINDING_ABSENT
	e := &v1.AccessExamined{Access: b.access}
	if b.other != "" && b.chance(0.05) {
		e.Access = b.other
	}
	if b.chance(0.9) {
		e.Look = &v1.Look{
			Redness: b.finding(absent, 0.004), Swelling: b.finding(absent, 0.02), Pus: b.finding(absent, 0.004),
			Haematoma: b.finding(absent, 0.04), Aneurysm: b.finding(absent, 0.06),
			ShinyOrThinSkin: b.finding(absent, 0.004), NonHealingScab: b.finding(absent, 0.004), Ulcer: b.finding(absent, 0.002),
			CollapseOnElevation: b.finding(present, 0.05),
		}
	}
	if b.chance(0.9) {
		e.Listen = &v1.Listen{Bruit: b.finding(present, 0.004), HighPitchedBruit: b.finding(absent, 0.15)}
	}
	if b.chance(0.9) || e.Look == nil && e.Listen == nil {
		e.Feel = &v1.Feel{
			Thrill: b.finding(present, 0.004), DiscontinuousThrill: b.finding(absent, 0.15), BoundingPulse: b.finding(absent, 0.15),
			PulseAugmentation: b.finding(present, 0.05), Warmth: b.finding(absent, 0.03), Tenderness: b.finding(absent, 0.03),
		}
	}
	for _, t := range b.tracks {
		if b.chance(0.4) {
			e.Sites = append(e.Sites, &v1.SiteLook{
				Track: t.name, Pus: b.finding(absent, 0.004), Redness: b.finding(absent, 0.01), Swelling: b.finding(absent, 0.01),
				NonHealingScab: b.finding(absent, 0.004), ShinyOrThinSkin: b.finding(absent, 0.004),
			})
		}
	}
	return e
}

// noticed lifts, some days on, what a fact may hold: by every rule that might, whether or
// not it does, since the drawing judges nothing.
func (b *builder) noticed(facts []told) {
	for _, f := range facts {
		var rules []string
		switch m := f.body.(type) {
		case *v1.AccessExamined:
			rules = suspect(m)
			if m.GetLook().GetAneurysm() == v1.Finding_FINDING_PRESENT && b.chance(0.4) {
				b.review(f.at, "", m.Access, 10)
			}
		case *v1.TrackPlanned:
			if m.TipDistanceMillimetres != nil && m.GetTipDistanceMillimetres() < 60 {
				rules = []string{rule.SpacingShort}
			}
		case *v1.HoldPlaced:
			rules = []string{rule.Person}
		case *v1.CultureResulted:
			rules = []string{rule.Bacteraemia}
		case *v1.SiteSignsSeen:
			rules = []string{rule.SiteInfection}
		}
		if len(rules) > 1 && b.chance(0.5) {
			b.lift(f, rules...)
			continue
		}
		for _, code := range rules {
			b.lift(f, code)
		}
	}
}

func suspect(e *v1.AccessExamined) []string {
	const present, absent = v1.Finding_FINDING_PRESENT, v1.Finding_FINDING_ABSENT
	var out []string
	look := e.GetLook()
	infected := look.GetPus() == present || look.GetRedness() == present
	skin := look.GetShinyOrThinSkin() == present || look.GetNonHealingScab() == present || look.GetUlcer() == present
	for _, s := range e.GetSites() {
		infected = infected || s.GetPus() == present || s.GetRedness() == present || s.GetSwelling() == present
		skin = skin || s.GetNonHealingScab() == present || s.GetShinyOrThinSkin() == present
	}
	if infected {
		out = append(out, rule.SiteInfection)
	}
	if skin {
		out = append(out, rule.SkinAtRisk)
	}
	if e.GetFeel().GetThrill() == absent || e.GetListen().GetBruit() == absent {
		out = append(out, rule.ThrillAbsent)
	}
	return out
}

// lift lifts what the fact holds by these rules, and at times an earlier hold with it.
func (b *builder) lift(f told, rules ...string) {
	var ids []string
	for _, code := range rules {
		ids = append(ids, record.HoldID(code, f.id))
	}
	unlifted := b.unlifted
	b.unlifted = ids
	after := func(days int) time.Time { return f.at.Add(time.Duration(1+b.r.IntN(24*days)) * time.Hour) }
	at, works := after(4), true
	switch {
	case b.chance(0.12):
		return
	case b.chance(0.1):
		at, works = f.at.Add(-time.Duration(1+b.r.IntN(50))*time.Hour), false // dated before its hold
	case b.chance(0.1):
		at, works = f.at, false
	case b.chance(0.2): // on the same day, more or less
		at, works = f.at.Add(time.Duration(b.r.IntN(20))*time.Hour), false
	}
	if b.chance(0.4) {
		ids = append(ids, unlifted...)
	}
	session := b.session
	b.session = ""
	b.say(at, &v1.HoldLifted{Hold: ids[0], MoreHolds: ids[1:], LiftedBy: b.nurse(0), Reason: "invented"})
	if b.chance(0.1) || !works && b.chance(0.8) {
		b.say(after(8), &v1.HoldLifted{Hold: ids[len(ids)-1], MoreHolds: ids[:len(ids)-1], LiftedBy: b.nurse(1), Reason: "invented"})
	}
	b.session = session
}

// anyTrack is one of the tracks.
func (b *builder) anyTrack() *track { return b.tracks[b.r.IntN(len(b.tracks))] }

// between tells of what happens between treatments: new plans, deputies, holds, rests,
// reviews, retirements.
func (b *builder) between(at time.Time) {
	session := b.session
	b.session = ""
	defer func() { b.session = session }()
	t := b.anyTrack()
	switch n := b.r.IntN(400); {
	case n < 8:
		b.planTracks(t)
	case n < 14:
		b.say(at, &v1.DeputyNamed{Track: t.name, Deputy: b.nurse(1 + b.r.IntN(3))})
	case n < 19:
		b.placeHold(at, t)
	case n < 26:
		r := &v1.TrackRested{Track: t.name}
		if b.chance(0.6) {
			r.Until = proto.String(b.day.AddDate(0, 0, 1+b.r.IntN(12)).Format(time.DateOnly))
		}
		b.say(at, r)
		if b.chance(0.6) {
			b.say(at.Add(time.Duration(1+b.r.IntN(100))*time.Hour), &v1.TrackResumed{Track: t.name})
		}
	case n < 34:
		if b.chance(0.5) {
			b.review(at, "", b.access, 8)
		} else {
			b.review(at, t.name, "", 8)
		}
	case n < 38 && !t.retired && len(b.tracks) < 5:
		t.retired = true
		name := string(rune('A' + len(b.tracks)))
		b.say(at, &v1.TrackRetired{Track: t.name, ReplacedBy: name})
		b.planTracks(b.newTrack(name, t.role))
	case n == 38 && len(b.tracks) < 4:
		b.say(at, &v1.AccessRetired{Access: b.access})
		for _, old := range b.tracks {
			old.retired = true
		}
		b.access = fmt.Sprintf("F%d", len(b.tracks))
		b.say(at, &v1.AccessCreated{Access: b.access, Kind: v1.AccessKind_ACCESS_KIND_FISTULA})
		b.planTracks(b.newTrack(string(rune('A'+len(b.tracks))), v1.NeedleRole_NEEDLE_ROLE_ARTERIAL))
	case n == 39:
		b.takeOver(t)
	case n == 40 && b.other != "":
		t.access = b.other
		b.planTracks(t)
	case n >= 41 && n < 45:
		for on := range 1 + b.r.IntN(3) {
			again := &v1.AccessCreated{Access: b.access, Kind: v1.AccessKind_ACCESS_KIND_FISTULA, Side: b.side()}
			if b.chance(0.25) {
				again.Kind = v1.AccessKind_ACCESS_KIND_GRAFT
			}
			b.say(at.AddDate(0, 0, on*b.r.IntN(9)), again)
		}
	case n >= 45 && n < 53:
		b.placeHold(at, t)
	case n == 53 && b.other != "":
		b.say(at, &v1.AccessRetired{Access: b.other})
		b.other = ""
	}
}

// review opens a review of a track, or of an access, and mostly closes it within some days.
func (b *builder) review(at time.Time, track, access string, days int) {
	session := b.session
	b.session = ""
	b.reviews++
	name := fmt.Sprintf("r%d", b.reviews)
	b.say(at, &v1.ReviewOpened{Review: name, Track: track, Access: access, OpenedBy: b.nurse(0), Reason: "invented"})
	if b.chance(0.8) {
		b.say(at.Add(time.Duration(1+b.r.IntN(24*days))*time.Hour), &v1.ReviewClosed{Review: name, ClosedBy: b.nurse(0),
			Outcome: "invented"})
	}
	b.session = session
}

// placeHold places a hold on a track, or on an access, for several days mostly.
func (b *builder) placeHold(at time.Time, t *track) {
	h := &v1.HoldPlaced{PlacedBy: b.nurse(0), Reason: "invented", Track: t.name}
	if b.chance(0.4) {
		h.Track, h.Access = "", b.access
		if b.other != "" && b.chance(0.3) {
			h.Access = b.other
		}
	}
	b.noticed(b.say(at, h))
}

// measured tells of what is measured or goes wrong in a treatment.
func (b *builder) measured(at time.Time) {
	if b.chance(0.1) { // a result that another facility sends, late
		was := b.unitNo
		b.unitNo = b.r.IntN(3)
		defer func() { b.unitNo = was }()
	}
	if b.chance(0.08) {
		flow := pick(b, 1300, 1100, 900, 900, 700, 600, 480, 350) + b.r.IntN(30)
		b.say(at, &v1.AccessFlowMeasured{Access: b.access, FlowMillilitresPerMinute: proto.Float64(float64(flow))})
	}
	if b.chance(0.025) {
		c := &v1.ComplicationSeen{Kind: v1.ComplicationKind_COMPLICATION_KIND_INFILTRATION, Track: b.anyTrack().name}
		if b.chance(0.3) {
			c.Track, c.Access = "", b.access
		}
		if b.chance(0.2) {
			c.Kind = v1.ComplicationKind_COMPLICATION_KIND_HAEMATOMA
		}
		b.say(at, c)
		b.elsewhere = b.r.IntN(3)
	}
	if b.chance(0.02) {
		c := &v1.CultureResulted{
			CollectedAt: timestamppb.New(at.Add(-20 * time.Hour)), CollectedPrecision: v1.TimePrecision_TIME_PRECISION_MINUTE,
			Specimen: pick(b, v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD, v1.CultureSpecimen_CULTURE_SPECIMEN_BLOOD,
				v1.CultureSpecimen_CULTURE_SPECIMEN_ACCESS_SITE),
			Growth: v1.CultureGrowth_CULTURE_GROWTH_POSITIVE, Organisms: []*v1.Organism{{Group: v1.OrganismGroup(1 + b.r.IntN(3))}},
		}
		if b.chance(0.2) {
			c.Growth, c.Organisms = v1.CultureGrowth_CULTURE_GROWTH_NEGATIVE, nil
		}
		b.noticed(b.say(at, c))
	}
	if b.chance(0.012) {
		s := &v1.SiteSignsSeen{Access: b.access, Redness: v1.Finding_FINDING_PRESENT}
		if b.chance(0.6) {
			s.Track = b.anyTrack().name
		}
		b.noticed(b.say(at, s))
	}
}
