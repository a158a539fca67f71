package facade_test

import (
	"testing"
	"time"

	"cannulary/fhir"
)

// TestPrecisionOfDates finds a resource of exactly one tenth of a second by values whose
// digits imply a range that contains it, and by no others.
func TestPrecisionOfDates(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Procedure", "a", "", "", fhir.Index{Dates: []fhir.Period{{Param: "date", Low: at(500), High: at(600)}}}))
	for value, found := range map[string]bool{
		"2027-03-01T07:00:00.5Z": true, "2027-03-01T07:00:00.50Z": false, "2027-03-01T07:00:00.4Z": false, "2027-03-01T07:00:00.500000000Z": false,
		"2027-03-01T07:00:00Z": true, "2027-03-01T07:00:01Z": false, "2027-03-01T07:00Z": true, "2027-03-01T07:01Z": false,
		"ge2027-03-01T07:00:00.599Z": false, "ge2027-03-01T07:00:00.598Z": true, "gt2027-03-01T07:00:00.599Z": false, "le2027-03-01T07:00:00.500Z": false, "lt2027-03-01T07:00:00.501Z": true,
		// A plus sign that the client did not escape arrives as a space.
		"2027-03-01T08:00:00+01:00": true, "2027-03-01T06:00:00+01:00": false, "2027-03-01T06:00:00-01:00": true, "2027-03-01T06:00:00%2B01:00": false,
		"2027-03-01T20:59:00%2B13:59": true, "2027-03-01T20:59:00%2B14:00": false,
	} {
		if b := s.bundle(s.get("/Procedure?date=" + value)); (b.ids() != "") != found {
			t.Errorf("date=%s: %q", value, b.ids())
		}
	}
	for _, bad := range []string{"0000", "2027-00", "2027-01-00", "2027-01-32", "2027-02-30", "2027-01-01T24:00", "2027-01-01T10:60", "2027-01-01T10:00:60", "2027-01-01T10:00:00%2B15:00", "2027-01-01T10:00:00Z1", "27", "20270101", "2027-1-1", " 2027", "2027-01-01T10:00:00.Z"} {
		if a := s.get("/Procedure?date=" + urlEscape(bad)); a.status != 400 {
			t.Errorf("date=%s: %d", bad, a.status)
		}
	}
}

// TestSummerTime checks that a day on which clocks change is as long as it is for searches
// by moments, and is a day for those that have no zone.
func TestSummerTime(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	s := newService(t)
	// 28 March 2027 has 23 hours there: midnight to midnight is 00:00Z to 23:00Z.
	day := time.Date(2027, 3, 28, 0, 0, 0, 0, zone)
	dated := func(low, high time.Time) fhir.Index {
		return fhir.Index{Dates: []fhir.Period{{Param: "date", Low: low, High: high}}}
	}
	s.put(at(0), resource("Procedure", "day", "", "", dated(day, day.AddDate(0, 0, 1))),
		resource("Procedure", "after", "", "", dated(day.Add(23*time.Hour), day.Add(24*time.Hour))))
	for query, want := range map[string]string{
		"2027-03-28": "Procedure/day", "sa2027-03-28": "Procedure/after", "eb2027-03-29": "Procedure/day", "2027-03-29": "Procedure/after",
		"eb2027-03-28T23:00:00Z": "Procedure/day", "sa2027-03-28T22:59:59Z": "Procedure/after", "gt2027-03-28T22:59:58Z": "Procedure/day Procedure/after", "lt2027-03-28T00:00:00.001Z": "Procedure/day",
	} {
		if b := s.bundle(s.get("/Procedure?date=" + query)); b.ids() != want {
			t.Errorf("%s: %s, want %s", query, b.ids(), want)
		}
	}
}

// TestDigitsOfQuantities checks that equal means equal to the digits given.
func TestDigitsOfQuantities(t *testing.T) {
	s := newService(t)
	s.put(at(0), resource("Observation", "a", "", "", fhir.Index{Quantities: []fhir.Quantity{{Param: "value-quantity", Code: "mm", Value: 5.4}}}))
	for value, found := range map[string]bool{
		"5.4": true, "5": true, "6": false, "5.40": true, "5.41": false, "5.3": false, "54e-1": true, "5e0": true, "0.5e1": true, "1e1": true, "ne5.4": false, "ne5.5": true,
		"gt5.4": false, "ge5.4": true, "lt5.4": false, "le5.4": true, "gt5": true, "5.4||mm": true, "5.4||cm": false, "5.4|urn:other|mm": false, "-5.4": false,
	} {
		if b := s.bundle(s.get("/Observation?value-quantity=" + urlEscape(value))); (b.ids() != "") != found {
			t.Errorf("value-quantity=%s: %q", value, b.ids())
		}
	}
}
