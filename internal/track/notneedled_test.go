package track_test

import (
	"testing"

	v1 "cannulary/proto/cannulary/v1"
)

// Nobody is called for a hold on what nobody needles.
func TestAHoldOnWhatNobodyNeedles(t *testing.T) {
	const tunneled, other = v1.AccessKind_ACCESS_KIND_TUNNELED_CATHETER, v1.AccessKind_ACCESS_KIND_NON_TUNNELED_CATHETER
	has := func(s *story, name string, kind v1.AccessKind) *story {
		return s.said(0, 5, 0, &v1.AccessCreated{Access: name, Kind: kind})
	}
	held := func(s *story, access string) *story {
		return s.said(12, 6, 0, &v1.HoldPlaced{Access: access, PlacedBy: nurse("lead"), Reason: "Odd."})
	}
	heldTrack := func(s *story) *story {
		return s.said(12, 6, 0, &v1.HoldPlaced{Track: "A", PlacedBy: nurse("lead"), Reason: "Odd."})
	}
	for _, c := range []struct {
		says       string
		told       func(s *story)
		notNeedled bool
	}{
		{"a fistula", func(s *story) { held(has(s, "F", v1.AccessKind_ACCESS_KIND_FISTULA), "F") }, false},
		{"a graft", func(s *story) { held(has(s, "G", v1.AccessKind_ACCESS_KIND_GRAFT), "G") }, false},
		{"an access of another kind", func(s *story) { held(has(s, "P", v1.AccessKind_ACCESS_KIND_OTHER), "P") }, false},
		{"an access that nothing is known of", func(s *story) { held(s, "Z") }, false},
		{"a tunneled catheter", func(s *story) { held(has(s, "C", tunneled), "C") }, true},
		{"a non-tunneled catheter", func(s *story) { held(has(s, "C", other), "C") }, true},
		{"a tunneled catheter beside a fistula with a track in use", func(s *story) { held(has(s.ready(), "C", tunneled), "C") }, true},
		{"a fistula beside a tunneled catheter", func(s *story) { held(has(s.ready(), "C", tunneled), "F") }, false},
		{"an access recorded as a catheter, in whose track a needle was used",
			func(s *story) { held(has(s.ready(), "F", tunneled), "F") }, false},
		{"a track in use on an access recorded as a catheter", func(s *story) { heldTrack(has(s.ready(), "F", tunneled)) }, false},
		{"a fistula that was given up", func(s *story) { held(s.ready(), "F").said(13, 6, 0, &v1.AccessRetired{Access: "F"}) }, true},
		{"a track on a fistula that was given up", func(s *story) {
			heldTrack(s.ready()).said(13, 6, 0, &v1.AccessRetired{Access: "F"})
		}, true},
		{"a track that was given up", func(s *story) {
			heldTrack(s.ready()).said(13, 6, 0, &v1.TrackRetired{Track: "A", Reason: "Odd."})
		}, true},
	} {
		s := tell(t)
		c.told(s)
		j := s.judge(14)
		n := 0
		for _, h := range j.Open() {
			if h.Rule != "person" {
				continue
			}
			n++
			if j.NotNeedled(&h) != c.notNeedled || j.GivenUp(&h) && !c.notNeedled {
				t.Errorf("%s: not needled is not %v of %+v", c.says, c.notNeedled, h)
			}
		}
		if n != 1 {
			t.Errorf("%s: %d holds are open", c.says, n)
		}
	}
	// A plan on a catheter that nobody followed: the plan has to be corrected, no needle goes in.
	j := tell(t).made().access(0, tunneled).planned(1).judge(2)
	if open := j.Open(); len(open) != 1 || !j.NotNeedled(&open[0]) {
		t.Errorf("a planned track on a catheter: %+v", open)
	}
}
