package intake

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"cannulary/internal/record"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// The index keys by which names of tracks and accesses are known. Those that `once` tells of are kept of the first event only:
// a track is needled three times a week for years.
const (
	// + patient key, "/", track, "/", facility: what plans, takes over or needles the track.
	topicTrack = "track/"
	// + patient key, "/", access, "/", facility: what creates the access, or plans, takes over or needles a track on it.
	topicHas = "has/"
	// + patient key, "/", track: its plans and takeovers; and once more with "/" and the access.
	topicLaid = "laid/"
	// + patient key, "/", track, "/", facility, "/", access or nothing: what needles the track.
	topicNeedled = "needled/"
	// + patient key, "/", track, "/", facility: the successful entries with a blunt needle.
	topicBlunt = "blunt/"
)

// once reports whether only the first event with the index key is kept.
func once(topic string) bool {
	return slices.ContainsFunc([]string{topicTrack, topicHas, topicNeedled, topicBlunt}, func(p string) bool {
		return strings.HasPrefix(topic, p)
	})
}

// naming returns the index keys of the names that a fact, or the content of a correction, makes known.
func naming(f *record.Fact) []string {
	var out []string
	track := func(name string) { out = append(out, topicTrack+f.PatientKey+"/"+name+"/"+f.Facility) }
	has := func(name string) { out = append(out, topicHas+f.PatientKey+"/"+name+"/"+f.Facility) }
	laid := func(name, access string) {
		track(name)
		out = append(out, topicLaid+f.PatientKey+"/"+name, topicLaid+f.PatientKey+"/"+name+"/"+access)
	}
	switch b := f.Body.(type) {
	case *cannularyv1.AccessCreated:
		has(b.GetAccess())
	case *cannularyv1.TrackPlanned:
		has(b.GetAccess())
		for _, t := range b.GetTracks() {
			laid(t.GetTrack(), b.GetAccess())
		}
	case *cannularyv1.TrackTakenOver:
		has(b.GetAccess())
		laid(b.GetTrack(), b.GetAccess())
	case *cannularyv1.NeedleInserted:
		if b.GetAccess() != "" {
			has(b.GetAccess())
		}
		if b.GetTrack() == "" {
			break
		}
		track(b.GetTrack())
		at := f.PatientKey + "/" + b.GetTrack() + "/" + f.Facility
		out = append(out, topicNeedled+at+"/"+b.GetAccess())
		if b.GetTip() == cannularyv1.NeedleTip_NEEDLE_TIP_BLUNT &&
			b.GetOutcome() == cannularyv1.InsertionOutcome_INSERTION_OUTCOME_SUCCESSFUL {
			out = append(out, topicBlunt+at)
		}
	}
	return out
}

// newNames returns what the facts of the message may name for the first time, as beginnings of index keys.
func (n *noticing) newNames() map[string]bool {
	out := map[string]bool{}
	for _, f := range n.m.facts {
		switch x := f.(type) {
		case *cannularyv1.RosterFact:
			if a := x.GetAccessCreated(); a != nil {
				out[topicHas+a.GetAccess()] = true
			}
		case *cannularyv1.CannulationFact:
			for _, t := range x.GetTrackPlanned().GetTracks() {
				out[topicTrack+t.GetTrack()] = true
			}
			if t := x.GetTrackTakenOver(); t != nil {
				out[topicTrack+t.GetTrack()] = true
			}
		}
	}
	return out
}

// mostNames is how many names a notice lists.
const mostNames = 10

