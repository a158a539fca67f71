package whatif

import "time"

// Report is what another protocol would have judged differently. Of patients it holds
// their keys and nothing else that tells who they are.
type Report struct {
	AsOf time.Time `json:"asOf"`
	// Sequence is the last entry of the log that was looked at; Lagging tells that newer
	// ones may be missing. Both are for the caller to fill in.
	Sequence uint64 `json:"sequence"`
	Lagging  bool   `json:"lagging"`
	// Version and EffectiveFrom (local date) are those of the other protocol.
	Version       string     `json:"version"`
	EffectiveFrom string     `json:"effectiveFrom"`
	Facilities    []Facility `json:"facilities"`
	// Patients are those of whom anything is judged differently, by facility and key.
	Patients []PatientReport `json:"patients"`
	Notes    []string        `json:"notes"`
	Caution  string          `json:"caution"`
}

// Facility is what was compared for one facility, and the totals of its patients.
type Facility struct {
	Facility string `json:"facility"`
	// Recorded are the protocols that were in force since EffectiveFrom, oldest first. Each is
	// compared parameter by parameter; Parameters are those of the latest.
	Recorded   []InForce   `json:"recorded"`
	Parameters []Parameter `json:"parameters"`
	Totals     Totals      `json:"totals"`
}

// InForce is a protocol, the first local date looked at on which it was in force, and the
// parameters that differ in its time.
type InForce struct {
	Version    string      `json:"version"`
	From       string      `json:"from"`
	Parameters []Parameter `json:"parameters"`
}

// Totals count patients, tracks and differences. A patient belongs to the facility of the
// newest fact.
type Totals struct {
	Patients        int `json:"patients"`
	PatientsChanged int `json:"patientsChanged"`
	Tracks          int `json:"tracks"`
	TracksChanged   int `json:"tracksChanged"`
	// Sessions in a track; SessionsLost counted and would not have, SessionsGained the
	// other way round.
	Sessions       int `json:"sessions"`
	SessionsLost   int `json:"sessionsLost"`
	SessionsGained int `json:"sessionsGained"`
	// Tracks that would have been ready on an earlier day, on a later one, not at all
	// although they were, and at some time although they never were.
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
	Changed int    `json:"changed"` // there under both, but graver or milder, or over at another time
}

// PatientReport is what is judged differently of one patient.
type PatientReport struct {
	Patient  string          `json:"patient"` // key
	Facility string          `json:"facility"`
	Tracks   []TrackReport   `json:"tracks"`
	Findings []FindingChange `json:"findings"`
	Holds    []HoldChange    `json:"holds"`
}

// TrackReport is what is judged differently of one track.
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
	// Why says why it does not count under the one under which it does not; it may be
	// empty, where a session is no longer looked at as one that could.
	Why []string `json:"why"`
}

// Reached is when a track first was at a stage, or beyond it, at the end of a day.
type Reached struct {
	Stage string `json:"stage"`
	// Recorded and WhatIf are absent where it never was.
	Recorded *Milestone `json:"recorded,omitempty"`
	WhatIf   *Milestone `json:"whatIf,omitempty"`
	// Later is by how many days, MoreSessions by how many sessions in the track, counted or
	// not; negative is earlier. Absent where one of the two never was.
	Later        *int `json:"laterDays,omitempty"`
	MoreSessions *int `json:"moreSessions,omitempty"`
}

// Milestone is a day with the sessions that a track had had by its end.
type Milestone struct {
	Date     string `json:"date"`
	Sessions int    `json:"sessions"`
}

// How a finding or hold differs.
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
	// Stands tells that it is not over at the moment asked for.
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
