package chain

import (
	"crypto/ed25519"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
)

// Mark is a log's head as it is printed and noted: where the log stood, and its head there or the beginning of
// it.
type Mark struct {
	Shard string
	Seq   uint64
	Head  string // 16 to 64 hexadecimal digits
	// Signature is that of Text by the site's key, 128 hexadecimal digits; empty where it was left out.
	Signature string
}

const (
	shortest = 16 // digits of a head; below, another log would too easily have the same
	onPaper  = 32 // digits on paper: 128 bits
	inGroup  = 4
)

// MarkOf is the mark of a log at a head.
func MarkOf(shard string, seq uint64, head Sum) Mark {
	return Mark{Shard: shard, Seq: seq, Head: hex.EncodeToString(head[:])}
}

// Text is what is signed: SHARD:SEQUENCE:HEAD.
func (m Mark) Text() string { return fmt.Sprintf("%s:%d:%s", m.Shard, m.Seq, m.Head) }

// String is the text with the signature behind it, where there is one.
func (m Mark) String() string {
	if m.Signature == "" {
		return m.Text()
	}
	return m.Text() + ":" + m.Signature
}

// Short is the mark for paper: the beginning of the head, in groups.
func (m Mark) Short() string {
	var groups []string
	for h := m.Head[:min(onPaper, len(m.Head))]; h != ""; h = h[min(inGroup, len(h)):] {
		groups = append(groups, h[:min(inGroup, len(h))])
	}
	return fmt.Sprintf("%s:%d:%s", m.Shard, m.Seq, strings.Join(groups, "-"))
}

// ParseMark reads a mark in any of its forms.
func ParseMark(s string) (m Mark, err error) {
	parts := strings.Split(strings.TrimSpace(s), ":")
	bad := func(why string) (Mark, error) {
		return Mark{}, fmt.Errorf("the head %q %s; give it as it was printed, SHARD:SEQUENCE:HEAD with at least %d digits of the head",
			s, why, shortest)
	}
	if len(parts) != 3 && len(parts) != 4 {
		return bad("has not three parts")
	}
	m.Shard, m.Head = parts[0], strings.ToLower(strings.NewReplacer("-", "", " ", "").Replace(parts[2]))
	if m.Seq, err = strconv.ParseUint(parts[1], 10, 64); err != nil || m.Seq == 0 {
		return bad("has no sequence")
	}
	if strings.Trim(m.Head, "0123456789abcdef") != "" || len(m.Head) > 2*len(Sum{}) || len(m.Head) < shortest {
		return bad("has no hexadecimal digits where the head belongs, too few or too many")
	}
	if len(parts) == 4 {
		m.Signature = strings.ToLower(parts[3])
	}
	return m, nil
}

// SignedWith reports whether the signature is of the mark and by the holder of the key, 64 hexadecimal digits.
func (m Mark) SignedWith(key string) bool {
	pub, err := hex.DecodeString(key)
	sig, bad := hex.DecodeString(m.Signature)
	return err == nil && bad == nil && len(pub) == ed25519.PublicKeySize && len(sig) == ed25519.SignatureSize &&
		ed25519.Verify(pub, []byte(m.Text()), sig)
}

// Is reports whether the mark is of this head.
func (m Mark) Is(head Sum) bool { return strings.HasPrefix(hex.EncodeToString(head[:]), m.Head) }
