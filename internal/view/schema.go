package view

// SchemaVersion is that of the tables and of what the projector puts into them. A file of
// another version is not touched: a new one is built beside it from the log.
const SchemaVersion = 7

// schema makes an empty view. Times are milliseconds since 1970, UTC.
var schema = []string{
	`CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID`,

	// How far the log was projected; (log id, sequence, event id) names the event itself,
	// so that a log which lost its end cannot be taken for this one.
	`CREATE TABLE checkpoint (one INTEGER PRIMARY KEY CHECK (one = 1),
		log_id TEXT NOT NULL, seq INTEGER NOT NULL, event_id TEXT NOT NULL,
		logged INTEGER NOT NULL, updated INTEGER NOT NULL)`,

	// Every event as it stands in the log: a second copy. unit gathers what is rendered
	// together. An id that stands twice in the log is projected once.
	`CREATE TABLE event (seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, unit TEXT NOT NULL,
		patient TEXT NOT NULL, facility TEXT NOT NULL, occurred INTEGER NOT NULL, logged INTEGER NOT NULL, data BLOB NOT NULL)`,
	`CREATE INDEX event_unit ON event (unit)`,
	`CREATE INDEX event_patient ON event (patient)`,

	// Corrections and voids by the fact (or session) that they name, arrived or not.
	`CREATE TABLE amendment (target TEXT NOT NULL, seq INTEGER NOT NULL, PRIMARY KEY (target, seq)) WITHOUT ROWID`,

	// Of these the ones that change nothing as the record stands; named is the event, or the
	// session, that they name.
	`CREATE TABLE unreached (fact TEXT PRIMARY KEY, seq INTEGER NOT NULL, facility TEXT NOT NULL, logged INTEGER NOT NULL,
		named TEXT NOT NULL, why TEXT NOT NULL) WITHOUT ROWID`,
	`CREATE INDEX unreached_named ON unreached (named)`,

	// Events by what they describe: a patient, a track, an access, a member of staff, a
	// facility, the merges.
	`CREATE TABLE topic (topic TEXT NOT NULL, seq INTEGER NOT NULL, PRIMARY KEY (topic, seq)) WITHOUT ROWID`,

	// The newest version of every resource.
	`CREATE TABLE resource (rid INTEGER PRIMARY KEY, type TEXT NOT NULL, id TEXT NOT NULL, patient TEXT NOT NULL,
		version INTEGER NOT NULL, updated INTEGER NOT NULL, seq INTEGER NOT NULL, hash BLOB NOT NULL,
		body BLOB NOT NULL, UNIQUE (type, id))`,
	`CREATE INDEX resource_updated ON resource (type, updated, rid)`,
	`CREATE INDEX resource_patient ON resource (patient, type, updated, rid)`,
	// Its earlier versions.
	`CREATE TABLE history (rid INTEGER NOT NULL, version INTEGER NOT NULL, type TEXT NOT NULL, updated INTEGER NOT NULL, seq INTEGER NOT NULL,
		body BLOB NOT NULL, PRIMARY KEY (rid, version))`,
	`CREATE INDEX history_updated ON history (type, updated, seq, rid)`,

	// Search values of kinds t (token) and r (reference), each once: the same code or the
	// same patient stands in thousands of resources. For a reference code is "Type/id".
	`CREATE TABLE term (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, param TEXT NOT NULL, code TEXT NOT NULL, system TEXT NOT NULL,
		UNIQUE (param, code, system, kind))`,
	`CREATE TABLE term_use (rid INTEGER NOT NULL, term INTEGER NOT NULL, PRIMARY KEY (rid, term)) WITHOUT ROWID`,
	`CREATE INDEX term_use_term ON term_use (term, rid)`,
	`CREATE VIEW token (param, code, system, rid) AS SELECT t.param, t.code, t.system, u.rid FROM term t JOIN term_use u ON u.term = t.id WHERE t.kind = 't'`,
	`CREATE VIEW reference (param, target, rid) AS SELECT t.param, t.code, u.rid FROM term t JOIN term_use u ON u.term = t.id WHERE t.kind = 'r'`,
	// The moments at which a date begins and ends, each with the milliseconds by which the
	// clock on which it is written is ahead of UTC there.
	`CREATE TABLE period (param TEXT NOT NULL, low INTEGER NOT NULL, high INTEGER NOT NULL, rid INTEGER NOT NULL,
		low_shift INTEGER NOT NULL, high_shift INTEGER NOT NULL,
		PRIMARY KEY (rid, param, low, high, low_shift, high_shift)) WITHOUT ROWID`,
	`CREATE INDEX period_high ON period (param, high)`,
	// Strings, as they are and as they are compared: without case and accents.
	`CREATE TABLE string (param TEXT NOT NULL, value TEXT NOT NULL, folded TEXT NOT NULL, rid INTEGER NOT NULL)`,
	`CREATE INDEX string_rid ON string (rid)`,
	`CREATE TABLE quantity (param TEXT NOT NULL, value REAL NOT NULL, system TEXT NOT NULL, code TEXT NOT NULL, unit TEXT NOT NULL, rid INTEGER NOT NULL)`,
	`CREATE INDEX quantity_rid ON quantity (rid)`,

	// Events of a known kind that cannot be understood: set aside, counted, alarmed.
	`CREATE TABLE quarantine (seq INTEGER PRIMARY KEY, event_id TEXT NOT NULL, patient TEXT NOT NULL, reason TEXT NOT NULL, data BLOB NOT NULL)`,
	// Events that are in the log but in no view: tests, and repeats that slipped into the log.
	`CREATE TABLE aside (seq INTEGER PRIMARY KEY, event_id TEXT NOT NULL, reason TEXT NOT NULL)`,

	`CREATE TABLE facility (id TEXT PRIMARY KEY, zone TEXT NOT NULL, name TEXT NOT NULL, day TEXT NOT NULL,
		last_logged INTEGER NOT NULL, last_occurred INTEGER NOT NULL, events INTEGER NOT NULL) WITHOUT ROWID`,
	// When treatment began in each session (or event without one): where a facility's record begins.
	`CREATE TABLE treatment (session TEXT NOT NULL, facility TEXT NOT NULL, began INTEGER NOT NULL, PRIMARY KEY (session, facility)) WITHOUT ROWID`,
	`CREATE INDEX treatment_began ON treatment (facility, began)`,

	// The judgement of each patient: where and until which day it holds; who made the first
	// insertion of its tracks, whose rating it rests on; the ids of its maturity Observations.
	`CREATE TABLE judged (patient TEXT PRIMARY KEY, facility TEXT NOT NULL, due TEXT NOT NULL) WITHOUT ROWID`,
	`CREATE TABLE creator (staff TEXT NOT NULL, patient TEXT NOT NULL, PRIMARY KEY (staff, patient)) WITHOUT ROWID`,
	`CREATE INDEX creator_patient ON creator (patient)`,
	`CREATE TABLE maturity (patient TEXT NOT NULL, id TEXT NOT NULL, PRIMARY KEY (patient, id)) WITHOUT ROWID`,
	`CREATE TABLE track (patient TEXT NOT NULL, track TEXT NOT NULL, facility TEXT NOT NULL, role TEXT NOT NULL,
		stage TEXT NOT NULL, counted INTEGER NOT NULL, target INTEGER NOT NULL, held INTEGER NOT NULL, needle TEXT NOT NULL, why TEXT NOT NULL, caution TEXT NOT NULL,
		PRIMARY KEY (patient, track)) WITHOUT ROWID`,
	`CREATE TABLE hold (id TEXT PRIMARY KEY, patient TEXT NOT NULL, facility TEXT NOT NULL, rule TEXT NOT NULL, since INTEGER NOT NULL, text TEXT NOT NULL, place TEXT NOT NULL, away INTEGER NOT NULL, given_up INTEGER NOT NULL, count INTEGER NOT NULL, day TEXT NOT NULL, not_needled INTEGER NOT NULL) WITHOUT ROWID`,

	// Every finding that stands or stood, but not one that no fact supports any more.
	`CREATE TABLE finding (id TEXT PRIMARY KEY, patient TEXT NOT NULL, rule TEXT NOT NULL, since INTEGER NOT NULL) WITHOUT ROWID`,
	`CREATE INDEX finding_since ON finding (rule, since)`,

	// Surveillance of infections: each patient's exposure by days since 1970, events and blood
	// cultures of any result; the signals that charts once gave; what a chart knew then, when one
	// was acknowledged, and when its threshold was set; which months were reported or are to be.
	`CREATE TABLE exposure (patient TEXT NOT NULL, facility TEXT NOT NULL, technique TEXT NOT NULL, low INTEGER NOT NULL, high INTEGER NOT NULL,
		PRIMARY KEY (patient, low)) WITHOUT ROWID`,
	`CREATE INDEX exposure_facility ON exposure (facility)`,
	`CREATE TABLE infection (patient TEXT NOT NULL, fact TEXT NOT NULL, facility TEXT NOT NULL, day INTEGER NOT NULL, data TEXT NOT NULL,
		PRIMARY KEY (patient, fact)) WITHOUT ROWID`,
	`CREATE INDEX infection_facility ON infection (facility)`,
	`CREATE TABLE culture (patient TEXT NOT NULL, fact TEXT NOT NULL, facility TEXT NOT NULL, day INTEGER NOT NULL, positive INTEGER NOT NULL,
		PRIMARY KEY (patient, fact)) WITHOUT ROWID`,
	`CREATE INDEX culture_facility ON culture (facility)`,
	`CREATE TABLE raised (facility TEXT NOT NULL, technique TEXT NOT NULL, class TEXT NOT NULL, seq INTEGER NOT NULL, day INTEGER NOT NULL, sum REAL NOT NULL, seen TEXT NOT NULL,
		PRIMARY KEY (facility, technique, class, seq)) WITHOUT ROWID`,
	`CREATE TABLE acknowledged (fact TEXT PRIMARY KEY, seen TEXT NOT NULL) WITHOUT ROWID`,
	`CREATE TABLE reported (facility TEXT PRIMARY KEY, month INTEGER NOT NULL) WITHOUT ROWID`,
	`CREATE TABLE restate (facility TEXT NOT NULL, month INTEGER NOT NULL, PRIMARY KEY (facility, month)) WITHOUT ROWID`,
}
