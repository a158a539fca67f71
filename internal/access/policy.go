package access

import (
	"bytes"
	"crypto/sha256"
	"crypto/subtle"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/proto"

	cannularyv1 "cannulary/proto/cannulary/v1"
)

// Policy is what a policy file says.
type Policy struct {
	Principals []*Principal `yaml:"principals"`
	Issuers    []*Issuer    `yaml:"issuers"`
	// People log in with their browser; nil where nobody does.
	People *People `yaml:"people"`
}

// minToken is the length of 32 bytes in base64 without padding. Shorter tokens are never accepted.
const minToken = 43

// ownSource is the source of the service's own entries.
const ownSource = "cannulary"

var (
	principalPattern = regexp.MustCompile(`^[a-z0-9][a-z0-9._-]{0,63}$`)
	sourcePattern    = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._:-]{0,63}$`)
	goType           = regexp.MustCompile(` in type access\.\w+`)
	digestPattern    = regexp.MustCompile(`^[0-9a-f]{64}$`)
)

// Parse reads a policy file and checks it. Nothing in it is passed over: an unknown field, a
// misspelt kind of fact or resource type, and a name that two principals share are errors. types
// are the resource types that there are.
func Parse(text []byte, types []string) (*Policy, error) {
	d := yaml.NewDecoder(bytes.NewReader(text))
	d.KnownFields(true)
	var p Policy
	if err := d.Decode(&p); err != nil && !errors.Is(err, io.EOF) {
		why := strings.Join(strings.Fields(strings.TrimPrefix(err.Error(), "yaml: ")), " ")
		return nil, fmt.Errorf("the policy cannot be read: %s; deploy/access.md describes every field", goType.ReplaceAllString(why, ""))
	}
	if err := d.Decode(&Policy{}); !errors.Is(err, io.EOF) {
		return nil, errors.New("the policy holds more than one document; write all principals into one")
	}
	if len(p.Principals) == 0 && p.People == nil {
		return nil, errors.New("the policy names no principal, so nobody could do anything; name one under principals")
	}
	taken := map[string]string{} // what is one principal's alone → its name
	for i, one := range p.Principals {
		if one == nil || !principalPattern.MatchString(one.Name) {
			return nil, fmt.Errorf("principals[%d] has no good name; use 1 to 64 of a-z, 0-9, dot, _ and -, a letter or digit first", i)
		}
		if one.Name == operatorName {
			return nil, fmt.Errorf("principals[%d] is named %s, as who asks by the socket in the data folder is; choose another name",
				i, operatorName)
		}
		err := errors.Join(one.check(types), one.claim(taken))
		if err != nil {
			return nil, fmt.Errorf("principal %s: %s", one.Name, strings.ReplaceAll(err.Error(), "\n", "; also: "))
		}
	}
	return &p, errors.Join(p.checkTokens(), p.checkPeople())
}

// claim notes what identifies the principal or its messages, and refuses what another has.
func (p *Principal) claim(taken map[string]string) error {
	names := []string{"name " + p.Name}
	for _, c := range p.Certificates {
		names = append(names, "certificate name "+c)
	}
	for _, t := range p.Tokens {
		names = append(names, "token "+t)
	}
	for _, s := range p.Sources {
		names = append(names, "source "+s)
	}
	if id := p.ClientID(); id != "" {
		names = append(names, "client id "+id)
	}
	if p.Signer != nil {
		names = append(names, "issuer of calls "+p.Signer.Issuer)
	}
	for _, n := range names {
		if other, ok := taken[n]; ok {
			return fmt.Errorf("%s stands here and at principal %s; each belongs to one principal, once", shown(n), other)
		}
		taken[n] = p.Name
	}
	return nil
}

// check refuses what cannot be meant.
func (p *Principal) check(types []string) error {
	if len(p.Certificates)+len(p.Tokens) == 0 && p.Client == nil && p.Signer == nil {
		return errors.New("nobody could be it; give certificates, tokens, client or hooks")
	}
	if slices.Contains(p.Certificates, "") || slices.Contains(p.Certificates, Any) {
		return errors.New("certificates must be names, each whole; * is none")
	}
	for _, t := range p.Tokens {
		if !digestPattern.MatchString(t) {
			return errors.New("a token is no SHA-256 as 64 digits 0-9 a-f; `cannulary token` makes a token and the digits for here")
		}
	}
	for _, s := range p.Sources {
		if !sourcePattern.MatchString(s) || s == ownSource {
			return fmt.Errorf("source %q cannot be a sender's; name each source whole, 1 to 64 of letters, digits, dot, _, : and -, not %s",
				shown(s), ownSource)
		}
	}
	for what, list := range map[string][]string{"facilities": p.Facilities, "facts": p.Facts, "amends": p.Amends, "fhir": p.FHIR} {
		if slices.Contains(list, "") || slices.Contains(list, Any) && len(list) > 1 {
			return fmt.Errorf("%s holds an empty name, or * beside others; * alone stands for all", what)
		}
	}
	if n := len(p.Sources); n > 0 && len(p.Facts)*len(p.Facilities) == 0 || n == 0 && len(p.Facts)+len(p.Amends) > 0 {
		return errors.New("a sender needs sources, facts and facilities, all three; amends goes with them")
	}
	kinds := Kinds()
	for _, f := range p.Facts {
		service, kind, _ := strings.Cut(f, "/")
		if f != Any && !slices.Contains(kinds, f) && (kind != Any || !slices.Contains(services(), service)) {
			return fmt.Errorf("%q is no kind of fact; write SERVICE/KIND, for instance roster/patient_admitted, or SERVICE/*; "+
				"proto/README.md lists them", shown(f))
		}
	}
	for _, t := range p.FHIR {
		if t != Any && !slices.Contains(types, t) {
			return fmt.Errorf("there is no resource type %q here; use * or some of %s", shown(t), strings.Join(types, ", "))
		}
	}
	for _, r := range p.May {
		if !slices.Contains(granted(), r) {
			return fmt.Errorf("may holds %q; use some of %v", shown(string(r)), granted())
		}
	}
	if p.ReadsPatients() && len(p.Facilities) == 0 {
		return errors.New(`it reads patients, so it needs facilities: those whose patients it may read, or ["*"]`)
	}
	if slices.Contains(p.May, Audit) && !p.Everywhere() {
		return errors.New(`it reads the audit trail, which names patients of every facility, so its facilities must be ["*"]`)
	}
	if !p.Has(Send) && !p.Has(FHIR) && len(p.May) == 0 {
		return errors.New("it may do nothing; give sources and facts, fhir, or may")
	}
	return errors.Join(p.Display.check(p), p.Limits.check())
}

// Views lists the sets of facilities that readers of some facilities have, people too, each sorted, without repeats.
func (p *Policy) Views() (out [][]string) {
	var sets [][]string
	for _, one := range p.Principals {
		if one.ReadsPatients() {
			sets = append(sets, one.Facilities)
		}
	}
	for _, set := range append(sets, p.People.views()...) {
		set = slices.Compact(slices.Sorted(slices.Values(set)))
		if !slices.Contains(set, Any) && !slices.ContainsFunc(out, func(had []string) bool { return slices.Equal(had, set) }) {
			out = append(out, set)
		}
	}
	return out
}

// services lists the services in the order of the schema.
func services() []string { return []string{"roster", "cannulation", "assessment", "surveillance"} }

// Kinds lists the kinds of fact as a policy names them: service/kind.
func Kinds() []string {
	var out []string
	for i, m := range []proto.Message{&cannularyv1.RosterFact{}, &cannularyv1.CannulationFact{}, &cannularyv1.AssessmentFact{},
		&cannularyv1.SurveillanceFact{}} {
		fields := m.ProtoReflect().Descriptor().Oneofs().Get(0).Fields()
		for j := range fields.Len() {
			out = append(out, services()[i]+"/"+string(fields.Get(j).Name()))
		}
	}
	return out
}

// Caller is what a caller shows of itself.
type Caller struct {
	// Certificate is its certificate, checked against the authorities for clients; nil without one.
	Certificate *x509.Certificate
	// Bearer is its token; empty without one.
	Bearer string
	// Path is what it asks for over HTTP; empty over gRPC.
	Path string
	// Person is who its session says; nil without one that is open.
	Person *Principal
}

// Who returns the principal of a caller. A caller with a certificate and a token must be the same
// principal by both, unless the policy does not know the certificate. The fault is Unknown for all
// that is wrong.
func (p *Policy) Who(c Caller) (*Principal, error) {
	by := p.certified(c.Certificate)
	if c.Bearer == "" {
		if by == nil {
			return nil, Unknown()
		}
		return by, nil
	}
	bearer := p.bearing(c.Bearer)
	if bearer == nil || by != nil && by != bearer {
		return nil, Unknown()
	}
	return bearer, nil
}

// certified returns the one principal that a certificate names.
func (p *Policy) certified(c *x509.Certificate) (found *Principal) {
	for _, name := range Names(c) {
		for _, one := range p.Principals {
			if !slices.Contains(one.Certificates, name) {
				continue
			}
			if found != nil && found != one {
				return nil // it could be two
			}
			found = one
		}
	}
	return found
}

// Names returns the names by which a certificate may be known: its alternative names that are DNS
// names or URIs, or the common name of a certificate that has none.
func Names(c *x509.Certificate) []string {
	if c == nil {
		return nil
	}
	out := slices.Clone(c.DNSNames)
	for _, u := range c.URIs {
		out = append(out, u.String())
	}
	if len(out) == 0 && c.Subject.CommonName != "" {
		out = append(out, c.Subject.CommonName)
	}
	return out
}

// bearing returns the principal that a token belongs to.
func (p *Policy) bearing(token string) (found *Principal) {
	digest := []byte(Digest(token))
	for _, one := range p.Principals {
		for _, t := range one.Tokens {
			if subtle.ConstantTimeCompare([]byte(t), digest) == 1 && len(token) >= minToken {
				found = one
			}
		}
	}
	return found
}

// Digest returns what stands in a policy for a token.
func Digest(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}