// names notices tracks and accesses that nothing made known of the patient, where others are: most likely a slip. Each name is
// told of once.
func (n *noticing) names() {
	if n.key == "" {
		return
	}
	told := n.newNames()
	for i, f := range n.m.facts {
		fd := f.ProtoReflect().WhichOneof(f.ProtoReflect().Descriptor().Oneofs().Get(0))
		if fd == nil {
			continue
		}
		fields(f.ProtoReflect().Get(fd).Message(), fmt.Sprintf("facts[%d].%s", i, fd.Name()),
			func(path string, in protoreflect.Message, fd protoreflect.FieldDescriptor, v protoreflect.Value) {
				topic := namedBy(in.Interface(), fd)
				if topic == "" || v.String() == "" || told[topic+v.String()] {
					return
				}
				told[topic+v.String()] = true
				if others := n.others(topic, v.String()); len(others) > 0 {
					n.say("%s %q is not known of this patient, who has %s: is it one of them?", path, v.String(), listed(others))
				}
			})
	}
}

// namedBy returns by which index key the name in a field is known; empty if the field holds no name, or one that may be new.
func namedBy(in proto.Message, fd protoreflect.FieldDescriptor) string {
	if fd.Kind() != protoreflect.StringKind || fd.IsList() {
		return ""
	}
	switch fd.Name() {
	case "track":
		switch in.(type) {
		case *cannularyv1.TrackPlan, *cannularyv1.TrackTakenOver:
			return ""
		}
		return topicTrack
	case "access":
		if _, ok := in.(*cannularyv1.AccessCreated); ok {
			return ""
		}
		return topicHas
	}
	return ""
}

// others returns the names that are known of the patient if this one is not.
func (n *noticing) others(topic, name string) []string {
	// First what nearly every message finds.
	if n.has(topic + n.key + "/" + name + "/" + n.m.Envelope.GetFacility()) {
		return nil
	}
	known := n.named(topic, n.key)
	if len(known) == 0 || slices.Contains(known, name) {
		return nil
	}
	for _, k := range n.identities().Group(n.key) {
		if k != n.key {
			known = append(known, n.named(topic, k)...)
		}
	}
	if slices.Contains(known, name) {
		return nil
	}
	slices.Sort(known)
	return slices.Compact(known)
}

// named returns the names that an identity has by the index, as far as the sender may know.
func (n *noticing) named(topic, key string) []string {
	var out []string
	for _, t := range n.under(topic + key + "/") {
		if name, facility, _ := strings.Cut(t, "/"); n.by.At(facility) {
			out = append(out, name)
		}
	}
	return out
}

// under returns the rests of the index keys that begin so.
func (n *noticing) under(prefix string) []string {
	if n.err != nil {
		return nil
	}
	out, err := n.in.index.under(n.ctx, prefix)
	n.err = err
	for i := range out {
		out[i] = strings.TrimPrefix(out[i], prefix)
	}
	return out
}

func listed(names []string) string {
	if more := len(names) - mostNames; more > 0 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:mostNames], ", "), more)
	}
	return strings.Join(names, ", ")
}

// track notices a needle, a plan, a takeover or the closing of a review that does not agree with what is on record.
func (n *noticing) track(at string, ordinal int, f *cannularyv1.CannulationFact) {
	if n.key == "" || n.err != nil {
		return
	}
	switch x := f.GetFact().(type) {
	case *cannularyv1.CannulationFact_NeedleInserted:
		n.astray(at, x.NeedleInserted)
	case *cannularyv1.CannulationFact_TrackPlanned:
		to := x.TrackPlanned.GetAccess()
		for _, t := range x.TrackPlanned.GetTracks() {
			if was := n.lies(t.GetTrack()); was.needled && was.access != "" && was.access != to {
				n.say("%s plans track %q on access %q, and it was needled on access %q before: a track does not move, check which of the "+
					"two is wrong", at, t.GetTrack(), to, was.access)
			}
		}
		n.ended(at, to, "")
	case *cannularyv1.CannulationFact_TrackTakenOver:
		n.further(at, x.TrackTakenOver)
		n.ended(at, x.TrackTakenOver.GetAccess(), "")
	case *cannularyv1.CannulationFact_ReviewClosed:
		n.review(at, ordinal, x.ReviewClosed.GetReview())
	}
}

