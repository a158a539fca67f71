package keyring

import (
	"crypto/ed25519"
	"encoding/hex"
)

// Sign signs a text with a key that is made from the site secret (Ed25519): 128 hexadecimal digits. Whoever
// has the key store can do the same, so a signature proves nothing against the administrator of the machine.
func (r *Ring) Sign(text string) string {
	return hex.EncodeToString(ed25519.Sign(r.signer(), []byte(text)))
}

// VerificationKey is the public key by which others check signatures: 64 hexadecimal digits.
func (r *Ring) VerificationKey() string {
	return hex.EncodeToString(r.signer().Public().(ed25519.PublicKey))
}

func (r *Ring) signer() ed25519.PrivateKey {
	return ed25519.NewKeyFromSeed(r.mac("signing key of heads"))
}
