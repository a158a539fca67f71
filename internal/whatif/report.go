package whatif

import "time"

// Report is what another protocol would have judged differently. It holds the keys of patients
// and nothing else that identifies them.
type Report struct {
	AsOf time.Time `json:"asOf"`
	// Sequence is the last log entry that was judged. Lagging reports that newer entries may be
	// missing. The caller fills in both.
	Sequence uint64 `json:"sequence"`
	Lagging  bool   `json:"lagging"`
	// Version and EffectiveFrom (a local date) are those of the other protocol.
	Version       string     `json:"version"`
	EffectiveFrom string     `json:"effectiveFrom"`
	Facilities    []Facility `json:"facilities"`
	// Patients are those with a difference, by facility and key.
	Patients []PatientReport `json:"patients"`
	Notes    []string        `json:"notes"`
	Caution  string          `json:"caution"`
}

// Facility is what was compared for one facility, and the totals of its patients.
type Facility struct {
	Facility string `json:"facility"`
	// Recorded are the protocols that were in force since EffectiveFrom, oldest first. Each is
	// compared parameter by parameter. Parameters are those of the latest one.
	Recorded   []InForce   `json:"recorded"`
	Parameters []Parameter `json:"parameters"`
	Totals     Totals      `json:"totals"`
}

// InForce is a protocol, the first compared local date on which it was in force, and the
// parameters that differ in its time.
type InForce struct {
	Version    string      `json:"version"`
	From       string      `json:"from"`
	Parameters []Parameter `json:"parameters"`
}

// Totals count patients, tracks and differences. A patient counts at the facility where the
// patient belongs.
type Totals struct {
	Patients        int `json:"patients"`
	PatientsChanged int `json:"patientsChanged"`
	Tracks          int `json:"tracks"`
	TracksChanged   int `json:"tracksChanged"`
	// Sessions in a track. SessionsLost counted and would not have; SessionsGained did not count
	// and would have.
	Sessions       int `json:"sessions"`
	SessionsLost   int `json:"sessionsLost"`
	SessionsGained int `json:"sessionsGained"`
	// Tracks that would have been ready on an earlier day, on a later day, never although they
	// were ready, and at some time although they never were.
	ReadyEarlier int `json:"readyEarlier"`
	ReadyLater   int `json:"readyLater"`
	ReadyLost    int `json:"readyLost"`
	ReadyGained  int `json:"readyGained"`
	// Tracks at another stage, or with another next needle, at the moment asked for.
	StageChanged  int         `json:"stageChanged"`
	NeedleChanged int         `json:"needleChanged"`
	Findings      []RuleCount `json:"findings"`
	Holds         []RuleCount `json:"holds"`
}

// RuleCount counts differences of one rule.
type RuleCount struct {
	Rule    string `json:"rule"`
	Lost    int    `json:"lost"`
	Gained  int    `json:"gained"`
	Changed int    `json:"changed"` // found under both protocols, but graver, milder or over at another time
}

// PatientReport is what differs for one patient.
type PatientReport struct {
	Patient  string          `json:"patient"` // key
	Facility string          `json:"facility"`
	Tracks   []TrackReport   `json:"tracks"`
	Findings []FindingChange `json:"findings"`
	Holds    []HoldChange    `json:"holds"`
}

// TrackReport is what differs for one track.
type TrackReport struct {
	ID       string          `json:"id"`
	Track    string          `json:"track"` // the sender's name
	Role     string          `json:"role"`  // arterial, venous or empty
	Recorded Side            `json:"recorded"`
	WhatIf   Side            `json:"whatIf"`
	Sessions []SessionChange `json:"sessions"`
	// Reached are the stages that the track reached for the first time on another day.
	Reached []Reached `json:"reached"`
}

// Side is a track at the moment asked for, under one of the two protocols.
type Side struct {
	Stage   string `json:"stage"`
	Counted int    `json:"sessionsCounted"`
	Needed  int    `json:"sessionsNeeded"` // target and extras
	Needle  string `json:"needle"`
	Session int    `json:"session,omitempty"` // of the next needle, see track.Next
	Why     string `json:"why"`
}

// SessionChange is a session that counts under one protocol and not under the other.
type SessionChange struct {
	Date    string `json:"date"` // local
	Tip     string `json:"tip"`  // of the final entry
	Counted bool   `json:"counted"`
	WhatIf  bool   `json:"whatIf"`
	// Why are the reasons why it does not count under one of the protocols. They are empty if
	// that protocol does not look at the session as one that could count.
	Why []string `json:"why"`
}

// Reached is when a track was first at a stage, or beyond it, at the end of a day.
type Reached struct {
	Stage string `json:"stage"`
	// Recorded and WhatIf are absent if it never was.
	Recorded *Milestone `json:"recorded,omitempty"`
	WhatIf   *Milestone `json:"whatIf,omitempty"`
	// Later is the difference in days, MoreSessions in sessions in the track, counted or not;
	// negative is earlier. They are absent if one of the two never was.
	Later        *int `json:"laterDays,omitempty"`
	MoreSessions *int `json:"moreSessions,omitempty"`
}

// Milestone is a day, with the number of sessions in the track by its end.
type Milestone struct {
	Date     string `json:"date"`
	Sessions int    `json:"sessions"`
}

// How a finding or a hold differs.
const (
	Lost    = "lost"
	Gained  = "gained"
	Changed = "changed"
)

// FindingChange is a finding that differs.
type FindingChange struct {
	Change   string `json:"change"`
	Rule     string `json:"rule"`
	Track    string `json:"track,omitempty"`
	Access   string `json:"access,omitempty"`
	Date     string `json:"date"` // local, of the fact that it rests on
	Severity string `json:"severity"`
	Seen     string `json:"seen"`
	// Stands reports that it is not over at the moment asked for.
	Stands bool `json:"stands"`
	// How says what changed.
	How string `json:"how,omitempty"`
}

// HoldChange is a hold that differs.
type HoldChange struct {
	Change   string   `json:"change"`
	Rule     string   `json:"rule"`
	Tracks   []string `json:"tracks,omitempty"`
	Accesses []string `json:"accesses,omitempty"`
	Date     string   `json:"date"`
	Text     string   `json:"text"`
	Open     bool     `json:"open"`
}
