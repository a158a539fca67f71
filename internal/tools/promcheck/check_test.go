package promcheck

import (
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/prometheus/common/model"
	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/model/rulefmt"
	"github.com/prometheus/prometheus/promql/parser"
)

const deploy = "../../../deploy"

// target are the labels that Prometheus itself or its configuration gives.
var target = []string{"instance", "job", "shard"}

// others are the metrics of other makers that may be asked for.
var others = map[string][]string{"up": nil, "process_start_time_seconds": nil, "process_resident_memory_bytes": nil}

// values are the values of labels that a selector may ask for, as deploy/metrics.md tells them.
var values = map[string][]string{
	"technique": {"all", "fistula", "constant-site", "other-fistula", "graft", "tunneled-catheter", "non-tunneled-catheter", "other-access", "unknown"},
	"class":     {"access-related", "bloodstream", "local-access", "antimicrobial-start"},
	"window":    {"month", "year", "28d", "previous-28d"},
	"bound":     {"estimate", "lower", "upper"},
	"projector": {"view", "ingest-index"},
	"outcome":   {"accepted", "duplicate", "refused", "conflict", "full", "unavailable", "failed"},
	"stage":     {"planned", "forming", "ready", "trial", "established", "resting", "retired"},
	"rule":      {"thrill-absent", "site-infection", "skin-at-risk", "bacteraemia", "not-a-fistula", "spacing-short", "person"},
	"job":       {"cannulary"},
}

type metric struct {
	labels []string
	ofView bool // replicas export the same
}

// documented reads deploy/metrics.md, which internal/deploycheck compares with the service.
func documented(t *testing.T) map[string]metric {
	t.Helper()
	body, err := os.ReadFile(filepath.Join(deploy, "metrics.md"))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]metric{}
	for _, line := range strings.Split(string(body), "\n") {
		c := strings.Split(line, " | ")
		if name, ok := strings.CutPrefix(c[0], "| `"); ok && len(c) == 5 {
			m := metric{ofView: c[3] == "view"}
			if c[2] != "–" {
				m.labels = strings.Split(c[2], ", ")
			}
			out[strings.TrimSuffix(name, "`")] = m
		}
	}
	for name, l := range others {
		out[name] = metric{labels: l}
	}
	return out
}

func ruleFiles(t *testing.T) map[string]*rulefmt.RuleGroups {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(deploy, "prometheus/rules/*.yml"))
	if err != nil || len(names) != 3 {
		t.Fatalf("%v, %v", names, err)
	}
	out := map[string]*rulefmt.RuleGroups{}
	for _, n := range names {
		groups, errs := rulefmt.ParseFile(n, false, model.LegacyValidation, parser.NewParser(parser.Options{}), slog.New(slog.DiscardHandler))
		for _, err := range errs {
			t.Error(err)
		}
		if groups != nil {
			out[n] = groups
		}
	}
	return out
}

// recorded gives the labels of what the rules record, which the checks of an expression need.
func recorded(t *testing.T, known map[string]metric) map[string]metric {
	t.Helper()
	out := map[string]metric{}
	for _, f := range ruleFiles(t) {
		for _, g := range f.Groups {
			for _, r := range g.Rules {
				if r.Record == "" {
					continue
				}
				if base, ok := strings.CutSuffix(r.Record, ":known"); ok {
					m, there := out[base+":max"]
					if !there {
						t.Errorf("%s stands before the figure that it keeps", r.Record)
					}
					out[r.Record] = m
					continue
				}
				e, ok := parse(t, r.Record, r.Expr).(*parser.AggregateExpr)
				if !ok || slices.Contains(e.Grouping, "instance") || strings.HasSuffix(r.Record, ":max") && e.Op != parser.MAX {
					t.Errorf("%s is not the one figure of all replicas: %s", r.Record, r.Expr)
					continue
				}
				out[r.Record] = metric{labels: e.Grouping}
			}
		}
	}
	return out
}

func parse(t *testing.T, where, expr string) parser.Expr {
	t.Helper()
	e, err := parser.NewParser(parser.Options{}).ParseExpr(expr)
	if err != nil {
		t.Fatalf("%s: %v in %s", where, err, expr)
	}
	return e
}

// ask checks every selector of an expression: that its metric is known, has the labels that
// it asks for, and that at least one value that the label can have fits.
func ask(t *testing.T, where string, e parser.Expr, known map[string]metric) {
	t.Helper()
	parser.Inspect(e, func(n parser.Node, path []parser.Node) error {
		v, ok := n.(*parser.VectorSelector)
		if !ok {
			return nil
		}
		m, there := known[v.Name]
		if !there {
			t.Errorf("%s asks for %s, which nobody exports or records", where, v.Name)
			return nil
		}
		has := append(slices.Clone(target), m.labels...)
		for _, l := range v.LabelMatchers {
			if l.Name == labels.MetricName {
				continue
			}
			if !slices.Contains(has, l.Name) {
				t.Errorf("%s: %s has no label %s", where, v.Name, l.Name)
			}
			if vs, fixed := values[l.Name]; fixed && !slices.ContainsFunc(vs, l.Matches) {
				t.Errorf("%s: %s never fits", where, l)
			}
			if vs, fixed := values[l.Name]; fixed && l.Type == labels.MatchRegexp {
				for _, w := range strings.Split(l.Value, "|") {
					if !slices.Contains(vs, w) {
						t.Errorf("%s: %s has no value %q", where, l.Name, w)
					}
				}
			}
		}
		for i, p := range path {
			if a, ok := p.(*parser.AggregateExpr); ok && !onlyAsked(append(path[i:len(path):len(path)], n)) {
				for _, g := range a.Grouping {
					if !slices.Contains(has, g) && !slices.Contains(grouped(a), g) {
						t.Errorf("%s groups %s by %s, which it has not", where, v.Name, g)
					}
				}
			}
		}
		return nil
	})
}

