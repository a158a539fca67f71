// Package rule is the table of the rules by which needling is judged. A row says what the rule
// asks, how grave it is to break it, whether a unit's protocol may change it, what it rests on and
// what clears it. The table is data; package track judges. The package imports nothing.
package rule

// Severity is how grave a finding is.
type Severity string

// The severities.
const (
	// Note: on the record.
	Note Severity = "note"
	// Caution: tell the cannulator and the lead.
	Caution Severity = "caution"
	// Stop: do not needle until a person clears it.
	Stop Severity = "stop"
)

// Scope is what a stop holds.
type Scope string

// The scopes.
const (
	// NoHold: a finding of the rule holds nothing.
	NoHold Scope = ""
	// Entry: the entry at hand, until it is prepared as asked. It is no hold.
	Entry Scope = "entry"
	// Track: one track.
	Track Scope = "track"
	// Access: an access with all its tracks.
	Access Scope = "access"
)

// The codes.
const (
	NotAFistula         = "not-a-fistula"
	SpacingShort        = "spacing-short"
	SpacingLong         = "spacing-long"
	NearAnastomosis     = "near-anastomosis"
	AngleUnusual        = "angle-unusual"
	AngleDrift          = "angle-drift"
	FirstByNovice       = "first-by-novice"
	UnlistedCannulator  = "unlisted-cannulator"
	OffSite             = "off-site"
	OffPath             = "off-path"
	GapLong             = "gap-long"
	PegMissing          = "peg-missing"
	EarlyBlunt          = "early-blunt"
	FloorSix            = "floor-six"
	HardEntry           = "hard-entry"
	Rescue              = "rescue"
	RescueRepeat        = "rescue-repeat"
	AttemptsExceeded    = "attempts-exceeded"
	ScabIncomplete      = "scab-incomplete"
	SingleDisinfection  = "single-disinfection"
	ContactShort        = "contact-short"
	GaugeFlow           = "gauge-flow"
	ReferenceReused     = "reference-reused"
	NeedledUnderHold    = "needled-under-hold"
	UnusedLong          = "unused-long"
	ThrillAbsent        = "thrill-absent"
	SiteInfection       = "site-infection"
	SkinAtRisk          = "skin-at-risk"
	ExaminationFinding  = "examination-finding"
	AccessRestated      = "access-restated"
	OutflowSign         = "outflow-sign"
	InflowSign          = "inflow-sign"
	HaemostasisRising   = "haemostasis-rising"
	PressureRising      = "pressure-rising"
	FlowLow             = "flow-low"
	FlowFalling         = "flow-falling"
	Infiltration        = "infiltration"
	Bacteraemia         = "bacteraemia"
	Person              = "person"
	MergeWithoutEffect  = "merge-without-effect"
	liftedByName        = "a named person lifts the hold, with a reason"
	laterSessionWithout = "the next session in the track without it"
)

// Rule is one row of the table.
type Rule struct {
	Code string
	// Asks is what the rule asks, with the default values.
	Asks string
	// Severity is that of a finding. Graver, if not empty, is that of the graver case in Asks.
	Severity Severity
	Graver   Severity
	// Fixed rules are definitions or safety rules: no protocol has a parameter for them.
	Fixed bool
	// Parameters are the fields of message Protocol that the rule reads. Fixed rules have none.
	Parameters []string
	// Holds is what a finding of severity Stop holds.
	Holds Scope
	// Urgent reports that a stop needs a surgeon or a physician at once.
	Urgent bool
	// Basis is what the rule rests on. "read": read in the source named. "from memory": recalled,
	// not read. "common practice, no source" and "ours" mean what they say.
	Basis string
	// Clears is what ends a finding. ClearsGraver, if not empty, is what ends one of severity Graver.
	Clears       string
	ClearsGraver string
}

// EndedBy is what ends a finding of that severity.
func (r *Rule) EndedBy(s Severity) string {
	if s == r.Graver && r.ClearsGraver != "" {
		return r.ClearsGraver
	}
	return r.Clears
}

// All returns the table in the order of a session: plan, insertion, preparation, examination,
// trends, infection.
func All() []Rule { return append([]Rule(nil), table...) }

