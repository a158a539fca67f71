package search

import (
	"fmt"
	"math/big"
	"regexp"
	"strings"
)

// decimal is JSON's number, which is FHIR's decimal.
var decimal = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]{1,3})?$`)

// implied is the range of values that a decimal's digits stand for: half a unit of the last
// digit to either side, the lower end included.
//
// Reading: "the number of significant digits of the implicit range is the number of digits
// specified": 1e2 has one and stands for 50 to 150. R4's table of examples gives 95 to 105
// for it, which is two digits; see Readings.
func (c *Corpus) implied(s string) (value, low, high *big.Rat) {
	value, _ = new(big.Rat).SetString(s)
	mantissa, power, _ := strings.Cut(strings.ToLower(s), "e")
	if power == "" {
		power = "0"
	}
	half := new(big.Rat)
	half.SetString("5e" + power)
	_, digits, _ := strings.Cut(mantissa, ".")
	n := len(digits) + 1
	if c.Readings.OneDigitOfPower && digits == "" && power != "0" {
		n++
	}
	for range n {
		half.Quo(half, big.NewRat(10, 1))
	}
	return value, new(big.Rat).Sub(value, half), new(big.Rat).Add(value, half)
}

// quantity matches [prefix]number, or with |system|code behind it. An empty system with a
// code is that unit by its code or by its text.
//
// Reading: an element's value is exactly what it says; R4's examples ask whether it lies in
// the range of the search value, and "exactly" for all prefixes but eq and ne.
func (c *Corpus) quantity(s string) (matcher, error) {
	list, err := split(s, '|')
	if err != nil {
		return nil, err
	}
	if len(list) != 1 && len(list) != 3 {
		return nil, fmt.Errorf("a quantity is number or number|system|code")
	}
	op, number := prefix(list[0])
	if !decimal.MatchString(number) {
		return nil, fmt.Errorf("%q is no number", number)
	}
	value, low, high := c.implied(number)
	system, code := "", ""
	if len(list) == 3 {
		system, code = c.literal(list[1]), c.literal(list[2])
	}
	return func(_ *Resource, e item) bool {
		m, _ := e.v.(map[string]any)
		has, ok := new(big.Rat).SetString(plain(m["value"]))
		if !ok {
			return false
		}
		if c.Mutant != UnitIgnored {
			if system != "" && str(m, "system") != system {
				return false
			}
			if code != "" && str(m, "code") != code && (system != "" || c.Readings.UnitIsCode || str(m, "unit") != code) {
				return false
			}
		}
		above, below := value, value
		if c.Mutant == OrderIsByRange {
			above, below = high, low
		}
		in := has.Cmp(low) >= 0 && has.Cmp(high) < 0
		if c.Mutant == EqualIsExact {
			in = has.Cmp(value) == 0
		}
		switch op {
		case "eq":
			return in
		case "ne":
			return !in
		case "gt", "sa":
			return has.Cmp(above) > 0
		case "lt", "eb":
			return has.Cmp(below) < 0
		case "ge":
			return has.Cmp(value) > 0 || has.Cmp(value) == 0 && c.Mutant != GEIsGT
		}
		return has.Cmp(value) < 0 || has.Cmp(value) == 0 && c.Mutant != LEIsLT
	}, nil
}
