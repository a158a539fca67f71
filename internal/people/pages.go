package people

import (
	"bytes"
	"embed"
	"html/template"
	"io"
	"net/http"

	"cannulary/internal/answer"
)

//go:embed page
var files embed.FS

func readPages() *template.Template { return template.Must(template.ParseFS(files, "page/*.html")) }

type lockPage struct {
	To, State, Name string // State is open, locked or out
	Roles           []string
	Reviews, Glass  bool
}

type problemPage struct{ Text, To string }

// frame is what every page here has. These pages are English only.
type frame struct {
	Title, Prefix string
	Body          any
}

func (s *Service) show(w http.ResponseWriter, r *http.Request, name, title string, body any) error {
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, name+".html", frame{title, s.prefix, body}); err != nil {
		return err
	}
	answer.Send(w, r, http.StatusOK, "text/html; charset=utf-8", b.Bytes())
	return nil
}

// fail answers an error as a page, or as JSON to who wants no page.
func (s *Service) fail(w http.ResponseWriter, r *http.Request, err error) {
	p := answer.Of(r.Context(), s.cfg.Log, "a page of logins could not be made: "+r.URL.Path, err)
	form := answer.JSON()
	if answer.Prefer(r.Header.Values("Accept"), "application/json", "text/html") == "text/html" {
		form = answer.HTML(func(w io.Writer, p *answer.Problem) error {
			return s.pages.ExecuteTemplate(w, "problem.html", frame{http.StatusText(p.Status), s.prefix, problemPage{p.Text, "/"}})
		})
	}
	if err := answer.Refuse(w, r, p, form); err != nil {
		s.cfg.Log.Error("a page could not be made", "page", "problem", "err", err)
		_ = answer.Refuse(w, r, p, answer.JSON()) // two strings can always be written
	}
}
