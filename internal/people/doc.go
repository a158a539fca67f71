// Package people lets people in with a browser: login at the hospital's issuer by OpenID Connect (authorization code
// with PKCE, state and nonce), sessions, their lock and their end, and break-glass for when the issuer is away. It knows
// HTTP, the policy and the shared buckets, and no view.
//
// A session is an opaque cookie of 256 random bits and a record in the shared bucket under the cookie's SHA-256, so that
// every process knows it and whoever reads the bucket can open none. What the issuer gave in confidence (the refresh
// token, a name) is sealed in the record with a key that is made of the cookie. What a person may do is not in the record:
// it holds the values of their claims, and the policy in force gives them their meaning at each request.
//
// alexedwards/scs was weighed for sessions and not taken: its stores keep the token itself as the key, its data is one
// blob that the last writer wins, and here two processes must not both spend a refresh token that rotates. What is left of
// it then is a cookie.
//
// A session is:
//   - open while the person asks now and then. What a page asks by itself (the live stream, a page fetched again) is no
//     act of the person, and says so by a header.
//   - locked after the idle time. The person logs in again, which is one step, and is where they were. The issuer must
//     have seen them since the lock: it is asked with max_age (OpenID Connect Core 1.0, 3.1.2.1), and auth_time is checked.
//   - over after its longest time, by logout, when the issuer refuses the person (asked by refresh token, or by
//     userinfo without one), or when the issuer was silent for too long.
//
// Back-channel logout is not built: the check every few minutes does the same a little later, and needs no address that
// the issuer can reach.
package people
