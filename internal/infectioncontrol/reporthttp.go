package infectioncontrol

import (
	"bytes"
	"fmt"
	"log/slog"
	"net/http"

	"cannulary/internal/fault"
	"cannulary/internal/jsonhttp"
)

// reportPolicy lets a report use the style that is in it, and load nothing at all.
const reportPolicy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// ReportHandler answers `GET /surveillance/report` with facility, month and format: json
// (default), html or csv.
func (s *Service) ReportHandler(log *slog.Logger) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !reads(w, r, "only GET is possible here; a report is made anew each time that it is asked for") {
			return
		}
		ask, format, err := reportRequest(r)
		if err != nil {
			jsonhttp.Failed(w, r, log, "a report was not made", err)
			return
		}
		out, err := s.Report(r.Context(), ask)
		if err != nil {
			jsonhttp.Failed(w, r, log, "a report was not made", err)
			return
		}
		if format == "json" {
			jsonhttp.Answer(w, http.StatusOK, out)
			return
		}
		var b bytes.Buffer
		write := WriteCSV
		w.Header().Set("Content-Type", "text/csv; charset=utf-8; header=present")
		if format == "html" {
			write = WriteHTML
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			w.Header().Set("Content-Security-Policy", reportPolicy)
			w.Header().Set("Referrer-Policy", "no-referrer")
		}
		if err := write(&b, &out); err != nil {
			jsonhttp.Failed(w, r, log, "a report was not made", err)
			return
		}
		// The client may be gone; there is nobody to tell.
		_, _ = w.Write(b.Bytes())
	})
}

func reportRequest(r *http.Request) (ask ReportRequest, format string, err error) {
	p, err := jsonhttp.Query(r, "facility", "format", "month")
	if err != nil {
		return ask, "", err
	}
	format, asked := p["format"]
	switch {
	case !asked:
		format = "json"
	case format != "json" && format != "html" && format != "csv":
		return ask, "", fault.New(fault.Invalid, fmt.Sprintf("format: %q is not known here", format), "choose json, html or csv")
	}
	return ReportRequest{Facility: p["facility"], Month: p["month"]}, format, nil
}
