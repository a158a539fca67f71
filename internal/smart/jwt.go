package smart

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
)

const (
	maxJWT  = 8 << 10
	maxName = 256 // of what names a token, a client or a key
	// skew is how far the clocks of two machines may differ.
	skew = 30 * time.Second
	// maxLife is how far ahead a token that is used once may end. SMART says so for assertions.
	maxLife = 5 * time.Minute
)

// smartAlgorithms are those that SMART and CDS Hooks recommend; the discovery document lists them.
func smartAlgorithms() []jose.SignatureAlgorithm {
	return []jose.SignatureAlgorithm{jose.ES384, jose.RS384}
}

// issuerAlgorithms are the asymmetric ones that authorization servers use.
func issuerAlgorithms() []jose.SignatureAlgorithm {
	return append(smartAlgorithms(), jose.ES256, jose.RS256, jose.PS256, jose.PS384)
}

func tokenError(class, format string, a ...any) error {
	return errToken{class, fmt.Sprintf(format, a...)}
}

// claims are what is read of a JWT.
type claims struct {
	jwt.Claims
	Scope    string `json:"scope"`
	ClientID string `json:"client_id"`
	Party    string `json:"azp"`
}

// unverified is a JWT whose signature was not yet checked: what it says serves to find the key, and nothing else.
type unverified struct {
	token  *jwt.JSONWebToken
	kid    string
	alg    string
	jku    string
	claims claims
}

// parse takes a JWT apart. It refuses other algorithms than those given, so none and symmetric ones too.
func parse(raw string, algorithms []jose.SignatureAlgorithm, types ...string) (*unverified, error) {
	if len(raw) > maxJWT {
		return nil, tokenError(malformed, "the JWT has more than %d bytes; send fewer claims", maxJWT)
	}
	names := make([]string, 0, len(algorithms))
	for _, a := range algorithms {
		names = append(names, string(a))
	}
	token, err := jwt.ParseSigned(raw, algorithms)
	if err != nil {
		return nil, tokenError(malformed, "it is no JWT that is signed with one of %s; sign it with one of these",
			strings.Join(names, ", "))
	}
	head := token.Headers[0]
	u := &unverified{token: token, kid: head.KeyID, alg: head.Algorithm}
	u.jku, _ = head.ExtraHeaders["jku"].(string)
	if _, there := head.ExtraHeaders["jku"]; there && u.jku == "" {
		return nil, errToken{malformed, "jku is no address; leave it out, or send the address that is registered"}
	}
	typ, _ := head.ExtraHeaders[jose.HeaderType].(string)
	if !typed(typ, types) {
		return nil, tokenError(malformed, "typ is %.60q; it must be %s", typ, types[0])
	}
	if u.kid == "" || len(u.kid) > maxName {
		return nil, tokenError(malformed, "kid is missing or has more than %d bytes; send the kid of the key that signed", maxName)
	}
	if err := token.UnsafeClaimsWithoutVerification(&u.claims); err != nil {
		return nil, errToken{malformed, "its claims cannot be read; send a JSON object with iss, sub, aud, exp and jti as RFC 7519 " +
			"writes them"}
	}
	return u, nil
}

// typed compares a header typ. Some libraries leave it out, and its case does not count (RFC 7515 section 4.1.9).
func typed(typ string, types []string) bool {
	name := strings.TrimPrefix(strings.ToLower(typ), "application/")
	return typ == "" || slices.ContainsFunc(types, func(t string) bool { return strings.EqualFold(name, t) })
}

// verify checks the signature and returns the claims that it covers.
func (u *unverified) verify(key jose.JSONWebKey) (claims, error) {
	var c claims
	if key.Algorithm != "" && key.Algorithm != u.alg {
		return c, errToken{forged, "the key is registered for another algorithm"}
	}
	if u.token.Claims(key, &c) != nil {
		return c, errToken{forged, "the signature is not right"}
	}
	return c, nil
}

// checkTimes checks exp, iat and nbf. It compares seconds: a moment made of a great number would wrap around.
func (c *claims) checkTimes(now time.Time) error {
	early, late := now.Add(-skew).Unix(), now.Add(skew).Unix()
	switch {
	case c.Expiry == nil:
		return errToken{malformed, "exp is missing; send when the token ends"}
	case int64(*c.Expiry) <= early:
		return errToken{untimely, "it has expired: exp has passed; make a new one, and compare the clocks"}
	case c.IssuedAt != nil && int64(*c.IssuedAt) > late:
		return errToken{untimely, "iat lies ahead; compare the clocks"}
	case c.NotBefore != nil && int64(*c.NotBefore) > late:
		return errToken{untimely, "nbf lies ahead; compare the clocks"}
	}
	return nil
}

// checkOnce checks what a token that is used once needs beside its times.
func (c *claims) checkOnce(now time.Time) error {
	if err := c.checkTimes(now); err != nil {
		return err
	}
	if int64(*c.Expiry) > now.Add(maxLife+skew).Unix() {
		return tokenError(untimely, "exp lies more than %d minutes ahead; make a token for each request", int(maxLife/time.Minute))
	}
	if c.ID == "" || len(c.ID) > maxName {
		return tokenError(malformed, "jti is missing or has more than %d bytes; send a new random one each time", maxName)
	}
	return nil
}

// isFor reports whether the token is for this audience and for no other: one for several servers could be passed on by
// another of them.
func (c *claims) isFor(audience string) bool {
	return len(c.Audience) == 1 && c.Audience[0] == audience
}