// astray notices a needle on another access than its track's.
func (n *noticing) astray(at string, b *cannularyv1.NeedleInserted) {
	if b.GetTrack() == "" || b.GetAccess() == "" || n.newNames()[topicTrack+b.GetTrack()] || n.agrees(b.GetTrack(), b.GetAccess()) {
		return
	}
	if is := n.lies(b.GetTrack()); is.access != "" && is.access != b.GetAccess() {
		n.say("%s names access %q, and track %q lies on access %q: check which of the two is wrong", at, b.GetAccess(), b.GetTrack(),
			is.access)
	}
}

// agrees reports whether the index alone says that nothing puts the track on another access. It looks at the envelope's
// identity only, because every needle passes here: where a merged one's plan is newer, a notice is left out.
func (n *noticing) agrees(track, access string) bool {
	laid := topicLaid + n.key + "/" + track
	all, err := n.in.index.mentions(n.ctx, laid)
	if err == nil && len(all) > 0 {
		var here []uint64
		here, err = n.in.index.mentions(n.ctx, laid+"/"+access)
		if err == nil {
			return slices.Equal(all, here)
		}
	}
	if n.err = err; err != nil {
		return true
	}
	return !slices.ContainsFunc(n.under(topicNeedled+n.key+"/"+track+"/"), func(t string) bool {
		_, on, _ := strings.Cut(t, "/")
		return on != "" && on != access
	})
}

// lying is what is on record of a track by the message's time.
type lying struct {
	access  string // on which it lies, by the newest plan or takeover, else by its first needle; empty if that is not known
	needled bool
	tried   bool // a takeover declared it in trial or established
}

// lies reads from the log what is on record of a track. Of its needles it sees the first to arrive at each facility and on each
// access: where that one was voided, a notice may be left out.
func (n *noticing) lies(track string) lying {
	keys := n.identities().Group(n.key)
	var topics []string
	for _, k := range keys {
		topics = append(topics, topicLaid+k+"/"+track)
		needled := topicNeedled + k + "/" + track + "/"
		for _, t := range n.under(needled) {
			topics = append(topics, needled+t)
		}
	}
	c, own := calendar{zone: n.in.zone(n.m)}, n.m.when()
	var out lying
	for _, it := range n.effective(keys, topics...) {
		if it.Void || c.before(own, moment{it.At, it.Precision}) {
			continue
		}
		switch b := it.Body.(type) {
		case *cannularyv1.TrackPlanned:
			if slices.ContainsFunc(b.GetTracks(), func(t *cannularyv1.TrackPlan) bool { return t.GetTrack() == track }) {
				out.access = b.GetAccess()
			}
		case *cannularyv1.TrackTakenOver:
			if b.GetTrack() == track {
				out.access, out.tried = b.GetAccess(), b.GetStage() != cannularyv1.TrackStage_TRACK_STAGE_FORMING
			}
		case *cannularyv1.NeedleInserted:
			if b.GetTrack() != track {
				continue
			}
			out.needled = true
			if out.access == "" {
				out.access = b.GetAccess()
			}
		}
	}
	return out
}

// further notices a takeover that declares a trial, or more, of a track that was needled here and never with a blunt needle.
// Whether a trial on record went far enough, only the judgement could say.
func (n *noticing) further(at string, b *cannularyv1.TrackTakenOver) {
	if b.GetStage() == cannularyv1.TrackStage_TRACK_STAGE_FORMING {
		return
	}
	if is := n.lies(b.GetTrack()); !is.needled || is.tried {
		return
	}
	for _, k := range n.identities().Group(n.key) {
		if slices.ContainsFunc(n.under(topicBlunt+k+"/"+b.GetTrack()+"/"), n.by.At) {
			return
		}
	}
	n.say("%s declares track %q as %s, and the record has sessions of it already, none of them with a blunt needle: check whether that "+
		"is the stage of this track", at, b.GetTrack(), b.GetStage())
}
