package record_test

import (
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/record"
	v1 "cannulary/proto/cannulary/v1"
)

// minute is a moment of the invented day of these tests.
func minute(n int) time.Time { return time.Date(2025, 2, 3, 7, n, 0, 0, time.UTC) }

// insertion is an insertion with a needle of that gauge; its id is its name.
func insertion(id string, gauge uint32) record.Fact {
	return record.Fact{
		ID: id, Facility: "invented-north", PatientKey: "p1", At: minute(0), Kind: record.KindNeedleInserted,
		Body: &v1.NeedleInserted{Track: "A1", AttemptOrdinal: 1, Gauge: proto.Uint32(gauge)},
	}
}

// during puts a fact into a treatment.
func during(session string, f record.Fact) record.Fact {
	f.SessionSystem, f.SessionValue = "urn:x", session
	return f
}

// correction replaces the fact target by an insertion of that gauge. The later of two of
// one revision was asserted later.
func correction(id, target string, revision uint32, asserted int, gauge uint32) record.Fact {
	f := insertion(id, gauge)
	f.Kind, f.Target = record.KindFactCorrected, target
	f.Correction = &v1.Correction{Revision: revision, AssertedAt: timestamppb.New(minute(asserted))}
	return f
}

// void takes the fact target back.
func void(id, target string) record.Fact {
	return record.Fact{ID: id, Facility: "invented-north", PatientKey: "p1", At: minute(0), Kind: record.KindFactVoided, Target: target,
		Body: &v1.FactVoided{}}
}

// sessionVoid takes a treatment back.
func sessionVoid(id, session string) record.Fact {
	return record.Fact{
		ID: id, Facility: "invented-north", PatientKey: "p1", At: minute(0), Kind: record.KindSessionVoided,
		TargetSession: record.SessionKey("urn:x", session), Body: &v1.SessionVoided{},
	}
}

// merge retires an identity into survivor at a minute; reversal takes that back.
func merge(id, survivor, retired string, at int) record.Item {
	return record.Item{Fact: record.Fact{ID: id, At: minute(at), Kind: record.KindPatientsMerged, PatientKey: survivor, MergedKey: retired}}
}

func reversal(id, survivor, retired string, at int) record.Item {
	it := merge(id, survivor, retired, at)
	it.Kind = record.KindMergeReversed
	return it
}
