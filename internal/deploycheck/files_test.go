package deploycheck

import (
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

const deploy = "../../deploy"

// read gives the texts of the files that a pattern under deploy/ matches, by path.
func read(t *testing.T, pattern string) map[string]string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(deploy, pattern))
	if err != nil {
		t.Fatal(err)
	}
	if len(names) == 0 {
		t.Fatalf("nothing matches deploy/%s", pattern)
	}
	out := map[string]string{}
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		out[n] = string(b)
	}
	return out
}

var (
	alertLine   = regexp.MustCompile(`(?m)^\s*- alert: (\w+)$`)
	runbookLine = regexp.MustCompile(`(?m)^\s*runbook_url: https://cannulary\.example/runbooks/(\w+)\.md$`)
	metricName  = regexp.MustCompile(`\bcannulary_[a-z0-9_]+`)
	recordName  = regexp.MustCompile(`\bcannulary:[a-z0-9_]+:[a-z]+`)
	recordLine  = regexp.MustCompile(`(?m)^\s*- record: (\S+)$`)
	comment     = regexp.MustCompile(`(?m)^\s*#.*$`)
)

// rules are the rule files without their comments.
func rules(t *testing.T) string {
	t.Helper()
	var b strings.Builder
	for _, text := range read(t, "prometheus/rules/*.yml") {
		b.WriteString(comment.ReplaceAllString(text, ""))
	}
	return b.String()
}

func all(re *regexp.Regexp, text string) []string {
	var out []string
	for _, m := range re.FindAllStringSubmatch(text, -1) {
		out = append(out, m[len(m)-1])
	}
	return out
}

func TestEveryAlertHasARunbookAndNoRunbookStandsAlone(t *testing.T) {
	text := rules(t)
	alerts := all(alertLine, text)
	if links := all(runbookLine, text); !slices.Equal(alerts, links) {
		t.Errorf("each alert must link to the runbook of its name, in its order:\nalerts   %v\nrunbooks %v", alerts, links)
	}
	var files []string
	for path, body := range read(t, "runbooks/*.md") {
		name := strings.TrimSuffix(filepath.Base(path), ".md")
		files = append(files, name)
		if !strings.HasPrefix(body, "# "+name+"\n") {
			t.Errorf("%s does not begin with its name", path)
		}
		for _, h := range []string{"What it means", "What to do first", "How it clears", "What it cannot tell"} {
			_, after, ok := strings.Cut(body, "\n## "+h+"\n\n")
			if section, _, _ := strings.Cut(after, "\n## "); !ok || len(strings.TrimSpace(section)) < 5 {
				t.Errorf("%s has no section %q, or an empty one", path, h)
			}
		}
	}
	slices.Sort(alerts)
	slices.Sort(files)
	if !slices.Equal(alerts, files) {
		t.Errorf("alerts and runbooks differ:\nalerts   %v\nrunbooks %v", alerts, files)
	}
	for i := 1; i < len(alerts); i++ {
		if alerts[i] == alerts[i-1] {
			t.Errorf("two alerts are named %s", alerts[i])
		}
	}
}

// The page for operators lists each alert once, beside its severity.
func TestThePageListsEveryAlert(t *testing.T) {
	page := read(t, "README.md")[filepath.Join(deploy, "README.md")]
	severity := regexp.MustCompile(`severity: (\w+)`)
	for _, block := range strings.Split(rules(t), "- alert: ")[1:] {
		name, rest, _ := strings.Cut(block, "\n")
		want := severity.FindStringSubmatch(rest)[1]
		if want == "none" {
			want = "always"
		}
		row := regexp.MustCompile(`(?m)^\| (?:[\w, ]*\b)?`+name+`\b[^|]* \| (\w+) \|`).FindAllStringSubmatch(page, -1)
		if len(row) != 1 || row[0][1] != want {
			t.Errorf("deploy/README.md tells %v of %s, which is %s", row, name, want)
		}
	}
}