// onlyAsked reports whether the last node of a path stands to the right of "and" or "unless": it
// decides which series stay, and gives them no label.
func onlyAsked(path []parser.Node) bool {
	for i, n := range path[:len(path)-1] {
		if b, ok := n.(*parser.BinaryExpr); ok && (b.Op == parser.LAND || b.Op == parser.LUNLESS) && path[i+1] == b.RHS {
			return true
		}
	}
	return false
}

// grouped are labels that any selector under an aggregation has.
func grouped(a *parser.AggregateExpr) []string {
	var out []string
	parser.Inspect(a.Expr, func(n parser.Node, _ []parser.Node) error {
		if inner, ok := n.(*parser.AggregateExpr); ok {
			out = append(out, inner.Grouping...)
		}
		return nil
	})
	return out
}

// doubled lists the figures of the view that an expression reads of each replica by itself.
func doubled(e parser.Expr, known map[string]metric) []string {
	var out []string
	parser.Inspect(e, func(n parser.Node, path []parser.Node) error {
		v, ok := n.(*parser.VectorSelector)
		if !ok || !known[v.Name].ofView {
			return nil
		}
		for i := len(path) - 1; i >= 0; i-- {
			if a, ok := path[i].(*parser.AggregateExpr); ok {
				if (a.Op == parser.MAX || a.Op == parser.MIN) && !a.Without && !slices.Contains(a.Grouping, "instance") {
					return nil
				}
				break
			}
		}
		out = append(out, v.Name)
		return nil
	})
	return out
}

func TestRules(t *testing.T) {
	known := documented(t)
	for name, m := range recorded(t, known) {
		known[name] = m
	}
	alerts := 0
	for file, f := range ruleFiles(t) {
		for _, g := range f.Groups {
			for _, r := range g.Rules {
				where := r.Record + r.Alert
				e := parse(t, where, r.Expr)
				ask(t, where, e, known)
				if r.Alert == "" {
					continue
				}
				alerts++
				severity, audience := r.Labels["severity"], r.Labels["audience"]
				if !slices.Contains([]string{"critical", "warning", "info", "none"}, severity) || !slices.Contains([]string{"clinical-lead", "infection-control", "engineer", "heartbeat"}, audience) || len(r.Labels) != 2 {
					t.Errorf("%s has labels %v", where, r.Labels)
				}
				if r.Annotations["summary"] == "" || r.Annotations["description"] == "" || r.Annotations["runbook_url"] == "" {
					t.Errorf("%s has annotations %v", where, r.Annotations)
				}
				for _, name := range doubled(e, known) {
					// It asks which replica lacks what it should have.
					if r.Alert != "CannularyFiguresAbsent" {
						t.Errorf("%s rings once for each replica: %s", where, name)
					}
				}
				if filepath.Base(file) == "clinical.yml" && audience != "engineer" && !strings.Contains(r.Annotations["description"], "licensed practice decide") && !slices.Contains([]string{"CannularyRecordStale", "CannularyNotWatched", "CannularyBreakGlass"}, r.Alert) {
					t.Errorf("%s gives no caution", where)
				}
			}
		}
	}
	if alerts < 20 {
		t.Errorf("only %d alerts were read", alerts)
	}
}

func TestDashboards(t *testing.T) {
	known := documented(t)
	for name, m := range recorded(t, known) {
		known[name] = m
	}
	variables := strings.NewReplacer(`=~"$shard"`, `=~"main"`, `=~"$facility"`, `=~"invented"`, `"$window"`, `"year"`)
	files, err := filepath.Glob(filepath.Join(deploy, "grafana/dashboards/*.json"))
	if err != nil || len(files) != 3 {
		t.Fatalf("%v, %v", files, err)
	}
	queries := 0
	for _, file := range files {
		body, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var d struct {
			Panels []struct {
				Title   string
				Targets []struct{ Expr string }
			}
		}
		if err := json.Unmarshal(body, &d); err != nil {
			t.Fatal(err)
		}
		for _, p := range d.Panels {
			for _, q := range p.Targets {
				queries++
				where := filepath.Base(file) + ", " + p.Title
				expr := variables.Replace(q.Expr)
				if strings.Contains(expr, "$") {
					t.Errorf("%s: a variable is left in %s", where, expr)
				}
				e := parse(t, where, expr)
				ask(t, where, e, known)
				for _, name := range doubled(e, known) {
					t.Errorf("%s counts replicas of %s twice", where, name)
				}
			}
		}
	}
	if queries < 40 {
		t.Errorf("only %d queries were read", queries)
	}
}

// TestTheChecksCanFail asks what must be refused.
func TestTheChecksCanFail(t *testing.T) {
	known := documented(t)
	for _, expr := range []string{`cannulary_open_holds`, `sum(cannulary_tracks)`, `max by (instance) (cannulary_open_holds)`, `sum by (facility) (cannulary_open_holds == 1)`} {
		if len(doubled(parse(t, expr, expr), known)) == 0 {
			t.Errorf("%s passes for one figure", expr)
		}
	}
	if got := doubled(parse(t, "", `sum by (facility) (max by (facility, rule) (cannulary_open_holds))`), known); len(got) > 0 {
		t.Errorf("the sum of the highest is refused: %v", got)
	}
	if _, err := parser.NewParser(parser.Options{}).ParseExpr(`max by (facility (cannulary_tracks)`); err == nil {
		t.Error("a broken expression parses")
	}
}
