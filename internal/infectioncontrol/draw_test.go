package infectioncontrol

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"cannulary/internal/surveil"
)

func TestTicksAreRoundAndEnough(t *testing.T) {
	for _, c := range []struct {
		top  float64
		want []string
	}{
		{3.4, []string{"0.0", "0.5", "1.0", "1.5", "2.0", "2.5", "3.0"}}, {5.5, []string{"0", "1", "2", "3", "4", "5"}},
		{1.75, []string{"0.0", "0.5", "1.0", "1.5"}},
		{0.47, []string{"0.0", "0.1", "0.2", "0.3", "0.4"}}, {43, []string{"0", "10", "20", "30", "40"}},
		{0.0937, []string{"0.00", "0.02", "0.04", "0.06", "0.08"}}, {350, []string{"0", "50", "100", "150", "200", "250", "300", "350"}},
	} {
		var got []string
		for _, x := range (wholeTicks{}).Ticks(0, c.top) {
			got = append(got, x.Label)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("up to %v: %q", c.top, got)
		}
	}
}

// young is a unit whose record began six days before a month's end.
func young(t *testing.T) *surveil.Watch {
	t.Helper()
	w := bare(t, "young", 20, surveil.ConstantSite, "2025-11-25", "2026-11-10")
	add(t, w, 22, surveil.OtherFistula)
	happens(t, w, 1, "2026-03-03", bacteraemia())
	return w
}

func TestAMonthInPartDoesNotFlattenTheOthers(t *testing.T) {
	w := young(t)
	r := report(t, w, "2026-10", Knowledge{})
	if !r.Monthly[0].Partial || r.Monthly[0].Month != "2025-11" || r.Monthly[2].Partial {
		t.Errorf("%+v", r.Monthly[:3])
	}
	part, all := *r.Monthly[0].PerThousand.Exact.Upper, 0.0
	for _, m := range r.Monthly[2:] {
		all = max(all, *m.PerThousand.Exact.Upper)
	}
	if top := monthlyTop(r.Monthly); part < 2*all || top > all {
		t.Errorf("the axis goes up to %.1f: the greatest limit of a whole month is %.1f, that of the part %.1f", top, all, part)
	}
	page := html(t, r)
	if !strings.Contains(page, "limit beyond the axis") || !strings.Contains(page,
		"with exact 95 % limits, 2 of which lie beyond the axis; the table below it and the CSV file have the figures.") {
		t.Error("the cut limits are not shown as such")
	}
	for _, m := range r.Monthly {
		if !strings.Contains(page, fmt.Sprintf("(%s)</span>", span(m.PerThousand.Exact))) {
			t.Errorf("the page has no figures of %s", m.Month)
		}
	}
	rows := table(t, r)
	if !slices.ContainsFunc(rows, func(row []string) bool {
		return row[2] == "2025-11" && row[4] == "constant-site" && row[5] == "rate-per-1000-access-days" && row[9] == "exact 95 %" &&
			row[10] == "a part of the month" && row[11] == "2025-11-01"
	}) {
		t.Error("the file has no rate of the first month")
	}
}

func TestNothingIsWrittenAsNoneThatIsNotKnown(t *testing.T) {
	page := html(t, report(t, young(t), "2026-10", Knowledge{}))
	for _, label := range []string{"patient-months", "census"} {
		if n := regexp.MustCompile(`data-label="`+label+`">not known<`).FindAllString(page, -1); len(n) == 0 {
			t.Errorf("%s without a census are not said to be not known", label)
		}
		if strings.Contains(page, `data-label="`+label+`">none<`) {
			t.Errorf("%s: none reads like nobody", label)
		}
	}
}

func TestOneDayAgo(t *testing.T) {
	w := bare(t, "near", 20, surveil.ConstantSite, "2026-01-01", "2026-11-04")
	happens(t, w, 1, "2026-11-03", bacteraemia())
	if page := html(t, report(t, w, "2026-10", Knowledge{})); !strings.Contains(page, "</span>, 1 day ago") ||
		strings.Contains(page, " 1 days") {
		t.Error("a day is not one day")
	}
}

// A sum that is just below its threshold does not read as if it were at it.
func TestASumJustBelowItsThreshold(t *testing.T) {
	w, limit, _ := signalled(t, "2026-11-24")
	limit.H = 1.3399
	charted(t, w, limit, nil)
	w.Charts[0].Points[len(w.Charts[0].Points)-1].Sum = 1.3391
	if c := report(t, w, "2026-10", Knowledge{}).Charts[0]; c.Says != "No signal stands. The sum is 1.339 of the 1.340 that is a signal." {
		t.Error(c.Says)
	}
}

// Every printed page names the unit and the month; a name cannot end the text of the style.
func TestEveryPrintedPageIsNamed(t *testing.T) {
	r := made(t)
	if page := html(t, r); !strings.Contains(page, `@bottom-left { content: "Invented Unit North – infections 2027-05";`) ||
		!strings.Contains(page, `content: "page " counter(page) " of " counter(pages);`) {
		t.Error("pages are not named")
	}
	r.Name = `"; } body { display: none } </style><b>`
	if page := html(t, r); strings.Contains(page, `"; } body`) || strings.Contains(page, "</style><b>") {
		t.Error("a name leaves its place in the style")
	}
}
