// Package proposal reads the protocol of a comparison, as strictly as ingest reads an adopted
// one.
package proposal

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"cannulary/internal/fault"
	"cannulary/internal/intake"
	"cannulary/internal/protocol"
	"cannulary/internal/track/rule"
	"cannulary/internal/whatif"
	cannularyv1 "cannulary/proto/cannulary/v1"
)

// MaxBytes is the longest text of a protocol that is accepted.
const MaxBytes = 64 << 10

// always is the first local date of a protocol that names none.
const always = "1970-01-01"

// Read reads a protocol in protobuf-JSON: message ProtocolAdopted, or message Protocol alone.
// Protocol alone gets the given name as its version and was always in force. Read applies the
// checks that ingest applies to an adopted protocol, and refuses fields that it does not know.
// It does not fill in what is left out: that keeps the values of each unit's own protocol. Its
// errors are faults of kind Invalid or TooLarge. They say what is wrong, where, and what is
// allowed.
func Read(name string, text []byte) (whatif.Proposal, error) {
	if len(text) > MaxBytes {
		return whatif.Proposal{}, fault.New(fault.TooLarge, fmt.Sprintf("the protocol %s has more than %d bytes", name, MaxBytes),
			"give message ProtocolAdopted or Protocol alone")
	}
	refuse := func(bad []fault.Violation) error {
		f := fault.New(fault.Invalid, "the protocol "+name+" is refused", "correct what is named and ask again; nothing was compared")
		f.Violations = bad
		return f
	}
	var keys map[string]json.RawMessage
	if err := json.Unmarshal(text, &keys); err != nil || keys == nil {
		return whatif.Proposal{},
			refuse([]fault.Violation{{Description: "it is not a JSON object" + because(err) +
				"; allowed is cannulary.v1.ProtocolAdopted or cannulary.v1.Protocol in protobuf-JSON"}})
	}
	adopted := &cannularyv1.ProtocolAdopted{}
	var m proto.Message = adopted
	whole := false
	for k := range keys {
		fd := fieldOf(adopted.ProtoReflect().Descriptor(), k)
		whole = whole || fd != nil
	}
	if !whole {
		adopted.Version, adopted.EffectiveFrom, adopted.Protocol = atMost60(name), always, &cannularyv1.Protocol{}
		m = adopted.Protocol
	}
	if bad := unknown(m.ProtoReflect().Descriptor(), "", text); len(bad) > 0 {
		return whatif.Proposal{}, refuse(bad)
	}
	if err := protojson.Unmarshal(text, m); err != nil {
		return whatif.Proposal{},
			refuse([]fault.Violation{{Description: strings.TrimPrefix(strings.Join(strings.Fields(err.Error()), " "), "proto: ")}})
	}
	bad, err := broken(adopted)
	if err != nil {
		return whatif.Proposal{}, err
	}
	if len(bad) > 0 {
		if !whole {
			for i := range bad {
				bad[i].Field = strings.TrimPrefix(strings.TrimPrefix(bad[i].Field, "protocol"), ".")
			}
		}
		return whatif.Proposal{}, refuse(bad)
	}
	return whatif.Proposal{Version: adopted.GetVersion(), From: adopted.GetEffectiveFrom(), Protocol: adopted.GetProtocol()}, nil
}

// Fits checks the proposal together with what it leaves to each protocol of the facilities. Its
// error is a fault of kind Invalid, which names the facility and the day.
func Fits(p whatif.Proposal, book *protocol.Book, facilities []string) error {
	for _, f := range facilities {
		asked := book.Asked(f, p.From, p.Protocol)
		for _, from := range slices.Sorted(maps.Keys(asked)) {
			bad, err := broken(&cannularyv1.ProtocolAdopted{Version: p.Version, EffectiveFrom: from, Protocol: asked[from]})
			if err != nil {
				return err
			}
			if len(bad) > 0 {
				f := fault.New(fault.Invalid, fmt.Sprintf("the protocol %s is refused together with what facility %s has from %s on",
					p.Version, f, from),
					"give the other parameter as well; nothing was compared")
				f.Violations = bad
				return f
			}
		}
	}
	return nil
}

func because(err error) string {
	if err == nil {
		return ""
	}
	return " (" + strings.TrimPrefix(err.Error(), "json: ") + ")"
}

// atMost60 cuts a name to the 60 characters that a version can have.
func atMost60(name string) string {
	const most = 60
	if r := []rune(name); len(r) > most {
		return string(r[:most])
	}
	if name == "" {
		return "what-if"
	}
	return name
}

func fieldOf(md protoreflect.MessageDescriptor, key string) protoreflect.FieldDescriptor {
	if fd := md.Fields().ByJSONName(key); fd != nil {
		return fd
	}
	return md.Fields().ByName(protoreflect.Name(key))
}

