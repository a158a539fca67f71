// Package smart authenticates systems that ask by token: the EHR that reads FHIR, and the EHR that calls
// CDS Hooks.
//
// There are three kinds of token.
//
// A client assertion is a JWT by which a registered client proves who it is at our token endpoint, and gets an
// access token for it (Service.Token). Sources: SMART App Launch 2.2, "Backend Services" and "Client
// Authentication: Asymmetric" (https://hl7.org/fhir/smart-app-launch/), RFC 7521, RFC 7523, RFC 6749 section 5.2
// for the errors.
//   - The client signs with a key that it registered: a file here, or an address of its own that is fetched.
//     Algorithms are ES384 and RS384. The key is found by kid in the key set of that client alone.
//   - iss and sub are the client's id, aud is our token endpoint and nothing else, exp lies at most five minutes
//     ahead, jti is used once. A header jku must be the address that was registered.
//   - RFC 10070 asks for one audience: an assertion for several servers could be passed on by one of them. It wants the
//     server's issuer identifier there. SMART 2.2 wants the token endpoint, and its discovery document names no
//     issuer; SMART's rule counts.
//
// An access token of ours is 256 random bits. The shared bucket holds its hash with client, scopes and end. So
// nobody who reads the bucket can use a token or make one, every process knows every token, there is no signing
// key to keep, and a client that leaves the policy is out at once. It lives five minutes, as SMART recommends.
//
// A token of another issuer is a JWT access token that an authorization server of the hospital made
// (Service.Grant): its address is configured, its key set is found by OpenID Connect Discovery 1.0. iss, aud, exp
// and the client (client_id of RFC 9068, or azp) are checked. RFC 8725 asks a server to fix the algorithms by
// itself, to take a key from the issuer's set alone and to check issuer and audience.
//
// A call of CDS Hooks carries a JWT that the EHR signed for that call (Service.Caller): CDS Hooks 2.0, "Trusting
// CDS Clients" (https://cds-hooks.hl7.org/2.0/). iss and jku are on a list, aud is the address that is called,
// exp, iat and jti are needed, the algorithm is neither none nor symmetric. The standard leaves the longest
// lifetime to the agreement of both sides: here it is five minutes.
//
// Clocks may differ by half a minute. Cryptography is github.com/go-jose/go-jose.
package smart
