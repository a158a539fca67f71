package web

import (
	"bytes"
	"fmt"
	"log/slog"
	"net/http"

	"cannulary/internal/answer"
	"cannulary/internal/fault"
	"cannulary/internal/infectioncontrol"
)

// reportPolicy lets a report use the style that is in it, and load nothing at all.
const reportPolicy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// Report answers `GET /surveillance/report` with facility, month and format: json
// (default), html or csv.
func Report(s *infectioncontrol.Service, log *slog.Logger) http.Handler {
	return answer.Handler(log, "a report was not made", func(w http.ResponseWriter, r *http.Request) error {
		if err := reads(r, "only GET is possible here; a report is made again each time that it is asked for"); err != nil {
			return err
		}
		ask, format, err := reportRequest(r)
		if err != nil {
			return err
		}
		out, err := s.Report(r.Context(), ask)
		if err != nil {
			return err
		}
		if format == "json" {
			return answer.Value(w, r, http.StatusOK, out)
		}
		write, media := infectioncontrol.WriteCSV, "text/csv; charset=utf-8; header=present"
		if format == "html" {
			write, media = infectioncontrol.WriteHTML, "text/html; charset=utf-8"
		}
		var b bytes.Buffer
		if err := write(&b, &out); err != nil {
			return err
		}
		if format == "html" {
			w.Header().Set("Content-Security-Policy", reportPolicy)
			w.Header().Set("Referrer-Policy", "no-referrer")
		}
		answer.Send(w, r, http.StatusOK, media, b.Bytes())
		return nil
	})
}

func reportRequest(r *http.Request) (ask infectioncontrol.ReportRequest, format string, err error) {
	p, err := answer.Query(r, "facility", "format", "month")
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
	return infectioncontrol.ReportRequest{Facility: p["facility"], Month: p["month"]}, format, nil
}
