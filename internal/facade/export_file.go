package facade

import (
	"compress/gzip"
	"io"
	"net/http"
	"os"
	"strings"

	"cannulary/internal/access"
	"cannulary/internal/answer"
)

// exportEnding ends the names of exported files.
const exportEnding = ".ndjson"

// exportFile answers a file of an export, from disk.
func (h *Handler) exportFile(r *request, id, name string) (reply, error) {
	typ, ok := strings.CutSuffix(name, exportEnding)
	if !ok {
		return reply{}, notFound("not-found", "the export %s has no file %s; GET on the export lists them", shown(id), shown(name))
	}
	if err := acceptsLines(r.Header.Values("Accept")); err != nil {
		return reply{}, err
	}
	s, ok := h.ownExport(r, id)
	if !ok {
		return reply{}, unknownExport(id)
	}
	if t := h.typeNamed(typ); t != nil && !t.reads(access.From(r.Context())) {
		return reply{}, access.Refused()
	}
	f, ok, err := h.cfg.Exports.File(id, typ)
	if err != nil {
		return reply{}, err
	}
	if !ok {
		return reply{}, notFound("not-found", "the export %s has no file %s; GET on the export lists them", shown(id), shown(name))
	}
	return reply{status: http.StatusOK, patients: s.Patients(typ), write: func(w http.ResponseWriter) {
		defer func() { _ = f.Close() }()
		head := w.Header()
		head.Set("Content-Type", "application/fhir+ndjson")
		head.Set("Cache-Control", "private, no-store")
		head.Set("X-Content-Type-Options", "nosniff")
		head.Set("Vary", "Accept-Encoding")
		if r.Header.Get("Range") == "" && answer.Quality(r.Header.Values("Accept-Encoding"), "gzip") > 0 {
			head.Set("Content-Encoding", "gzip")
			if r.Method != http.MethodHead {
				writeGzip(w, f)
			}
			return
		}
		// Ranges too, so that a download that broke off goes on where it was: a file never
		// changes.
		head.Set("ETag", `"`+id+"-"+typ+`"`)
		info, err := f.Stat()
		if err != nil {
			refuse(w, r.Request, answer.Broken())
			return
		}
		http.ServeContent(w, r.Request, "", info.ModTime(), f)
	}}, nil
}

func writeGzip(w io.Writer, f *os.File) {
	z, err := gzip.NewWriterLevel(w, gzip.BestSpeed)
	if err != nil {
		panic(err) // the level is a good one
	}
	// Without its end the client knows that something is missing; there is no other way
	// to tell it.
	if _, err := io.Copy(z, f); err == nil {
		_ = z.Close()
	}
}

// acceptsLines refuses what asks for anything but NDJSON. Clients that ask for our JSON
// mean what they get from this service.
func acceptsLines(accept []string) error {
	lines := []string{"application/fhir+ndjson", "application/ndjson", "application/x-ndjson"}
	if answer.Prefer(accept, append(lines, offered()...)...) == "" {
		return answer.Unacceptable("Accept", "the files of an export are application/fhir+ndjson, not "+shown(strings.Join(accept, ",")))
	}
	return nil
}
