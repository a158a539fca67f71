package incidence_test

import (
	"bufio"
	"os"
	"strconv"
	"strings"
	"testing"

	"cannulary/internal/surveil/incidence"
)

// testdata/poisson.tsv is R's answers; internal/e2e/poisson.R says what its columns are and
// makes it, and internal/e2e/poisson.sh makes it anew and compares.
func TestGridOfR(t *testing.T) {
	const six = 1e-7 // safely less than a half in the sixth digit
	seen := map[string]int{}
	file, err := os.Open("testdata/poisson.tsv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	for lines := bufio.NewScanner(file); lines.Scan(); {
		kind, rest, _ := strings.Cut(lines.Text(), "\t")
		var v []float64
		for field := range strings.SplitSeq(rest, "\t") {
			x, err := strconv.ParseFloat(field, 64)
			if err != nil {
				t.Fatalf("%s: %v", lines.Text(), err)
			}
			v = append(v, x)
		}
		var got []float64
		var given int
		switch kind {
		case "limits":
			c := must(incidence.CountLimits(int(v[0]), v[1]))(t)
			given, got = 2, []float64{c.Exact.Lower, c.Exact.Upper, c.MidP.Lower, c.MidP.Upper}
		case "tails":
			given, got = 2, []float64{incidence.AtLeast(int(v[0]), v[1]), incidence.AtMost(int(v[0]), v[1])}
		case "sir":
			s := must(incidence.ObservedToPredicted(int(v[0]), v[1], 0.95))(t)
			given, got = 2, []float64{s.Value, s.Exact.Lower, s.Exact.Upper, s.Test.AtLeast, s.Test.AtMost}
		case "ratio":
			r := must(incidence.RateRatio(incidence.Group{Events: int(v[0]), Exposure: v[1]},
				incidence.Group{Events: int(v[2]), Exposure: v[3]}, v[4]))(t)
			given, got = 5, []float64{r.Value, r.Exact.Lower, r.Exact.Upper, r.Test.AtLeast, r.Test.AtMost, r.MidP.Lower, r.MidP.Upper}
		case "runs":
			parts := v[0]
			c := incidence.Lucas{K: v[1] / parts, H: v[2] / parts}
			if v[3] == 1 { // a signal only above the threshold
				c.H += above
			}
			given, got = 6, []float64{must(c.RunLength(v[4], v[5]/parts))(t)}
		default:
			t.Fatalf("unknown line %q", lines.Text())
		}
		if len(got) != len(v)-given {
			t.Fatalf("%s: %d numbers against %d", lines.Text(), len(got), len(v)-given)
		}
		for i, g := range got {
			digits(t, lines.Text()+", number "+strconv.Itoa(given+i+1), g, v[given+i], six)
		}
		seen[kind]++
	}
	for kind, least := range map[string]int{"limits": 100, "tails": 100, "sir": 30, "ratio": 400, "runs": 40} {
		if seen[kind] < least {
			t.Errorf("only %d lines of %s", seen[kind], kind)
		}
	}
}
