package answer

import (
	"bytes"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"strconv"
	"strings"

	"cannulary/fhir"
)

// Encoder is a form in which a Problem is written.
type Encoder struct {
	Media string
	Body  func(*Problem) ([]byte, error)
}

// JSON writes {"error":{"code":…,"text":…}}.
func JSON() Encoder {
	return Encoder{"application/json", func(p *Problem) ([]byte, error) {
		type told struct {
			Code string `json:"code"`
			Text string `json:"text"`
		}
		return Marshal(struct {
			Error told `json:"error"`
		}{told{name(p.Status), line(p.Text)}})
	}}
}

// Outcome writes an OperationOutcome of FHIR R4.
func Outcome() Encoder {
	return Encoder{"application/fhir+json; charset=utf-8", func(p *Problem) ([]byte, error) {
		var where []string
		if p.Expression != "" {
			where = []string{p.Expression}
		}
		return fhir.OperationOutcome("error", p.Code, p.Text, where...), nil
	}}
}

// HTML writes a page, which page makes.
func HTML(page func(w io.Writer, p *Problem) error) Encoder {
	return Encoder{"text/html; charset=utf-8", func(p *Problem) ([]byte, error) {
		var b bytes.Buffer
		err := page(&b, p)
		return b.Bytes(), err
	}}
}

// Text writes a line.
func Text() Encoder {
	return Encoder{"text/plain; charset=utf-8", func(p *Problem) ([]byte, error) { return []byte(line(p.Text) + "\n"), nil }}
}

// line is a text in one line.
func line(text string) string { return strings.Join(strings.Fields(text), " ") }

// Refuse writes a Problem in a form. No cache may keep it.
func Refuse(w http.ResponseWriter, r *http.Request, p *Problem, form Encoder) error {
	body, err := form.Body(p)
	if err != nil {
		return err
	}
	head := w.Header()
	head.Set("Cache-Control", "no-store")
	head.Set("X-Content-Type-Options", "nosniff")
	for k, v := range p.Header {
		head.Set(k, v)
	}
	if code := bearerError(p.Status); code != "" && r.Header.Get("Authorization") != "" {
		head.Set("WWW-Authenticate", `Bearer error="`+code+`"`)
	}
	Send(w, r, p.Status, form.Media, body)
	return nil
}

// bearerError is what a client is answered about its token by RFC 6750, section 3.1; empty if its token is not what is wrong.
func bearerError(status int) string {
	switch status {
	case http.StatusUnauthorized:
		return "invalid_token"
	case http.StatusForbidden:
		return "insufficient_scope"
	}
	return ""
}

// Handler answers what serve writes, and refuses in JSON what serve returns as an error, which is logged as what. No
// cache may keep either.
func Handler(log *slog.Logger, what string, serve func(http.ResponseWriter, *http.Request) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		w.Header().Set("X-Content-Type-Options", "nosniff")
		err := Withheld(r.Context())
		if err == nil {
			err = serve(w, r)
		}
		if err != nil {
			// A Problem of two strings can always be written.
			_ = Refuse(w, r, Of(r.Context(), log, what, err), JSON())
		}
	})
}

// Value answers v as JSON. Nothing is written where v cannot be.
func Value(w http.ResponseWriter, r *http.Request, status int, v any) error {
	body, err := Marshal(v)
	if err == nil {
		Send(w, r, status, "application/json", body)
	}
	return err
}

// Marshal is v as one line of JSON, whose texts stand as they are.
func Marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(v)
	return b.Bytes(), err
}

// Send writes a whole answer, of which HEAD gets the headers.
func Send(w http.ResponseWriter, r *http.Request, status int, media string, body []byte) {
	w.Header().Set("Content-Type", media)
	w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		// The client may be gone; there is nobody to tell.
		_, _ = w.Write(body)
	}
}