// Whoever cares for patients reads the caution with every alert about them; the engineer's
// alerts have none. For the sequential signal what it can notice stands beside it.
func TestRunbooksAboutPatientsCarryTheCaution(t *testing.T) {
	clinical := map[string]bool{}
	for path, text := range read(t, "prometheus/rules/*.yml") {
		for _, block := range strings.Split(text, "- alert: ")[1:] {
			name, _, _ := strings.Cut(block, "\n")
			clinical[name] = !strings.Contains(block, "audience: engineer") && !strings.Contains(block, "audience: heartbeat")
			if filepath.Base(path) == "engineering.yml" && clinical[name] {
				t.Errorf("%s is among the engineer's alerts and for somebody else", name)
			}
		}
	}
	for path, body := range read(t, "runbooks/*.md") {
		name := strings.TrimSuffix(filepath.Base(path), ".md")
		caution := strings.Contains(body, "Decision support only") && strings.Contains(strings.ReplaceAll(body, "\n> ", " "),
			"licensed practitioner decide")
		if caution != clinical[name] {
			t.Errorf("%s: about patients is %v, carries the caution is %v", name, clinical[name], caution)
		}
		// The figures themselves are held by the tests of internal/infectioncontrol.
		if _, after, ok := strings.Cut(body, "## What the chart can notice, and how late"); strings.HasSuffix(name, "Signal") &&
			(!ok || !strings.Contains(after, "| constant-site patients |") ||
				!strings.Contains(after, "a quiet chart is no proof of safety")) {
			t.Errorf("%s does not say what the chart can notice", name)
		}
	}
}

// One thing has one word: where no needle goes until a person has looked there is a hold.
func TestAHoldIsCalledAHold(t *testing.T) {
	other := regexp.MustCompile(`(?i)\b(?:an?|the|no|one|each|every|such|old|oldest|open|person's|whose)\s+stops?\b`)
	for _, pattern := range []string{"*.md", "runbooks/*.md", "prometheus/*/*.yml", "alertmanager/*.yml", "grafana/dashboards/*.json"} {
		for path, body := range read(t, pattern) {
			if said := other.FindString(body); said != "" {
				t.Errorf("%s says %q", path, said)
			}
		}
	}
}

// A unit test asks for each alert when it fires and when nothing does, and for its text.
func TestEveryAlertIsTestedBothWays(t *testing.T) {
	fires, quiet, texts := map[string]bool{}, map[string]bool{}, map[string]bool{}
	tests := read(t, "prometheus/tests/*.test.yml")
	for _, body := range tests {
		for _, line := range strings.Split(body, "\n") {
			if name, ok := strings.CutPrefix(line, "      - alertname: "); ok {
				texts[name] = true
			}
			if !strings.Contains(line, "{expr: ") || !strings.Contains(line, "ALERTS{") {
				continue
			}
			_, asked, _ := strings.Cut(line, `alertname=`)
			asked, _, _ = strings.Cut(strings.TrimPrefix(asked, "~"), ",eval_time")
			pattern := regexp.MustCompile(`"([^"]*)"`).FindStringSubmatch(asked)[1]
			re := regexp.MustCompile("^(?:" + pattern + ")$")
			for _, name := range all(alertLine, rules(t)) {
				if !re.MatchString(name) {
					continue
				}
				if strings.Contains(line, "exp_samples: []") {
					quiet[name] = true
				} else if strings.Contains(line, `alertstate="firing"`) {
					fires[name] = true
				}
			}
		}
	}
	for _, name := range all(alertLine, rules(t)) {
		// The watchdog never stops; that nothing is pending is its other side.
		if !fires[name] || !quiet[name] || !texts[name] {
			t.Errorf("%s: tested that it fires %v, that it does not %v, its text %v", name, fires[name], quiet[name], texts[name])
		}
	}
}

// panel is what is read of a dashboard's panels.
type panel struct {
	Type       string
	Title      string
	ID         *int
	Datasource *struct{ Type, UID string }
	GridPos    struct{ X, Y, W, H int }
	Targets    []struct {
		Expr, RefID string
		Datasource  *struct{ Type, UID string }
	}
}

type dashboard struct {
	ID            *int
	UID, Title    string
	SchemaVersion int
	Panels        []panel
	Templating    struct {
		List []struct {
			Name, Type string
			Query      any
		}
	}
}

func dashboards(t *testing.T) map[string]dashboard {
	t.Helper()
	out := map[string]dashboard{}
	for path, body := range read(t, "grafana/dashboards/*.json") {
		var d dashboard
		if err := json.Unmarshal([]byte(body), &d); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		out[path] = d
	}
	return out
}

