package access_test

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"cannulary/internal/access"
)

const withPeople = `
principals:
- {name: ehr, tokens: [` + digest + `], facilities: ["*"], may: [hooks]}
people:
  issuer: https://login.example
  client_id: record
  claims: {role: groups, staff: number, staff_system: "https://hospital.example/staff", facilities: wards}
  roles: {N: cannulator, L: lead, I: infection-control, A: auditor}
  views: [[north], [north, south], [east, west], ["*"]]
`

func TestWhatAPersonMay(t *testing.T) {
	p, err := access.Parse([]byte(withPeople), types)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		roles, facilities, view string
		may                     string
		refused                 string
	}{
		{"N", "north", "north", "pages", ""},
		{"N", "north south", "north south", "pages", ""},
		{"N", "south north west", "north south", "pages", ""},
		{"N", "east west north south", "north south", "pages", ""}, // of two as large the first
		{"N", "*", "*", "pages", ""},
		{"N", "* north", "*", "pages", ""},
		{"L", "north", "north", "pages reports reviews", ""},
		{"I N", "north", "north", "pages reports", ""},
		{"A", "north", "north", "audit", ""},
		{"A L", "north", "north", "audit pages reports reviews", ""},
		{"other N", "north", "north", "pages", ""},
		{"other", "north", "", "", "you are logged in, but you have no role here. Ask the operator: the claim groups of your account must hold a value that stands under people, roles in the policy"},
		{"", "north", "", "", "you have no role here"},
		{"lead", "north", "", "", "you have no role here"}, // a role is no value of the claim
		{"N", "south", "", "", "you are logged in, but no set of facilities here is yours. Ask the operator: the claim wards of your account must name all facilities of one of the sets under people, views in the policy"},
		{"N", "", "", "", "no set of facilities here is yours"},
	} {
		who, err := p.Human("1", strings.Fields(c.roles), strings.Fields(c.facilities), access.Person{Value: "7"})
		if c.refused != "" {
			if err == nil || !strings.Contains(err.Error(), c.refused) {
				t.Errorf("%s of %s: %v, want %s", c.roles, c.facilities, err, c.refused)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s of %s: %v", c.roles, c.facilities, err)
			continue
		}
		var may []string
		for _, r := range who.May {
			may = append(may, string(r))
		}
		slices.Sort(may)
		if strings.Join(may, " ") != c.may || strings.Join(who.Facilities, " ") != c.view || who.Person.Value != "7" || who.Has(access.FHIR) || who.Has(access.Send) ||
			!strings.HasPrefix(who.Name, "person:") {
			t.Errorf("%s of %s may %v at %v, want %s at %s", c.roles, c.facilities, may, who.Facilities, c.may, c.view)
		}
	}
	// Each limited set needs a view of its own.
	if views := p.Views(); len(views) != 3 || strings.Join(views[1], " ") != "north south" {
		t.Errorf("the views are %v", views)
	}
	for facility, view := range map[string]string{"north": "north", "south": "north south", "west": "east west", "elsewhere": "*"} {
		who, err := p.Broken("AAAA", facility, access.Person{Said: "x"})
		if err != nil || strings.Join(who.Facilities, " ") != view || !slices.Equal(who.May, []access.Right{access.Pages}) {
			t.Errorf("the glass at %s: %+v %v, want %s", facility, who, err, view)
		}
	}
}

func TestAPolicyOfPeopleThatCannotBeMeantIsRefused(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{"issuer: https://login.example", "", "people needs issuer and client_id"},
		{"role: groups, ", "", "people needs claims.role, the name of a claim, and roles"},
		{"L: lead", "L: leader", `people: roles says that "L" is "leader"; use some of [auditor cannulator infection-control lead]`},
		{`staff_system: "https://hospital.example/staff", `, "", "claims.staff and claims.staff_system go together"},
		{"[north],", "[],", "people: views[0] is no set of facilities"},
		{"[north],", `["*", north],`, "people: views[0] is no set of facilities"},
		{", facilities: wards", "", "with more than one it also needs claims.facilities"},
		{"client_id: record", "client_id: record\n  idle_minutes: 61", "people: idle_minutes and check_minutes are 1 to 60, longest_hours and outage_hours 1 to 24"},
		{"client_id: record", "client_id: record\n  longest_hours: 25", "longest_hours and outage_hours 1 to 24"},
		{"client_id: record", "client_id: record\n  secret: x", "field secret not found"},
		{"may: [hooks]", "may: [pages], display: {names: short}", "a display has certificates, and may: [pages]; nothing else"},
		{"tokens: [" + digest + "]", "certificates: [wall.example], display: {names: all}", `display: names is "all"; use short or none`},
		{"may: [hooks]", "may: [reviews]", `may holds "reviews"; use some of`},
	} {
		text := strings.Replace(withPeople, c.from, c.to, 1)
		if _, err := access.Parse([]byte(text), types); text == withPeople || err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %s", c.to, err, c.want)
		}
	}
	// People alone are a policy. Without views, those of the readers count.
	alone := withPeople[strings.Index(withPeople, "people:"):]
	if _, err := access.Parse([]byte(alone), types); err != nil {
		t.Errorf("people without a system: %v", err)
	}
	p, err := access.Parse([]byte(strings.Replace(withPeople, "  views: [[north], [north, south], [east, west], [\"*\"]]\n", "", 1)), types)
	if err != nil || len(p.PeopleViews()) != 1 || p.PeopleViews()[0][0] != "*" {
		t.Errorf("views of the readers: %v", err)
	}
}

// The page for operators shows a section and a display that are a policy, but for the file of the secret.
func TestThePageOfPeopleIsAPolicy(t *testing.T) {
	page, err := os.ReadFile("../../deploy/people.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := regexp.MustCompile("(?s)```yaml\n(.*?)```").FindAllSubmatch(page, -1)
	var text []byte
	for _, b := range blocks {
		text = append(text, b[1]...)
	}
	p, err := access.Parse(text, types)
	if err != nil || p.People == nil || len(p.Principals) != 1 || p.Principals[0].Display == nil {
		t.Errorf("%s: %v", text, err)
	}
}
