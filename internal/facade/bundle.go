package facade

import (
	"bytes"
	"encoding/json"
	"maps"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
)

const instantLayout = "2006-01-02T15:04:05.000Z"

// entry is an entry of a Bundle around stored bytes.
type entry struct {
	fullURL string
	body    []byte
	mode    string // search.mode; empty for none
	// patients are those of whom the resource tells something.
	patients []string
	history  *historyEntry
}

type historyEntry struct {
	url     string
	version int
	updated time.Time
}

// bundle is a Bundle before it is written; the fields are always written in the same order.
type bundle struct {
	kind      string // searchset or history
	watermark time.Time
	total     int // -1 for none
	self      string
	next      string // empty for none
	entries   []entry
}

// bytes splices the Bundle together; the resources go in as they are stored.
func (b *bundle) bytes() []byte {
	size := 512
	for i := range b.entries {
		size += len(b.entries[i].body) + 256
	}
	var w bytes.Buffer
	w.Grow(size)
	w.WriteString(`{"resourceType":"Bundle",`)
	mark := b.watermark
	if mark.IsZero() {
		// An empty view: a client that pulls from this time on misses nothing.
		mark = time.Unix(0, 0)
	}
	w.WriteString(`"meta":{"lastUpdated":"` + mark.UTC().Format(instantLayout) + `"},`)
	w.WriteString(`"type":"` + b.kind + `",`)
	if b.total >= 0 {
		w.WriteString(`"total":` + strconv.Itoa(b.total) + `,`)
	}
	w.WriteString(`"link":[{"relation":"self","url":` + quoted(b.self) + `}`)
	if b.next != "" {
		w.WriteString(`,{"relation":"next","url":` + quoted(b.next) + `}`)
	}
	w.WriteString(`]`)
	for i := range b.entries {
		if w.WriteString(`,`); i == 0 {
			w.WriteString(`"entry":[`)
		}
		b.entries[i].write(&w)
	}
	if len(b.entries) > 0 {
		w.WriteString(`]`)
	}
	w.WriteString(`}`)
	return w.Bytes()
}

func (e *entry) write(w *bytes.Buffer) {
	w.WriteString(`{`)
	if e.fullURL != "" {
		w.WriteString(`"fullUrl":` + quoted(e.fullURL) + `,`)
	}
	w.WriteString(`"resource":`)
	w.Write(e.body)
	if e.mode != "" {
		w.WriteString(`,"search":{"mode":"` + e.mode + `"}`)
	}
	if h := e.history; h != nil {
		status := "200"
		if h.version == 1 {
			status = "201"
		}
		w.WriteString(`,"request":{"method":"PUT","url":` + quoted(h.url) + `},"response":{"status":"` + status +
			`","etag":` + quoted(etag(h.version)) + `,"lastModified":"` + h.updated.UTC().Format(instantLayout) + `"}`)
	}
	w.WriteString(`}`)
}

// quoted is a JSON string; & stays as it is, so that links can be read.
func quoted(s string) string {
	var b strings.Builder
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(s); err != nil {
		panic(err) // a string always encodes
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// link is an absolute URL below the base.
func link(base, path string, params url.Values, cursor string) string {
	v := maps.Clone(params)
	if cursor != "" {
		v.Set(paramCursor, cursor)
	}
	s := base + "/" + path
	if q := v.Encode(); q != "" {
		s += "?" + q
	}
	return s
}

func (b *bundle) reply() reply {
	out := reply{status: http.StatusOK, header: map[string]string{"Cache-Control": "no-store"}, body: b.bytes()}
	for i := range b.entries {
		out.patients = append(out.patients, b.entries[i].patients...)
	}
	return out
}
