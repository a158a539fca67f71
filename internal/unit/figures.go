package unit

import (
	"slices"

	"cannulary/internal/record/zone"
	"cannulary/internal/surveil"
	"cannulary/internal/track"
	"cannulary/internal/track/trend"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Figures are those of one unit in a window, but for Stages and Open, which are of today.
type Figures struct {
	Stages     []Stage    `json:"tracksByStage"`
	Readiness  Readiness  `json:"readiness"`
	Blunt      Share      `json:"bluntSuccess"` // good sessions of those with a needle past forming
	Rescues    Share      `json:"rescues"`      // sessions with a rescue, of the same
	Continuity Continuity `json:"continuity"`
}

// Stage is how many tracks are in a stage.
type Stage struct {
	Stage  track.Stage `json:"stage"`
	Tracks int         `json:"tracks"`
}

// Share is some of so many, with exact 95 % limits (Clopper and Pearson). Without any, nothing is
// known, and the limits are 0 and 1.
type Share struct {
	Some  int     `json:"some"`
	Of    int     `json:"of"`
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

// Value returns the share, 0 of none.
func (s Share) Value() float64 {
	if s.Of == 0 {
		return 0
	}
	return float64(s.Some) / float64(s.Of)
}

// ShareOf returns a share with its limits.
func ShareOf(some, of int) Share {
	s := Share{Some: some, Of: of}
	s.Lower, s.Upper = trend.Binomial(some, of, surveil.Level)
	return s
}

// Readiness is the time from the first needle in a track until it was ready, for tracks begun in
// the window. Nil figures were not reached yet.
type Readiness struct {
	Begun    int  `json:"begun"`
	Reached  int  `json:"reached"`
	OnTheWay int  `json:"onTheWay"`
	GivenUp  int  `json:"givenUpBefore"`
	Declared int  `json:"takenOverAndLeftOut"`
	Quarter  *int `json:"daysUntilAQuarterWasReady"`
	Median   *int `json:"daysUntilHalfWereReady"`
	Three    *int `json:"daysUntilThreeQuartersWereReady"`
}

// Continuity is who needled in forming sessions.
type Continuity struct {
	// Listed are the sessions by creator or deputies, Others by anybody else, Unknown those of
	// which the record cannot tell. Share is Listed of all.
	Listed  int   `json:"byCreatorOrDeputy"`
	Others  int   `json:"byOthers"`
	Unknown int   `json:"notRecorded"`
	Share   Share `json:"share"`
	// Hands are the different people in the forming sessions of a track: how many tracks, half of
	// them at most so many people, and the most.
	Tracks int `json:"tracks"`
	Median int `json:"medianHands"`
	Most   int `json:"mostHands"`
}

// Of returns the figures of a unit's tracks in a window, as of today.
func Of(tracks []Track, w surveil.Period, today zone.Day) Figures {
	from, to := zone.Day(w.From.First()), min(zone.Day(w.To.Last()), today)
	var f Figures
	for _, stage := range []track.Stage{track.Planned, track.Forming, track.Ready, track.Trial, track.Established, track.Resting,
		track.Retired} {
		n := 0
		for i := range tracks {
			if tracks[i].Stage == stage && !tracks[i].Away {
				n++
			}
		}
		f.Stages = append(f.Stages, Stage{stage, n})
	}
	f.Readiness = readiness(tracks, from, to, today)
	b := blunt(tracks, from, to)
	f.Blunt, f.Rescues = ShareOf(b.clean, b.sessions), ShareOf(b.rescues, b.sessions)
	f.Continuity = continuity(tracks, from, to)
	return f
}

func readiness(tracks []Track, from, to, today zone.Day) Readiness {
	var r Readiness
	var list []Observation
	for i := range tracks {
		t := &tracks[i]
		if len(t.Sessions) == 0 {
			continue
		}
		first := t.Sessions[0].Day
		if first < from || first > to {
			continue
		}
		if t.Declared {
			r.Declared++
			continue
		}
		r.Begun++
		k := slices.IndexFunc(t.Sessions, func(s Session) bool { return s.Ready })
		switch {
		case k >= 0:
			r.Reached++
			list = append(list, Observation{int(t.Sessions[k].Day - first), true})
		case t.GivenUp > 0 || t.Away:
			r.GivenUp++
			list = append(list, Observation{int(t.Sessions[len(t.Sessions)-1].Day - first), false})
		default:
			r.OnTheWay++
			list = append(list, Observation{int(today - first), false})
		}
	}
	c := KaplanMeier(list)
	for _, x := range []struct {
		p  float64
		to **int
	}{{0.25, &r.Quarter}, {0.5, &r.Median}, {0.75, &r.Three}} {
		if days, ok := c.By(x.p); ok {
			*x.to = &days
		}
	}
	return r
}

type bluntCount struct{ sessions, clean, rescues int }

func blunt(tracks []Track, from, to zone.Day) (b bluntCount) {
	for i := range tracks {
		for _, s := range tracks[i].Sessions {
			if !s.Past || s.Day < from || s.Day > to {
				continue
			}
			b.sessions++
			if s.Clean {
				b.clean++
			}
			if s.Rescue {
				b.rescues++
			}
		}
	}
	return b
}

func continuity(tracks []Track, from, to zone.Day) Continuity {
	var c Continuity
	var hands []int
	for i := range tracks {
		who := map[string]bool{}
		for _, s := range tracks[i].Sessions {
			if !s.Forming || s.Day < from || s.Day > to {
				continue
			}
			switch s.Listed {
			case cannularyv1.Answer_ANSWER_YES:
				c.Listed++
			case cannularyv1.Answer_ANSWER_NO:
				c.Others++
			default:
				c.Unknown++
			}
			if s.Who != "" {
				who[s.Who] = true
			}
		}
		if len(who) > 0 {
			hands = append(hands, len(who))
		}
	}
	c.Share = ShareOf(c.Listed, c.Listed+c.Others+c.Unknown)
	if c.Tracks = len(hands); c.Tracks > 0 {
		slices.Sort(hands)
		c.Median, c.Most = hands[(len(hands)-1)/2], hands[len(hands)-1]
	}
	return c
}