func TestDashboards(t *testing.T) {
	uids := map[string]bool{}
	for path, d := range dashboards(t) {
		if d.ID != nil || d.UID == "" || d.Title == "" || uids[d.UID] || d.SchemaVersion < 36 {
			t.Errorf("%s: id %v, uid %q, title %q, schema %d", path, d.ID, d.UID, d.Title, d.SchemaVersion)
		}
		uids[d.UID] = true
		if v := d.Templating.List; len(v) == 0 || v[0].Name != "datasource" || v[0].Type != "datasource" || v[0].Query != "prometheus" {
			t.Errorf("%s does not let its data source be chosen", path)
		}
		taken := map[[2]int]string{}
		for _, p := range d.Panels {
			if p.ID != nil {
				t.Errorf("%s, %q has an id", path, p.Title)
			}
			if g := p.GridPos; g.W <= 0 || g.H <= 0 || g.X < 0 || g.X+g.W > 24 {
				t.Errorf("%s, %q lies outside of the grid: %+v", path, p.Title, g)
			}
			for x := range p.GridPos.W {
				for y := range p.GridPos.H {
					at := [2]int{p.GridPos.X + x, p.GridPos.Y + y}
					if other, ok := taken[at]; ok {
						t.Fatalf("%s: %q lies over %q", path, p.Title, other)
					}
					taken[at] = p.Title + " (" + p.Type + ")"
				}
			}
			if p.Type == "row" || p.Type == "text" {
				continue
			}
			if p.Datasource == nil || p.Datasource.UID != "${datasource}" || len(p.Targets) == 0 {
				t.Errorf("%s, %q: data source %+v, %d queries", path, p.Title, p.Datasource, len(p.Targets))
			}
			refs := map[string]bool{}
			for _, q := range p.Targets {
				if q.Expr == "" || refs[q.RefID] || q.Datasource == nil || q.Datasource.UID != "${datasource}" {
					t.Errorf("%s, %q: query %+v", path, p.Title, q)
				}
				refs[q.RefID] = true
			}
		}
	}
	if len(uids) != 3 {
		t.Errorf("%d dashboards, not three", len(uids))
	}
}

// Everything named is documented, everything recorded is used, and nothing else is named.
func TestNoNameIsUnknown(t *testing.T) {
	known := documented(t)
	text := rules(t)
	recorded, used := map[string]bool{}, map[string]bool{}
	for _, r := range all(recordLine, text) {
		recorded[r] = true
	}
	places := map[string]string{"the rules": recordLine.ReplaceAllString(text, "")}
	maps.Copy(places, read(t, "grafana/dashboards/*.json"))
	maps.Copy(places, read(t, "prometheus/tests/*.test.yml"))
	maps.Copy(places, read(t, "runbooks/*.md"))
	for place, body := range places {
		for _, m := range metricName.FindAllString(body, -1) {
			if _, ok := known[m]; !ok {
				t.Errorf("%s: metric %s is not on deploy/metrics.md", place, m)
			}
		}
		for _, r := range recordName.FindAllString(body, -1) {
			used[r] = true
			if !recorded[r] {
				t.Errorf("%s: nothing records %s", place, r)
			}
		}
	}
	for r := range recorded {
		if !used[r] {
			t.Errorf("%s is recorded and nobody reads it", r)
		}
	}
}

// TestEveryTestOnAPageIsThere looks for the tests by which README's tables say that a promise is attacked.
func TestEveryTestOnAPageIsThere(t *testing.T) {
	code := map[string]string{}
	for _, pattern := range []string{"../*/*_test.go", "../*/*/*_test.go"} {
		list, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range list {
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			code[path] = string(b)
		}
	}
	n := 0
	for path, body := range read(t, "*.md") {
		for _, m := range regexp.MustCompile("`(Test[A-Za-z]+)(…?)`").FindAllStringSubmatch(body, -1) {
			n++
			want := "\nfunc " + m[1]
			if m[2] == "" {
				want += "("
			}
			found := false
			for _, text := range code {
				found = found || strings.Contains(text, want)
			}
			if !found {
				t.Errorf("%s: there is no test %s", filepath.Base(path), m[1])
			}
		}
	}
	if n < 10 {
		t.Errorf("only %d tests were found on the pages", n)
	}
}

// The top of the project holds what DEVELOPERS.md lists, what builds leave there (bin), and dot-files.
func TestNothingStraysAtTheTop(t *testing.T) {
	known := []string{"services", "proto", "fhir", "deploy", "internal", "README.md", "DEVELOPERS.md", "go.mod", "go.sum", "Makefile", "bin"}
	list, err := os.ReadDir("../..")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if !strings.HasPrefix(e.Name(), ".") && !slices.Contains(known, e.Name()) {
			t.Errorf("%s stands at the top: find it a place, or remove it", e.Name())
		}
	}
}
