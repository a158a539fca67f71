package simulate

import (
	"time"

	v1 "cannulary/proto/cannulary/v1"
)

// What makes a patient worth looking at.
const (
	Moved          = "moved"           // from one unit of the record to another
	GuestTreated   = "guest"           // treated in another unit, admitted to their own
	LongUnused     = "unused"          // tracks that nobody needled for weeks
	LiftedAtOnce   = "lifted"          // a hold that a physician lifted within the hour
	AnsweredLate   = "answered-late"   // a hold in spite of which the track was needled
	LateCulture    = "late-culture"    // a result that arrived days after it was known
	FindingCleared = "finding-cleared" // a sign at an examination that a later one found gone
)

// Highlight is something in the feed that is worth looking at.
type Highlight struct {
	What    string // one of the constants above
	Patient *v1.PatientIdentifier
	At      time.Time // a moment worth asking for: the card as of then differs from today's
	Text    string    // what happened, in a few words
}

// highlight notes what happens within the period.
func (p *patient) highlight(h Highlight) {
	if h.At.Before(p.u.local(p.u.days, 0, 0)) {
		p.u.highlights = append(p.u.highlights, h)
	}
}

// tell notes a highlight whose moment is noon of a day.
func (p *patient) tell(what string, day int, text string) {
	p.highlight(Highlight{What: what, Patient: p.identifier(), At: p.u.local(day, 12, 0), Text: text})
}
