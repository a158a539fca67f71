package view

// SchemaVersion is that of the tables and of what the projector puts into them. A file of
// another version is not touched: a new one is built beside it from the log.
const SchemaVersion = 17

// schema makes an empty view. Times are milliseconds since 1970, UTC.
var schema = []string{
	`CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID`,

	// How far the log was projected; (log id, sequence, event id) names the event itself,
	// so that a log which lost its end cannot be taken for this one.
	`CREATE TABLE checkpoint (one INTEGER PRIMARY KEY CHECK (one = 1),
		log_id TEXT NOT NULL, seq INTEGER NOT NULL, event_id TEXT NOT NULL,
		logged INTEGER NOT NULL, updated INTEGER NOT NULL)`,

	// The head of the log at the checkpoint, the chains of its writers, each by its last entry, and what an
	// untouched log would not have.
	`CREATE TABLE head (one INTEGER PRIMARY KEY CHECK (one = 1), sum BLOB NOT NULL)`,
	`CREATE TABLE writer (name TEXT PRIMARY KEY, seq INTEGER NOT NULL, ordinal INTEGER NOT NULL, sum BLOB NOT NULL) WITHOUT ROWID`,
	`CREATE TABLE doubt (place INTEGER PRIMARY KEY, kind TEXT NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
		writer TEXT NOT NULL, low INTEGER NOT NULL, high INTEGER NOT NULL, want BLOB NOT NULL)`,

	// Every event as it stands in the log: a second copy, with its checksum. session gathers what
	// is rendered together. An id that stands twice in the log is projected once.
	`CREATE TABLE event (seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, session TEXT NOT NULL,
		patient TEXT NOT NULL, facility TEXT NOT NULL, occurred INTEGER NOT NULL, logged INTEGER NOT NULL, data BLOB NOT NULL,
		sum INTEGER NOT NULL)`,
	`CREATE INDEX event_session ON event (session)`,
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

	// Types, units and parameters stand here once, everywhere else by number. A
	// parameter's number has ten bits in resource.links.
	`CREATE TABLE word (id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE)`,
	`CREATE TABLE param (id INTEGER PRIMARY KEY CHECK (id < 1024), name TEXT NOT NULL UNIQUE)`,

	// The bodies of the versions that one event gave, compressed: see page.go.
	`CREATE TABLE page (place INTEGER PRIMARY KEY, data BLOB NOT NULL)`,

	// The newest version of every resource. Its body is in the page (seq, slot). A resource that
	// others refer to before it comes has a row too, with the negative of its type and nothing
	// else. id is text, or 16 bytes where the id is 32 hexadecimal digits. patient is the row of
	// the Patient in whose compartment it is, 0 if in none. links are its own rows of link, as
	// numbers of which each is (rid - target) * 1024 + param. date to high_shift are its first
	// date, further ones are in period.
	`CREATE TABLE resource (rid INTEGER PRIMARY KEY, type INTEGER NOT NULL, id BLOB NOT NULL, patient INTEGER NOT NULL DEFAULT 0,
		version INTEGER NOT NULL DEFAULT 0, updated INTEGER, seq INTEGER, slot INTEGER, hash BLOB, shape INTEGER, links TEXT,
		date INTEGER, low INTEGER, high INTEGER, low_shift INTEGER, high_shift INTEGER, UNIQUE (id, type))`,
	// With the shape a search for a token looks at rows of the answer alone.
	`CREATE INDEX resource_updated ON resource (type, updated, shape)`,
	`CREATE INDEX resource_patient ON resource (patient, type, updated, shape)`,
	`CREATE INDEX resource_shape ON resource (shape)`,
	`CREATE INDEX resource_high ON resource (date, high) WHERE date IS NOT NULL`,
	// Its earlier versions.
	`CREATE TABLE history (rid INTEGER NOT NULL, version INTEGER NOT NULL, type INTEGER NOT NULL, updated INTEGER NOT NULL,
		seq INTEGER NOT NULL, slot INTEGER NOT NULL, PRIMARY KEY (rid, version)) WITHOUT ROWID`,
	`CREATE INDEX history_updated ON history (type, updated, seq, rid)`,

	// Search values of kind t (token), and of kind p a parameter that has a value at all.
	`CREATE TABLE term (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, param TEXT NOT NULL, code TEXT NOT NULL, system TEXT NOT NULL,
		UNIQUE (param, code, system, kind))`,
	// Thousands of resources share a set of terms: each set is one shape. part is the component
	// that a token is of, from 1; 0 is the resource itself.
	`CREATE TABLE shape (id INTEGER PRIMARY KEY, key BLOB NOT NULL UNIQUE)`,
	`CREATE TABLE shape_term (term INTEGER NOT NULL, shape INTEGER NOT NULL, part INTEGER NOT NULL,
		PRIMARY KEY (term, shape, part)) WITHOUT ROWID`,
	// References, and the tokens that are a resource's own (identifiers): of these target is the
	// negative of the term and param 0.
	`CREATE TABLE link (target INTEGER NOT NULL, param INTEGER NOT NULL, rid INTEGER NOT NULL,
		PRIMARY KEY (target, param, rid)) WITHOUT ROWID`,
	// The moments at which a date begins and ends, each with the seconds by which the clock on
	// which it is written is ahead of UTC there.
	`CREATE TABLE period (param INTEGER NOT NULL, low INTEGER NOT NULL, high INTEGER NOT NULL, rid INTEGER NOT NULL,
		low_shift INTEGER NOT NULL, high_shift INTEGER NOT NULL,
		PRIMARY KEY (rid, param, low, high, low_shift, high_shift)) WITHOUT ROWID`,
	`CREATE INDEX period_high ON period (param, high)`,
	`CREATE VIEW dated (rid, param, low, high, low_shift, high_shift) AS
		SELECT rid, date, low, high, low_shift * 1000, high_shift * 1000 FROM resource WHERE date IS NOT NULL
		UNION ALL SELECT rid, param, low, high, low_shift * 1000, high_shift * 1000 FROM period`,
	// Strings, as they are and as they are compared: without case and accents.
	`CREATE TABLE string (param TEXT NOT NULL, value TEXT NOT NULL, folded TEXT NOT NULL, rid INTEGER NOT NULL)`,
	`CREATE INDEX string_rid ON string (rid)`,
	// part is the component as in shape_term; system, code and unit are words.
	`CREATE TABLE quantity (rid INTEGER NOT NULL, param INTEGER NOT NULL, part INTEGER NOT NULL, value REAL NOT NULL,
		system INTEGER NOT NULL,
		code INTEGER NOT NULL, unit INTEGER NOT NULL, PRIMARY KEY (rid, param, part, value, system, code, unit)) WITHOUT ROWID`,

	// Events of a known kind that cannot be understood: set aside, counted, alarmed.
	`CREATE TABLE quarantine (seq INTEGER PRIMARY KEY, event_id TEXT NOT NULL, patient TEXT NOT NULL, reason TEXT NOT NULL,
		data BLOB NOT NULL)`,
	// Events that are in the log but in no view: tests, and repeats that slipped into the log.
	`CREATE TABLE aside (seq INTEGER PRIMARY KEY, event_id TEXT NOT NULL, reason TEXT NOT NULL)`,

	`CREATE TABLE facility (id TEXT PRIMARY KEY, zone TEXT NOT NULL, name TEXT NOT NULL, day TEXT NOT NULL,
		last_logged INTEGER NOT NULL, last_occurred INTEGER NOT NULL, events INTEGER NOT NULL) WITHOUT ROWID`,
	// When treatment began in each session (or event without one): where a facility's record begins.
	`CREATE TABLE treatment (session TEXT NOT NULL, facility TEXT NOT NULL, began INTEGER NOT NULL, PRIMARY KEY (session, facility))
		WITHOUT ROWID`,
	`CREATE INDEX treatment_began ON treatment (facility, began)`,

	// The judgement of each patient: where and until which day it holds; who made the first
	// insertion of its tracks, whose rating it rests on; the ids of its maturity Observations.
	`CREATE TABLE judged (patient TEXT PRIMARY KEY, facility TEXT NOT NULL, due TEXT NOT NULL) WITHOUT ROWID`,
	`CREATE TABLE creator (staff TEXT NOT NULL, patient TEXT NOT NULL, PRIMARY KEY (staff, patient)) WITHOUT ROWID`,
	`CREATE INDEX creator_patient ON creator (patient)`,
	`CREATE TABLE maturity (patient TEXT NOT NULL, id TEXT NOT NULL, PRIMARY KEY (patient, id)) WITHOUT ROWID`,
	`CREATE TABLE track (patient TEXT NOT NULL, track TEXT NOT NULL, facility TEXT NOT NULL, role TEXT NOT NULL,
		stage TEXT NOT NULL, counted INTEGER NOT NULL, target INTEGER NOT NULL, session INTEGER NOT NULL,
			again INTEGER NOT NULL, one_more INTEGER NOT NULL, held INTEGER NOT NULL, needle TEXT NOT NULL,
			why TEXT NOT NULL, caution TEXT NOT NULL,
		PRIMARY KEY (patient, track)) WITHOUT ROWID`,
	`CREATE TABLE hold (id TEXT PRIMARY KEY, patient TEXT NOT NULL, facility TEXT NOT NULL, rule TEXT NOT NULL,
		since INTEGER NOT NULL, text TEXT NOT NULL, place TEXT NOT NULL, away INTEGER NOT NULL, given_up INTEGER NOT NULL,
			count INTEGER NOT NULL, day TEXT NOT NULL, not_needled INTEGER NOT NULL) WITHOUT ROWID`,

	// What a work list needs of each patient, as worklist.Person in JSON.
	`CREATE TABLE worklist (patient TEXT PRIMARY KEY, data TEXT NOT NULL) WITHOUT ROWID`,

	// Every finding that stands or stood, but not one that no fact supports any more.
	`CREATE TABLE finding (id TEXT PRIMARY KEY, patient TEXT NOT NULL, rule TEXT NOT NULL, since INTEGER NOT NULL) WITHOUT ROWID`,
	`CREATE INDEX finding_since ON finding (rule, since)`,

	// Surveillance of infections: each patient's exposure by days since 1970, events and blood
	// cultures of any result; the signals that charts once gave; what a chart knew then, when one
	// was acknowledged, and when its threshold was set; which months were reported or are to be.
	`CREATE TABLE exposure (patient TEXT NOT NULL, facility TEXT NOT NULL, technique TEXT NOT NULL, low INTEGER NOT NULL,
		high INTEGER NOT NULL,
		PRIMARY KEY (patient, low)) WITHOUT ROWID`,
	`CREATE INDEX exposure_facility ON exposure (facility)`,
	`CREATE TABLE infection (patient TEXT NOT NULL, fact TEXT NOT NULL, facility TEXT NOT NULL, day INTEGER NOT NULL, data TEXT NOT NULL,
		PRIMARY KEY (patient, fact)) WITHOUT ROWID`,
	`CREATE INDEX infection_facility ON infection (facility)`,
	`CREATE TABLE culture (patient TEXT NOT NULL, fact TEXT NOT NULL, facility TEXT NOT NULL, day INTEGER NOT NULL,
		positive INTEGER NOT NULL,
		PRIMARY KEY (patient, fact)) WITHOUT ROWID`,
	`CREATE INDEX culture_facility ON culture (facility)`,
	`CREATE TABLE raised (facility TEXT NOT NULL, technique TEXT NOT NULL, class TEXT NOT NULL, seq INTEGER NOT NULL,
		day INTEGER NOT NULL, sum REAL NOT NULL, seen TEXT NOT NULL,
		PRIMARY KEY (facility, technique, class, seq)) WITHOUT ROWID`,
	`CREATE TABLE acknowledged (fact TEXT PRIMARY KEY, seen TEXT NOT NULL) WITHOUT ROWID`,
	`CREATE TABLE reported (facility TEXT PRIMARY KEY, month INTEGER NOT NULL) WITHOUT ROWID`,
	`CREATE TABLE restate (facility TEXT NOT NULL, month INTEGER NOT NULL, PRIMARY KEY (facility, month)) WITHOUT ROWID`,
}
