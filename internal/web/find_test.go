package web_test

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"cannulary/internal/web"
	v1 "cannulary/proto/cannulary/v1"
)

// crowd is a unit with names that are alike.
func crowd(t *testing.T) *unit {
	t.Helper()
	u := open(t)
	u.register("UTC")
	u.identity("MRN-1001", "Müller-Östrelund", "Ana", "1950-05-05")
	u.identity("MRN-1002", "Muller", "Beate", "1951-05-05")
	u.identity("MRN-20", `<img src=x onerror="alert(1)">`, "O'Mark & Co", "1952-05-05")
	u.identity("MRN-2001", "Straße", "Çelik", "")
	u.settle()
	return u
}

func find(u *unit, text string) answer { return u.get("/?find="+url.QueryEscape(text), "text/html") }

func TestFindByName(t *testing.T) {
	u := crowd(t)
	for text, want := range map[string]string{
		"muller":         "Muller, Beate Müller-Östrelund, Ana",
		"MÜLLER":         "Muller, Beate Müller-Östrelund, Ana",
		"ost ana":        "Müller-Östrelund, Ana",
		"Ana, ostrelund": "Müller-Östrelund, Ana",
		"strasse":        "Straße, Çelik",
		"celik":          "Straße, Çelik",
		"mrn-100":        "Muller, Beate Müller-Östrelund, Ana",
		"zz":             "",
	} {
		a := find(u, text)
		if got := names(a.body); a.status != http.StatusOK || got != want {
			t.Errorf("%q finds %d %q, want %q", text, a.status, got, want)
		}
	}
	says(t, find(u, "zz").body, "Nobody under “zz”", "That is not an all-clear.")
}

// Exactly one patient under a number opens the card, as a scan does. A name never does.
func TestFindByNumberOpensTheCard(t *testing.T) {
	u := crowd(t)
	for _, text := range []string{"MRN-1001", "mrn-1001", " MRN-20 "} {
		a := find(u, text)
		want := "card?patient=" + u.ring.PatientKey(system, strings.ToUpper(strings.TrimSpace(text)))
		if a.status != http.StatusSeeOther || a.head.Get("Location") != want {
			t.Errorf("%q is answered %d %q, want %s", text, a.status, a.head.Get("Location"), want)
		}
	}
	if a := find(u, "Straße, Çelik"); a.status != http.StatusOK {
		t.Errorf("a whole name is answered %d", a.status)
	}
	// Two patients state one number of another system: somebody has to look.
	for _, p := range []string{"MRN-1001", "MRN-1002"} {
		u.roster(p, at(2), &v1.RosterFact{Fact: &v1.RosterFact_IdentityStated{IdentityStated: &v1.IdentityStated{
			Identifiers: []*v1.PatientIdentifier{{System: system, Value: p}, {System: "urn:oid:2.999.1", Value: "W-7"}}, FamilyName: "Twin", BirthDate: "1950-05-05"}}})
	}
	u.settle()
	if a := find(u, "W-7"); a.status != http.StatusOK || names(a.body) != "Twin Twin" {
		t.Errorf("a number of two is answered %d %s", a.status, names(a.body))
	}
}

func TestFindEscapesAndSearchesEverywhere(t *testing.T) {
	u := crowd(t)
	page := find(u, "mark").body
	says(t, page, "&lt;img src=x onerror=&#34;alert(1)&#34;&gt;, O&#39;Mark &amp; Co")
	for _, bad := range []string{"<img", "<script"} {
		if strings.Contains(strings.ReplaceAll(page, `<script src="live.js`, ""), bad) {
			t.Errorf("a name became %s", bad)
		}
	}
	says(t, find(u, `"><b>x`).body, "Nobody under “&#34;&gt;&lt;b&gt;x”")
	u.another()
	says(t, u.page("/?facility=other-unit&find=mark"), "O&#39;Mark &amp; Co", "Invented unit", "MRN-20")
}

func confirmed(t *testing.T, u *unit, patient, scan string) (result, text, other string) {
	t.Helper()
	a := u.get("/confirm?"+url.Values{"patient": {u.ring.PatientKey(system, patient)}, "scan": {scan}}.Encode(), "application/json")
	var c struct {
		Result, Text string
		Other        struct{ Address string }
	}
	if err := json.Unmarshal([]byte(a.body), &c); err != nil || a.status != http.StatusOK {
		t.Fatalf("%d %s", a.status, a.body)
	}
	return c.Result, c.Text, c.Other.Address
}

func TestAScanConfirmsThePatient(t *testing.T) {
	u := crowd(t)
	for scan, want := range map[string]string{"MRN-1001": "same", "mrn-1001": "same", "MRN-1002": "other", "nothing": "nobody", "MRN-100": "nobody"} {
		result, text, other := confirmed(t, u, "MRN-1001", scan)
		if result != want || text == "" || (other != "") != (want == "other") {
			t.Errorf("%s: %s %q %s", scan, result, text, other)
		}
	}
	_, text, other := confirmed(t, u, "MRN-1001", "MRN-1002")
	says(t, text, "The wristband is of Muller, Beate, born 5 May 1951. The open card is of Müller-Östrelund, Ana, born 5 May 1950. Do not needle by this card.")
	if want := "card?patient=" + u.ring.PatientKey(system, "MRN-1002"); other != want {
		t.Errorf("the other card is at %s", other)
	}
	ask := "/confirm?patient=" + u.ring.PatientKey(system, "MRN-1001")
	page := u.page(ask + "&scan=MRN-1002")
	says(t, page, `class="scan other"`, "STOP: another patient", "Card of Muller, Beate", "Card of Müller-Östrelund, Ana")
	says(t, u.page(ask+"&scan=MRN-1001"), `class="scan same"`, "The right patient", "born 5 May 1950. Scanned at ")
	says(t, u.page(ask+"&scan=%3Cb%3E"), "STOP: nobody under this number")
	for query, want := range map[string]string{
		ask:                            "a scan needs a patient and a scanned number",
		"/confirm?patient=none&scan=x": "No record of this patient",
	} {
		if a := u.get(query, "application/json"); a.status < 400 || !strings.Contains(a.body, want) {
			t.Errorf("%s: %d %s", query, a.status, a.body)
		}
	}
	u.cfg.Language = "de"
	u.handler = web.Pages(u.cfg)
	says(t, u.page(ask+"&scan=MRN-1002"), "HALT: ein anderer Patient")
}

// An identity that was merged into the patient is the patient's: its wristband confirms.
func TestAScanOfAMergedIdentityConfirms(t *testing.T) {
	u := crowd(t)
	u.roster("MRN-1001", at(20), &v1.RosterFact{Fact: &v1.RosterFact_PatientsMerged{PatientsMerged: &v1.PatientsMerged{
		Retired: &v1.PatientIdentifier{System: system, Value: "MRN-2001"}}}})
	u.settle()
	if result, text, _ := confirmed(t, u, "MRN-1001", "MRN-2001"); result != "same" {
		t.Errorf("%s: %s", result, text)
	}
	if a := find(u, "MRN-2001"); a.head.Get("Location") != "card?patient="+u.ring.PatientKey(system, "MRN-1001") {
		t.Errorf("the merged number leads to %d %s", a.status, a.head.Get("Location"))
	}
}
