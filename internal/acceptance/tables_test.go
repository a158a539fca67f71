package acceptance_test

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"regexp"
	"sort"
	"strings"
	"testing"

	"cannulary/internal/view"
	"cannulary/internal/view/viewsql"
)

// rows are a table's rows: the first column is the key, the others are the value.
type rows map[string]string

// tables are all tables of a view, free of row numbers.
type tables map[string]rows

// all asks for everything that a view holds. hex keeps bytes that are no text readable.
var all = map[string]string{
	"checkpoint": `SELECT one, log_id, seq, event_id, logged, updated FROM checkpoint`,
	"head":       `SELECT one, hex(sum) FROM head`,
	"writer":     `SELECT name, seq, ordinal, hex(sum) FROM writer`,
	"doubt":      `SELECT place, kind, first, last, writer, low, high, hex(want) FROM doubt`,
	"event":      `SELECT seq, id, session, patient, facility, occurred, logged, hex(data) FROM event`,
	"amendment":  `SELECT target || ' ' || seq, '' FROM amendment`,
	"unreached":  `SELECT fact, seq, facility, logged, named, why FROM unreached`,
	"topic":      `SELECT topic || ' ' || seq, '' FROM topic`,
	"resource":   `SELECT type || '/' || id, patient, version, updated, seq, hex(hash), body FROM resource`,
	"history":    `SELECT r.type || '/' || r.id || ' ' || h.version, h.updated, h.seq, h.body FROM history h JOIN resource r ON r.rid = h.rid`,
	"token":      `SELECT ` + ofToken + ` GROUP BY 1`,
	"reference":  `SELECT ` + ofReference + ` GROUP BY 1`,
	"refers": `SELECT r.type || '/' || r.id || ' ' || f.param || ' ' || f.target, count(*) FROM refers f
		JOIN resource r ON r.rid = f.rid GROUP BY 1`,
	"present":      `SELECT r.type || '/' || r.id || ' ' || p.param, count(*) FROM present p JOIN resource r ON r.rid = p.rid GROUP BY 1`,
	"period":       `SELECT r.type || '/' || r.id || ' ' || p.param || ' ' || p.low || ' ' || p.high, count(*) FROM period p JOIN resource r ON r.rid = p.rid GROUP BY 1`,
	"quantity":     `SELECT r.type || '/' || r.id || ' ' || q.param || ' ' || q.value || ' ' || q.system || ' ' || q.code, count(*) FROM quantity q JOIN resource r ON r.rid = q.rid GROUP BY 1`,
	"quarantine":   `SELECT seq, event_id, patient, reason, hex(data) FROM quarantine`,
	"aside":        `SELECT seq, event_id, reason FROM aside`,
	"facility":     `SELECT id, zone, name, day, last_logged, last_occurred, events FROM facility`,
	"treatment":    `SELECT session || ' ' || facility, began FROM treatment`,
	"finding":      `SELECT id, patient, rule, since FROM finding`,
	"string":       `SELECT r.type || '/' || r.id || ' ' || s.param || ' ' || s.value, s.folded FROM string s JOIN resource r ON r.rid = s.rid`,
	"exposure":     `SELECT patient || ' ' || low, facility, technique, high FROM exposure`,
	"infection":    `SELECT patient || ' ' || fact, facility, day, data FROM infection`,
	"culture":      `SELECT patient || ' ' || fact, facility, day, positive FROM culture`,
	"raised":       `SELECT facility || ' ' || technique || ' ' || class || ' ' || seq, day, sum, seen FROM raised`,
	"acknowledged": `SELECT fact, seen FROM acknowledged`,
	"reported":     `SELECT facility, month FROM reported`,
	"restate":      `SELECT facility || ' ' || month, '' FROM restate`,
	"judged":       `SELECT patient, facility, due FROM judged`,
	"creator":      `SELECT staff || ' ' || patient, '' FROM creator`,
	"maturity":     `SELECT patient || ' ' || id, '' FROM maturity`,
	"track":        `SELECT patient || ' ' || track, facility, role, stage, counted, target, session, again, held, needle, one_more, why, caution FROM track`,
	"worklist":     `SELECT patient, data FROM worklist`,
	"hold":         `SELECT id, patient, facility, rule, since, text, place, away, given_up, count, day, not_needled FROM hold`,
}

// order is what must not depend on the order of arrival: the newest content of every
// resource and its search values, but for Provenance, which says what arrived when, and for
// what a judgement took back, which is there only where it was once so; and the judgements.
var order = map[string]string{
	"resource":  `SELECT r.type || '/' || r.id, r.patient, r.body FROM resource r WHERE ` + lasting,
	"token":     `SELECT ` + ofToken + ` WHERE ` + lasting + ` GROUP BY 1`,
	"reference": `SELECT ` + ofReference + ` WHERE ` + lasting + ` GROUP BY 1`,
	"period":    `SELECT r.type || '/' || r.id || ' ' || p.param || ' ' || p.low || ' ' || p.high, count(*) FROM period p JOIN resource r ON r.rid = p.rid WHERE ` + lasting + ` GROUP BY 1`,
	"quantity":  `SELECT r.type || '/' || r.id || ' ' || q.param || ' ' || q.value || ' ' || q.system || ' ' || q.code, count(*) FROM quantity q JOIN resource r ON r.rid = q.rid WHERE ` + lasting + ` GROUP BY 1`,
	"judged":    all["judged"],
	"creator":   all["creator"],
	"maturity":  all["maturity"],
	"track":     all["track"],
	"hold":      all["hold"],
	"worklist":  all["worklist"],
	"unreached": `SELECT fact, facility, named, why FROM unreached`,
	"treatment": all["treatment"],
	"finding":   all["finding"],
	"exposure":  all["exposure"],
	"infection": all["infection"],
	"culture":   all["culture"],
}

