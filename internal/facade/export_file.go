package facade

import (
	"compress/gzip"
	"io"
	"mime"
	"net/http"
	"os"
	"strconv"
	"strings"
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
	if _, ok := h.cfg.Exports.Status(id); !ok {
		return reply{}, unknownExport(id)
	}
	f, ok, err := h.cfg.Exports.File(id, typ)
	if err != nil {
		return reply{}, err
	}
	if !ok {
		return reply{}, notFound("not-found", "the export %s has no file %s; GET on the export lists them", shown(id), shown(name))
	}
	return reply{status: http.StatusOK, write: func(w http.ResponseWriter) {
		defer func() { _ = f.Close() }()
		head := w.Header()
		head.Set("Content-Type", "application/fhir+ndjson")
		head.Set("Cache-Control", "private, no-store")
		head.Set("X-Content-Type-Options", "nosniff")
		head.Set("Vary", "Accept-Encoding")
		if r.Header.Get("Range") == "" && acceptsGzip(r.Header.Values("Accept-Encoding")) {
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
			http.Error(w, "", http.StatusInternalServerError)
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
	all := strings.Join(accept, ",")
	if strings.TrimSpace(all) == "" {
		return nil
	}
	for _, part := range strings.Split(all, ",") {
		media, args, err := mime.ParseMediaType(part)
		if err == nil && args["q"] != "0" {
			switch media {
			case "application/fhir+ndjson", "application/ndjson", "application/x-ndjson":
				return nil
			}
		}
		if jsonMedia(part) {
			return nil
		}
	}
	return &problem{Status: http.StatusNotAcceptable, Code: "not-supported", Expression: "http.Accept",
		Text: "the files of an export are application/fhir+ndjson, not " + shown(all)}
}

func acceptsGzip(values []string) bool {
	for _, part := range strings.Split(strings.Join(values, ","), ",") {
		coding, args, _ := strings.Cut(part, ";")
		if !strings.EqualFold(strings.TrimSpace(coding), "gzip") {
			continue
		}
		q, ok := strings.CutPrefix(strings.ReplaceAll(args, " ", ""), "q=")
		v, err := strconv.ParseFloat(q, 64)
		return !ok || err == nil && v > 0
	}
	return false
}