// unknown returns the keys that the message does not have.
func unknown(md protoreflect.MessageDescriptor, path string, text json.RawMessage) []fault.Violation {
	var keys map[string]json.RawMessage
	if err := json.Unmarshal(text, &keys); err != nil {
		return nil // the decoder reports the error
	}
	names := make([]string, 0, len(keys))
	for k := range keys {
		names = append(names, k)
	}
	slices.Sort(names)
	var bad []fault.Violation
	for _, k := range names {
		at := strings.TrimPrefix(path+"."+atMost60(k), ".") // a key can be long
		fd := fieldOf(md, k)
		switch {
		case fd == nil:
			bad = append(bad, fault.Violation{Field: at, Rule: "schema.unknown_field", Description: noParameter(md, k)})
		case fd.Kind() == protoreflect.MessageKind && !fd.IsList() && !bytes.Equal(bytes.TrimSpace(keys[k]), []byte("null")):
			bad = append(bad, unknown(fd.Message(), at, keys[k])...)
		}
	}
	return bad
}

// noParameter says that a key is no parameter, and which one there is instead.
func noParameter(md protoreflect.MessageDescriptor, key string) string {
	const typo = 2
	if n := nearest(md, key, typo); n != "" {
		return notHere(md) + "; is " + n + " meant?"
	}
	var fixed []string
	var named rule.Rule
	for _, r := range rule.All() {
		if r.Fixed {
			fixed = append(fixed, r.Code)
		}
		if strings.Contains(letters(key), letters(r.Code)) && len(r.Code) > len(named.Code) {
			named = r
		}
	}
	switch {
	case named.Fixed:
		return fmt.Sprintf("is not a parameter: %s is a fixed rule, which no protocol may change or loosen; leave it out", named.Code)
	case named.Code != "" && len(named.Parameters) == 0:
		return fmt.Sprintf("is not a parameter: the rule %s has none; leave it out", named.Code)
	case named.Code != "":
		return fmt.Sprintf("is not a parameter: those of the rule %s are %s", named.Code, strings.Join(named.Parameters, ", "))
	}
	if n := nearest(md, key, max(3, len(key)/4)); n != "" {
		return notHere(md) + "; is " + n + " meant?"
	}
	return notHere(md) + "; leave it out. The parameters are the fields of cannulary.v1.Protocol; the fixed rules (" +
		strings.Join(fixed, ", ") + ") have none, since no protocol may loosen them"
}

func notHere(md protoreflect.MessageDescriptor) string {
	if md.Name() == "Protocol" {
		return "is not a parameter"
	}
	return "is not a field of " + string(md.Name())
}

// letters drops the characters that join words.
func letters(s string) string {
	return strings.NewReplacer("_", "", "-", "", " ", "").Replace(strings.ToLower(s))
}

// nearest returns the field whose name differs from key by the fewest letters, at most so many;
// empty if none does.
func nearest(md protoreflect.MessageDescriptor, key string, most int) string {
	best, least := "", most+1
	for i := range md.Fields().Len() {
		fd := md.Fields().Get(i)
		for _, n := range []string{string(fd.Name()), fd.JSONName()} {
			if d := distance(n, key); d < least {
				best, least = string(fd.Name()), d
			}
		}
	}
	return best
}

// distance returns how many letters must be added, removed or changed to make a into b.
func distance(a, b string) int {
	if len(b) > 2*len(a)+8 {
		return len(b)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		left := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := left
			if a[i] != b[j] {
				change++
			}
			left = row[j+1]
			row[j+1] = min(change, left+1, row[j]+1)
		}
	}
	return row[len(b)]
}

// broken returns what ingest would refuse the protocol for.
func broken(p *cannularyv1.ProtocolAdopted) ([]fault.Violation, error) {
	v, err := intake.NewValidator()
	if err != nil {
		return nil, err
	}
	// Everything else in this message is valid.
	now := time.Unix(1, 0)
	err = v.Validate(intake.FromRoster(&cannularyv1.RecordRosterRequest{
		Envelope: &cannularyv1.Envelope{Source: "what-if", SourceMessageId: "1", Facility: "any", OccurredAt: timestamppb.New(now),
			Precision: cannularyv1.TimePrecision_TIME_PRECISION_SECOND},
		Facts: []*cannularyv1.RosterFact{{Fact: &cannularyv1.RosterFact_ProtocolAdopted{ProtocolAdopted: p}}},
	}), now, nil)
	if err == nil {
		return nil, nil
	}
	f := fault.As(err)
	if f.Kind != fault.Invalid {
		return nil, err
	}
	for i := range f.Violations {
		x := &f.Violations[i]
		x.Field = strings.TrimPrefix(strings.TrimPrefix(x.Field, "facts[0].protocol_adopted"), ".")
		if strings.HasSuffix(x.Field, "forming_sessions_target") && p.GetProtocol().GetFormingSessionsTarget() < 6 {
			x.Description += " (rule " + rule.FloorSix + ", which is fixed: no protocol asks for fewer than six)"
		}
	}
	return f.Violations, nil
}