const (
	ofToken = `r.type || '/' || r.id || ' ' || t.param || ' ' || t.system || '|' || t.code || ' ' || t.part, count(*) FROM token t
		JOIN resource r ON r.rid = t.rid`
	ofReference = `r.type || '/' || r.id || ' ' || f.param || ' ' || f.target, count(*) FROM reference f JOIN resource r ON r.rid = f.rid`
)

// A MeasureReport's access-days may wait for the next day or census: what it is made of
// is compared by exposure and infection.
const lasting = `r.type NOT IN ('Provenance', 'MeasureReport')
	AND NOT (r.type = 'DetectedIssue' AND CAST(r.body AS TEXT) LIKE '%"status":"cancelled"%')
	AND NOT (r.type = 'Flag' AND CAST(r.body AS TEXT) LIKE '%"status":"entered-in-error"%')
	AND NOT (r.type = 'Observation' AND CAST(r.body AS TEXT) LIKE '%/NamingSystem/maturity"%' AND CAST(r.body AS TEXT) LIKE '%"status":"entered-in-error"%')`

func dump(tb testing.TB, dir string) tables {
	tb.Helper()
	return dumpOf(tb, dir, all)
}

// dumpOrder is dump of what the order of arrival must not change, metas taken out.
func dumpOrder(tb testing.TB, dir string) tables {
	tb.Helper()
	t := dumpOf(tb, dir, order)
	for k, v := range t["resource"] {
		t["resource"][k] = withoutMeta(v)
	}
	return t
}

func dumpOf(tb testing.TB, dir string, queries map[string]string) tables {
	tb.Helper()
	out := tables{}
	for name, q := range queries {
		out[name] = query(tb, dir, q)
	}
	return out
}

var (
	meta   = regexp.MustCompile(`("meta":\{)"versionId":"\d+","lastUpdated":"[^"]+",?`)
	issued = regexp.MustCompile(`("meta":\{[^{}]*/track-maturity"\]\},)"issued":"[^"]+",`)
)

// withoutMeta leaves out which version it is and when it was given, which a track's maturity
// tells twice.
func withoutMeta(body string) string {
	return meta.ReplaceAllString(issued.ReplaceAllString(body, "$1"), "$1")
}

// query reads from the folder's view, whether an instance runs on it or not.
func query(tb testing.TB, dir, q string, args ...any) rows {
	tb.Helper()
	db, err := viewsql.Open(filepath.Join(dir, "view", view.FileName()))
	if err != nil {
		tb.Fatal(err)
	}
	defer db.Close()
	got, err := db.Query(q, args...)
	if err != nil {
		tb.Fatalf("%v in %s", err, q)
	}
	defer got.Close()
	columns, err := got.Columns()
	if err != nil {
		tb.Fatal(err)
	}
	out := rows{}
	for got.Next() {
		values, dest := make([]sql.NullString, len(columns)), make([]any, len(columns))
		for i := range values {
			dest[i] = &values[i]
		}
		if err := got.Scan(dest...); err != nil {
			tb.Fatal(err)
		}
		parts := make([]string, 0, len(values))
		for _, v := range values[1:] {
			parts = append(parts, v.String)
		}
		if _, ok := out[values[0].String]; ok {
			tb.Fatalf("key %s stands twice in %s", values[0].String, q)
		}
		out[values[0].String] = strings.Join(parts, " ")
	}
	if err := got.Err(); err != nil {
		tb.Fatal(err)
	}
	return out
}

func keys(r rows) []string {
	out := make([]string, 0, len(r))
	for k := range r {
		out = append(out, k)
	}
	sort.Strings(out)
	return out
}

// same compares two dumps and shows the first differences of each table.
func same(tb testing.TB, want, got tables) {
	tb.Helper()
	for name := range want {
		sameRows(tb, name, want[name], got[name])
	}
}

func sameRows(tb testing.TB, name string, want, got rows) {
	tb.Helper()
	const show = 4
	n, text := 0, ""
	note := func(format string, a ...any) {
		if n++; n <= show {
			text += fmt.Sprintf(format, a...)
		}
	}
	for _, k := range keys(want) {
		g, ok := got[k]
		switch {
		case !ok:
			note("\n  missing %s: %.600s", k, want[k])
		case g != want[k]:
			w, g := around(want[k], g)
			note("\n  %s\n    want …%s\n    got  …%s", k, w, g)
		}
	}
	for _, k := range keys(got) {
		if _, ok := want[k]; !ok {
			note("\n  too much %s: %.600s", k, got[k])
		}
	}
	if n > 0 {
		tb.Errorf("%s: %d of %d rows differ%s", name, n, len(want), text)
	}
}

// around cuts two texts to where they begin to differ.
func around(a, b string) (string, string) {
	i := 0
	for i < len(a) && i < len(b) && a[i] == b[i] {
		i++
	}
	from := max(0, i-120)
	cut := func(s string) string { return s[min(from, len(s)):min(len(s), i+280)] }
	return cut(a), cut(b)
}
