package facade

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"net/http"
	"time"

	"cannulary/internal/view"
)

// cursor is what a next link carries on: the place, and the state of the view in which
// the first page was read.
type cursor struct {
	kind  byte
	after view.Cursor // for a history, RID is the version; for AuditEvents 1
	first view.Mark
}

// The kinds of cursors.
const (
	searchCursor     = 's'
	historyCursor    = 'h'
	everythingCursor = 'e'
	changesCursor    = 'c'
	publishedCursor  = 'p'
	auditCursor      = 't'
)

const (
	cursorVersion = 1
	checkBytes    = 8
)

// encode writes the cursor so that it can be read only with the same query. The check
// finds damage and mix-ups; it keeps no secret.
func (c cursor) encode(query string) string {
	b := []byte{cursorVersion, c.kind}
	b = binary.AppendVarint(b, c.after.Updated.UnixMilli())
	b = binary.AppendUvarint(b, c.after.Seq)
	b = binary.AppendVarint(b, c.after.RID)
	b = binary.AppendVarint(b, c.first.Watermark.UnixMilli())
	b = binary.AppendUvarint(b, c.first.Seq)
	return base64.RawURLEncoding.EncodeToString(append(b, check(b, query)...))
}

func check(b []byte, query string) []byte {
	h := sha256.New()
	h.Write([]byte{byte(len(b))})
	h.Write(b)
	h.Write([]byte(query))
	return h.Sum(nil)[:checkBytes]
}

// decodeCursor reads a cursor of the kind and query.
func decodeCursor(s string, kind byte, query string) (cursor, error) {
	bad := invalid(paramCursor,
		"the cursor in %s is damaged or belongs to another request; follow the next link as it is, or begin again without it", paramCursor)
	b, err := base64.RawURLEncoding.Strict().DecodeString(s)
	if err != nil || len(b) < 2+checkBytes || len(b) > 255 {
		return cursor{}, bad
	}
	b, sum := b[:len(b)-checkBytes], b[len(b)-checkBytes:]
	if string(check(b, query)) != string(sum) || b[0] != cursorVersion || b[1] != kind {
		return cursor{}, bad
	}
	c, rest := cursor{kind: kind}, b[2:]
	signed := func() int64 {
		v, n := binary.Varint(rest)
		rest = rest[max(n, 0):]
		return v
	}
	unsigned := func() uint64 {
		v, n := binary.Uvarint(rest)
		rest = rest[max(n, 0):]
		return v
	}
	c.after.Updated = time.UnixMilli(signed()).UTC()
	c.after.Seq = unsigned()
	c.after.RID = signed()
	c.first.Watermark = time.UnixMilli(signed()).UTC()
	c.first.Seq = unsigned()
	if len(rest) != 0 || c.after.RID <= 0 {
		return cursor{}, bad
	}
	return c, nil
}

// settle joins the state in which the first page was read with that of this one. The
// client is told the older watermark on every page: what changed between the pages comes
// again with its next pull instead of getting lost. A view that has not come as far as the
// one that answered the first page must not answer, or the rows that it lacks would be
// missed.
func (c cursor) settle(now view.Mark) (view.Mark, error) {
	if c.after.RID == 0 {
		return now, nil
	}
	if now.Seq < c.first.Seq {
		return view.Mark{}, &problem{Status: http.StatusServiceUnavailable, Code: "transient",
			Header: map[string]string{"Retry-After": "1"},
			Text: fmt.Sprintf("this copy has projected the log up to event %d, the first page was read at %d; try again", now.Seq,
				c.first.Seq)}
	}
	if c.first.Watermark.Before(now.Watermark) {
		return c.first, nil
	}
	return view.Mark{Watermark: now.Watermark, Seq: c.first.Seq}, nil
}
