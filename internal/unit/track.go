package unit

import (
	"time"

	"cannulary/internal/record"
	"cannulary/internal/record/zone"
	"cannulary/internal/track"
	"cannulary/internal/track/rule"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Track is what the figures take from the judgement of one track.
type Track struct {
	Patient, Name, Role string
	Stage               track.Stage
	// Away reports that the patient left the unit. Such a track has a history and no stage there.
	Away        bool
	Held        bool
	UnderReview bool
	Cautions    []string // what was seen, of the cautions and stops that stand on it and open no hold
	Declared    bool     // taken over, so its first needle is not on record
	Creator     *cannularyv1.StaffIdentifier
	Deputies    []*cannularyv1.StaffIdentifier // without the creator, each once
	// GivenUp is the day on which it was retired, 0 while it is in use.
	GivenUp  zone.Day
	Sessions []Session
}

// Session is what the figures take from one session with a used needle.
type Session struct {
	Day zone.Day
	// Forming is a session before the trial, Past one in trial or after.
	Forming, Past bool
	Ready         bool // the track was ready, or further, after it
	Clean, Rescue bool
	Listed        cannularyv1.Answer
	Who           string // record.StaffID, empty if it is not recorded
}

// Tracks takes from a judgement of track.FoldLives what the figures need.
func Tracks(j *track.Judgement, patient string, local *time.Location) []Track {
	var out []Track
	for i := range j.Tracks {
		s := &j.Tracks[i]
		t := Track{Patient: patient, Name: s.Name, Role: track.RoleName(s.Role), Stage: s.Stage, Away: j.Where.Left, Held: len(s.Held) > 0,
			UnderReview: s.UnderReview, Declared: s.Taken != nil, Creator: s.Creator}
		named := map[string]bool{}
		if s.Creator != nil {
			named[record.StaffID(s.Creator)] = true
		}
		for _, d := range s.Deputies {
			if id := record.StaffID(d); !named[id] {
				named[id], t.Deputies = true, append(t.Deputies, d)
			}
		}
		for _, f := range j.Standing() {
			mine := f.Track == s.Name || f.Track == "" && f.Access == s.Access && s.Access != ""
			if mine && f.Hold == "" && f.Severity != rule.Note && s.Stage != track.Retired {
				t.Cautions = append(t.Cautions, seen(&f))
			}
		}
		if s.Life != nil {
			if !s.Life.GivenUp.IsZero() {
				t.GivenUp = zone.DayOf(s.Life.GivenUp, local)
			}
			for k := range s.Life.Sessions {
				if x, ok := session(&s.Life.Sessions[k]); ok {
					t.Sessions = append(t.Sessions, x)
				}
			}
		}
		out = append(out, t)
	}
	return out
}

// seen returns what was seen, without words that a person wrote: tracks are kept, and an erasure
// would not reach them.
func seen(f *track.Finding) string {
	if f.Rule == rule.NeedledUnderHold {
		return "needled while a hold was open"
	}
	return f.Seen
}

func session(s *track.Session) (Session, bool) {
	day, err := zone.ParseDay(s.Date)
	if err != nil || !s.Used {
		return Session{}, false
	}
	x := Session{Day: day, Past: s.Past, Forming: !s.Past && s.Stage != track.Established, Clean: s.Clean, Rescue: s.Rescue,
		Listed: s.Listed, Ready: s.Stage == track.Ready || s.Stage == track.Trial || s.Stage == track.Established}
	if s.Who != nil {
		x.Who = record.StaffID(s.Who)
	}
	return x, true
}
