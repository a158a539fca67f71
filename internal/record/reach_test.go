package record_test

import (
	"testing"

	"cannulary/internal/record"
	v1 "cannulary/proto/cannulary/v1"
)

func TestWhatACorrectionOrVoidFinds(t *testing.T) {
	const event = "0123456789abcdef0123456789abcdef"
	needle := record.Fact{ID: event + ".0", EventID: event, PatientKey: "p1", Facility: "invented-north", Kind: "needle_inserted",
		Body: &v1.NeedleInserted{}, SessionSystem: "s", SessionValue: "9"}
	correction := record.Fact{ID: event + ".1", EventID: event, PatientKey: "p1", Kind: record.KindFactCorrected,
		Body: &v1.NeedleInserted{}}
	merge := record.Fact{ID: event + ".2", EventID: event, PatientKey: "p1", Kind: record.KindPatientsMerged, MergedKey: "p2"}
	message := []record.Fact{needle, correction, merge}
	same := func(a, b *record.Fact) bool { return a.PatientKey == b.PatientKey }
	void := func(patient, target string) record.Fact {
		return record.Fact{PatientKey: patient, Kind: record.KindFactVoided, Body: &v1.FactVoided{}, Target: target}
	}
	corrects := func(target string, by *v1.NeedleInserted) record.Fact {
		f := record.Fact{PatientKey: "p1", Kind: record.KindFactCorrected, Body: &v1.SessionStarted{}, Target: target}
		if by != nil {
			f.Body = by
		}
		return f
	}
	session := func(patient, value string) record.Fact {
		return record.Fact{PatientKey: patient, Kind: record.KindSessionVoided, Body: &v1.SessionVoided{},
			TargetSession: record.SessionKey("s", value)}
	}
	for _, c := range []struct {
		says  string
		f     record.Fact
		named []record.Fact
		want  record.Reach
	}{
		{"a void of a needle", void("p1", event+".0"), message, record.Reached},
		{"a void of a correction", void("p1", event+".1"), message, record.Reached},
		{"nothing has arrived", void("p1", event+".0"), nil, record.NotArrived},
		{"the message has no such fact", void("p1", event+".3"), message, record.NoSuchFact},
		{"another patient's void", void("p2", event+".0"), message, record.OtherSubject},
		{"another patient's void of a merge counts", void("p2", event+".2"), message, record.Reached},
		{"a needle for a needle", corrects(event+".0", &v1.NeedleInserted{}), message, record.Reached},
		{"a start for a needle", corrects(event+".0", nil), message, record.OtherKind},
		{"a correction of a correction", corrects(event+".1", &v1.NeedleInserted{}), message, record.OtherKind},
		{"a session with a needle", session("p1", "9"), message, record.Reached},
		{"a session without any", session("p1", "8"), message, record.NotArrived},
		{"another patient's session of that number", session("p2", "9"), message, record.NotArrived},
	} {
		if got := record.ReachOf(&c.f, c.named, same); got != c.want {
			t.Errorf("%s: %q, want %q", c.says, got, c.want)
		}
		if c.want.Says() == string(c.want) {
			t.Errorf("%q has no words", c.want)
		}
	}
}
