package web

import (
	"context"
	"io"
	"log/slog"
	"mime"
	"net/http"

	"cannulary/internal/answer"
	"cannulary/internal/fault"
	"cannulary/internal/trail/seen"
	"cannulary/internal/whatif"
	"cannulary/internal/whatif/proposal"
)

// Compare judges the record by a proposed protocol, at one facility or, where that is empty, at every one.
type Compare func(ctx context.Context, p whatif.Proposal, facility string) (whatif.Report, error)

// WhatIf answers `POST /what-if?facility=ID`: the body is a protocol in protobuf-JSON (see
// proposal.Read), the answer whatif.Report in JSON. A comparison takes its time, so one runs at
// a time and whoever comes meanwhile is asked to try again.
func WhatIf(compare Compare, log *slog.Logger) http.Handler {
	one := make(chan struct{}, 1)
	return answer.Handler(log, "a comparison failed", func(w http.ResponseWriter, r *http.Request) error {
		const posted = "a protocol is posted here in JSON, with POST; nothing of it is stored"
		if err := answer.Allow(r, posted, http.MethodPost); err != nil {
			return err
		}
		// A page of another site cannot post this type unasked.
		if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || t != "application/json" {
			return answer.WrongMedia("Content-Type", "the body must be sent as Content-Type application/json")
		}
		select {
		case one <- struct{}{}:
			defer func() { <-one }()
		default:
			return fault.New(fault.Unavailable, "another comparison is running; try again when it has ended", "")
		}
		asked, err := answer.Query(r, "facility")
		if err != nil {
			return err
		}
		body, err := io.ReadAll(io.LimitReader(r.Body, proposal.MaxBytes+1))
		if err != nil {
			return fault.Wrap(fault.Invalid, err, "the body could not be read", "send it again")
		}
		p, err := proposal.Read("what-if", body)
		if err != nil {
			return err
		}
		report, err := compare(r.Context(), p, asked["facility"])
		if err != nil {
			return err
		}
		for i := range report.Patients {
			seen.Patients(r.Context(), report.Patients[i].Patient)
		}
		return answer.Value(w, r, http.StatusOK, report)
	})
}
