package access

import (
	"errors"
	"fmt"
	"slices"
)

// KeySet says where the public keys of a system are: in a file, or at an address. One of them is given.
type KeySet struct {
	File string `yaml:"keys_file"`
	URL  string `yaml:"keys_url"`
}

// Client is a principal that gets its access tokens by OAuth: from our token endpoint, where it signs with a key of
// its key set, or from an issuer.
type Client struct {
	ID     string `yaml:"id"` // its client id; empty is the principal's name
	KeySet `yaml:",inline"`
	Issuer string `yaml:"issuer"`
}

// Signer is a principal that signs each of its calls of CDS Hooks.
type Signer struct {
	Issuer string `yaml:"issuer"` // the iss of its calls
	KeySet `yaml:",inline"`
}

// Issuer is an authorization server whose access tokens count.
type Issuer struct {
	URL      string `yaml:"url"`      // the iss of its tokens
	Audience string `yaml:"audience"` // what it calls this service in aud
}

// checkTokens refuses what cannot be meant of clients, signers and issuers. What stands in key sets is not looked at.
func (p *Policy) checkTokens() error {
	for i, one := range p.Issuers {
		if one.URL == "" || one.Audience == "" {
			return fmt.Errorf("issuers[%d] needs url and audience, the iss and aud of its tokens", i)
		}
		if other, _ := p.Issuer(one.URL); other != one {
			return fmt.Errorf("issuer %s stands there twice; write it once", shown(one.URL))
		}
	}
	for _, one := range p.Principals {
		if err := one.checkTokens(p); err != nil {
			return fmt.Errorf("principal %s: %w", one.Name, err)
		}
	}
	return nil
}

func (p *Principal) checkTokens(in *Policy) error {
	if c := p.Client; c != nil {
		given := 0
		for _, s := range []string{c.File, c.URL, c.Issuer} {
			if s != "" {
				given++
			}
		}
		_, known := in.Issuer(c.Issuer)
		switch {
		case given != 1:
			return errors.New("client needs keys_file, keys_url or issuer, one of them")
		case c.Issuer != "" && !known:
			return fmt.Errorf("client: issuer %s is not among issuers; name it there with its audience", shown(c.Issuer))
		case !p.Has(FHIR):
			return errors.New("client reads FHIR, so it needs fhir, the types that its tokens may allow")
		case len(c.ID) > maxClientID:
			return fmt.Errorf("client: id has more than %d bytes", maxClientID)
		}
	}
	if s := p.Signer; s != nil && (s.Issuer == "" || (s.File == "") == (s.URL == "")) {
		return errors.New("hooks needs issuer, the iss of the calls, and keys_file or keys_url, one of them")
	}
	if p.Signer != nil && !p.Has(Hooks) {
		return errors.New("hooks signs calls of CDS Hooks, so it needs may: [hooks]")
	}
	return nil
}

const maxClientID = 255

// ClientID returns the id of a principal that is a client, and empty for others.
func (p *Principal) ClientID() string {
	switch {
	case p.Client == nil:
		return ""
	case p.Client.ID == "":
		return p.Name
	}
	return p.Client.ID
}

// ClientOf returns the principal that is the client of an id.
func (p *Policy) ClientOf(id string) (*Principal, bool) {
	return p.first(func(one *Principal) bool { return id != "" && one.ClientID() == id })
}

// SignerOf returns the principal that signs its calls of CDS Hooks as an issuer.
func (p *Policy) SignerOf(iss string) (*Principal, bool) {
	return p.first(func(one *Principal) bool { return one.Signer != nil && one.Signer.Issuer == iss })
}

func (p *Policy) first(is func(*Principal) bool) (*Principal, bool) {
	i := slices.IndexFunc(p.Principals, is)
	if i < 0 {
		return nil, false
	}
	return p.Principals[i], true
}

// Issuer returns the issuer of an address.
func (p *Policy) Issuer(url string) (*Issuer, bool) {
	i := slices.IndexFunc(p.Issuers, func(one *Issuer) bool { return one.URL == url })
	if i < 0 {
		return nil, false
	}
	return p.Issuers[i], true
}

// Granted returns the principal with the rights of a token: of the types that it may read those that the token allows,
// and nothing else.
func (p *Principal) Granted(types []string) *Principal {
	out := &Principal{Name: p.Name, Facilities: p.Facilities, Limits: p.Limits}
	if slices.Contains(types, Any) {
		out.FHIR = p.FHIR
		return out
	}
	for _, t := range types {
		if p.Reads(t) {
			out.FHIR = append(out.FHIR, t)
		}
	}
	return out
}