var table = []Rule{
	{Code: NotAFistula, Severity: Stop, Fixed: true, Holds: Track, Urgent: true,
		Asks:   "constant-site tracks are for native fistulas only",
		Basis:  "read: British Columbia Provincial Renal Agency, guideline of 2009",
		Clears: "the kind of the access or the plan is corrected, or the track is retired; it cannot be lifted"},
	{Code: SpacingShort, Severity: Caution, Graver: Stop, Holds: Track,
		Asks:         "the needle tips lie at least 60 mm apart; below 50 mm is a stop",
		Parameters:   []string{"tip_distance_min_millimetres", "tip_distance_stop_millimetres"},
		Basis:        "60 to 80 mm common practice, no source, and at least 60 mm in a trial (read: Hasbargen 1995); 50 mm from memory",
		Clears:       "a plan with the tips further apart",
		ClearsGraver: "a plan with the tips further apart, and " + liftedByName},
	{Code: SpacingLong, Severity: Caution,
		Asks:       "the needle tips lie at most 80 mm apart",
		Parameters: []string{"tip_distance_max_millimetres"}, Basis: "common practice, no source",
		Clears: "a plan with the tips closer together"},
	{Code: NearAnastomosis, Severity: Caution,
		Asks:       "a site lies at least 38 mm from the anastomosis",
		Parameters: []string{"anastomosis_distance_min_millimetres"}, Basis: "from memory, 38 to 50 mm",
		Clears: "a plan with the site further away"},
	{Code: AngleUnusual, Severity: Note,
		Asks:       "the planned angle lies within 20° to 35°",
		Parameters: []string{"angle_min_degrees", "angle_max_degrees"}, Basis: "from memory: KDOQI 2006, tables 3 and 4 (fistula)",
		Clears: "a plan with an angle in that range"},
	{Code: AngleDrift, Severity: Caution,
		Asks:       "the needle goes in and comes out within 5° of the track's angle",
		Parameters: []string{"angle_tolerance_degrees", "count_needs_same_angle"},
		Basis:      "same angle: common practice, no source; 5° is ours", Clears: laterSessionWithout},
	{Code: FirstByNovice, Severity: Caution,
		Asks:       "the first insertion is made by someone rated to create tracks within the last 12 months",
		Parameters: []string{"rating_valid_months"}, Basis: "from memory; the 12 months read in a facility's rating tool",
		Clears: "the track becomes ready, or is retired"},
	{Code: UnlistedCannulator, Severity: Caution,
		Asks:       "a forming track is needled by its creator or a named deputy",
		Parameters: []string{"count_needs_listed_cannulator"}, Basis: "read in a unit's procedure; the single deputy from memory",
		Clears: laterSessionWithout},
	{Code: OffSite, Severity: Caution,
		Asks:       "a forming track is entered in the same spot",
		Parameters: []string{"count_needs_same_spot"}, Basis: "read in a unit's procedure", Clears: laterSessionWithout},
	{Code: OffPath, Severity: Caution,
		Asks:       "no new path is cut in a forming track",
		Parameters: []string{"count_needs_same_path"}, Basis: "read in a unit's procedure", Clears: laterSessionWithout},
	{Code: GapLong, Severity: Caution,
		Asks: "forming sessions that count lie at most 7 days apart: after more, one more session; after more than 14 days " +
			"counting starts again",
		Parameters: []string{"gap_extra_days", "gap_restart_days"}, Basis: "this project's own, without a published source",
		Clears: "the track becomes ready, or counting starts again"},
	{Code: PegMissing, Severity: Caution,
		Asks:       "where the unit uses pegs, one is left after each forming session and found at the next: else one more session",
		Parameters: []string{"uses_pegs"}, Basis: "common practice, no source; the one session is this project's own",
		Clears: "the track becomes ready, or counting starts again"},
	{Code: EarlyBlunt, Severity: Caution,
		Asks: "no blunt needle before the track is ready, nor into a ready track after more than 7 days without a session that " +
			"counts",
		Parameters: []string{"forming_sessions_target", "easy_entries_needed", "gap_extra_days", "sharp_only"},
		Basis:      "common practice, no source", Clears: laterSessionWithout},
	{Code: FloorSix, Severity: Stop, Fixed: true,
		Asks:  "no protocol or plan asks for fewer than six sharp sessions; one that does is refused",
		Basis: "common practice, no source", Clears: "the message is sent again with six or more"},
	{Code: HardEntry, Severity: Note,
		Asks:       "each of the last two entries that count was easy: one attempt, one pass, no resistance",
		Parameters: []string{"easy_entries_needed"}, Basis: "from memory", Clears: "two easy entries in a row that count"},
	{Code: Rescue, Severity: Note, Graver: Caution,
		Asks:  "a sharp needle in a track past forming is a last resort and needs a reason: a note with one, a caution without",
		Basis: "common practice, no source; that it raises the risk of infection, read", Clears: laterSessionWithout},
	{Code: RescueRepeat, Severity: Caution,
		Asks:       "two rescues within 28 days ask for a review of the track",
		Parameters: []string{"rescue_repeat_count", "rescue_window_days"}, Basis: "this project's own, without a published source",
		Clears: "a review of the track is closed, or fewer than two rescues lie within 28 days"},
	{Code: AttemptsExceeded, Severity: Caution,
		Asks:       "at most 2 attempts by one cannulator at one site in a session",
		Parameters: []string{"attempts_max"}, Basis: "from memory", Clears: laterSessionWithout},
	{Code: ScabIncomplete, Severity: Stop, Holds: Entry,
		Asks:   "the scab is wholly removed before a blunt needle goes in",
		Basis:  "read in a unit's procedure",
		Clears: "a later preparation in the same session removes the scab whole; else the next session in the track"},
	{Code: SingleDisinfection, Severity: Note, Graver: Caution,
		Asks: "the site is disinfected twice, before and after scab or peg is removed, from the second session on: a note where it " +
			"is not recorded, a caution where it was not done",
		Parameters: []string{"disinfections_min"}, Basis: "from memory", Clears: laterSessionWithout},
	{Code: ContactShort, Severity: Caution,
		Asks:       "chlorhexidine in alcohol acts for 30 s, povidone-iodine for 120 s",
		Parameters: []string{"chlorhexidine_alcohol_contact_seconds", "povidone_iodine_contact_seconds"},
		Basis:      "from memory: KDOQI 2006, table 2", Clears: laterSessionWithout},
	{Code: GaugeFlow, Severity: Note,
		Asks: "needle and pump speed suit each other: 17G below 300 mL/min, 16G 250 to 350, 15G 350 to 450, 14G above 450",
		Basis: "from memory: the union of two published tables, 17G 200–250, 16G 250–350, 15G 350–450, 14G >450 and 17G <300, 16G " +
			"300–350, 15G 350–450, 14G >450 mL/min",
		Clears: laterSessionWithout},
	{Code: ReferenceReused, Severity: Caution, Fixed: true,
		Asks:  "a session reference names one treatment: its needles in a track lie at most 12 hours apart",
		Basis: "this project's own, without a published source", Clears: laterSessionWithout},
	{Code: NeedledUnderHold, Severity: Caution, Fixed: true,
		Asks:  "no needle is used while a hold is open; such a session counts for nothing, and the lead is to know",
		Basis: "this project's own, without a published source", Clears: "no hold or other stop is on the place any more"},
	{Code: UnusedLong, Severity: Caution, Graver: Stop, Holds: Entry,
		Asks:         "a track in blunt use is needled at least every 21 days; after more than 42 days no needle before a review",
		Parameters:   []string{"unused_caution_days", "unused_stop_days", "sharp_only"},
		Basis:        "this project's own: a tunnel that is not used closes",
		Clears:       "a needle is used in the track",
		ClearsGraver: "a review of the track or its access is closed; a needle alone does not clear it"},
	{Code: ThrillAbsent, Severity: Stop, Fixed: true, Holds: Access, Urgent: true,
		Asks:  "a thrill is felt and a bruit is heard",
		Basis: "from memory", Clears: liftedByName},
	{Code: SiteInfection, Severity: Stop, Fixed: true, Holds: Track,
		Asks:  "no pus, redness or swelling at a site: no entry there; culture, doctor",
		Basis: "from memory", Clears: liftedByName},
	{Code: SkinAtRisk, Severity: Stop, Fixed: true, Holds: Access, Urgent: true,
		Asks:  "no shiny or thin skin, no scab that does not heal, no ulcer over the access: surgical review at once",
		Basis: "read: NHS Improvement, patient safety alert of 2018", Clears: liftedByName},
	{Code: OutflowSign, Severity: Caution, Fixed: true,
		Asks:  "the fistula collapses when the arm is raised; no bounding pulse with a discontinuous thrill or a high-pitched bruit",
		Basis: "read in the literature", Clears: "an examination that finds the sign gone"},
	{Code: InflowSign, Severity: Caution, Fixed: true,
		Asks:  "the pulse grows when the outflow is occluded",
		Basis: "read in the literature", Clears: "an examination that finds the sign gone"},
	{Code: ExaminationFinding, Severity: Caution, Fixed: true,
		Asks: "an examination finds no swelling, haematoma, aneurysm, warmth or tenderness over the access, no bounding pulse, " +
			"discontinuous thrill or high-pitched bruit",
		Basis:  "from memory: KDOQI, examine and act on a change; the list is this project's own",
		Clears: "an examination that records the sign absent"},
	{Code: AccessRestated, Severity: Caution, Fixed: true,
		Asks:  "kind and side of an access do not change; a wrong one is corrected",
		Basis: "this project's own, without a published source", Clears: "the wrong statement is corrected or voided"},
	{Code: HaemostasisRising, Severity: Caution,
		Asks:       "bleeding stops within the patient's usual time, not longer in 3 sessions running, and within 20 minutes",
		Parameters: []string{"haemostasis_long_minutes", "consecutive_sessions"},
		Basis:      "read; 20 minutes from memory; the usual and its band are ours",
		Clears:     "a session with haemostasis in the usual time"},
	{Code: PressureRising, Severity: Caution,
		Asks: "the venous pressure at 200 mL/min stays below the unit's limit, not above it in 3 sessions running with the same " +
			"needle, and has no significant upward trend",
		Parameters: []string{"venous_pressure_limit_mmhg", "venous_pressure_slope_mmhg", "consecutive_sessions"},
		Basis:      "from memory: K/DOQI 2000; the way a trend is judged is ours",
		Clears:     "a reading below the limit, and a later look without a trend"},
	{Code: FlowLow, Severity: Caution,
		Asks:       "the access flow is at least 500 mL/min",
		Parameters: []string{"flow_low_millilitres_per_minute"}, Basis: "from memory: KDOQI 2006, guideline 4.4",
		Clears: "a measurement of enough flow"},
	{Code: FlowFalling, Severity: Caution,
		Asks:       "a flow below 1000 mL/min has not fallen by more than 25 % within 4 months",
		Parameters: []string{"flow_fall_percent", "flow_fall_below_millilitres_per_minute"},
		Basis:      "from memory: KDOQI 2006, guideline 4.4", Clears: "a later measurement without such a fall"},
	{Code: Infiltration, Severity: Caution,
		Asks:       "after an infiltration the access rests for at least 1 session, and the next needle goes above the injury",
		Parameters: []string{"infiltration_rest_sessions"}, Basis: "read; the evidence is weak",
		Clears: "that many treatments without a needle in the access"},
	{Code: Bacteraemia, Severity: Stop, Holds: Access, Urgent: true,
		Asks:  "Staphylococcus aureus in blood while a constant-site track is in use: immediate review of the technique",
		Basis: "read: MacRae 2012, Lyman 2020; the action from memory", Clears: "the technique is reviewed, and " + liftedByName},
	{Code: Person, Severity: Stop, Fixed: true, Holds: Track,
		Asks:  "a person placed a hold",
		Basis: "the judgement of a named person", Clears: liftedByName},
	{Code: MergeWithoutEffect, Severity: Caution, Fixed: true,
		Asks:  "a merge closes no cycle and names no identity that is merged already, and a reversal takes back a merge that stands",
		Basis: "this project's own, without a published source", Clears: "the merge, or the reversal, is voided"},
}

// Of returns the rule with that code. For an unknown code it returns a Rule with only the code,
// and false.
func Of(code string) (Rule, bool) {
	for _, r := range table {
		if r.Code == code {
			return r, true
		}
	}
	return Rule{Code: code}, false
}
