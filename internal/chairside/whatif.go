package chairside

import (
	"context"
	"slices"
	"time"

	"cannulary/internal/dossier"
	"cannulary/internal/fault"
	"cannulary/internal/record"
	"cannulary/internal/view"
	"cannulary/internal/whatif"
	"cannulary/internal/whatif/proposal"
)

// WhatIf judges all that the view holds by another protocol, at the given facility or, where
// that is empty, at every one. It reads one state of the view and writes nothing. Its errors
// are faults: NotFound for a facility that is not registered, Unavailable when ctx ends.
func (s *Service) WhatIf(ctx context.Context, p whatif.Proposal, facility string) (whatif.Report, error) {
	facilities, err := s.proposedAt(ctx, facility)
	if err != nil {
		return whatif.Report{}, err
	}
	keys, err := s.Patients(ctx)
	if err != nil {
		return whatif.Report{}, err
	}
	o := whatif.Options{Proposal: p, Facilities: facilities, Zone: s.State.Zone, AsOf: s.Now()}
	var report whatif.Report
	err = s.Store.Reading(ctx, func(l view.Loader, c view.Checkpoint) error {
		moment, err := dossier.At(l, s.State, time.Time{})
		if err != nil {
			return err
		}
		o.Book = moment.Protocols
		if err := proposal.Fits(p, o.Book, facilities); err != nil {
			return err
		}
		comparison := whatif.New(o)
		for _, key := range keys {
			if moment.Identities.Survivor(key) != key {
				continue // with the patient it was merged into
			}
			if ctx.Err() != nil {
				return fault.Wrap(fault.Unavailable, ctx.Err(), "the request ended before the comparison did",
					"try again, for one facility at a time")
			}
			d, err := moment.Patient(key)
			if err != nil {
				return err
			}
			if slices.ContainsFunc(d.Input.Items, func(i record.Item) bool { return slices.Contains(facilities, i.Facility) }) {
				comparison.Add(whatif.Patient{Key: key, Input: d.Input})
			}
		}
		report = comparison.Report()
		report.Sequence, report.Lagging = c.Seq, s.Lagging()
		return nil
	})
	return report, err
}

// proposedAt checks a facility, or lists all.
func (s *Service) proposedAt(ctx context.Context, facility string) ([]string, error) {
	all, err := s.Store.Facilities(ctx)
	if err != nil {
		return nil, err
	}
	var known []string
	for _, f := range all {
		if f.Zone != "" {
			known = append(known, f.ID)
		}
	}
	if facility == "" {
		return known, nil
	}
	if !slices.Contains(known, facility) {
		return nil, fault.Facility(facility, known)
	}
	return []string{facility}, nil
}

// Patients lists the keys of all patients, in order: also of those who left, and of
// identities that were merged into another.
func (s *Service) Patients(ctx context.Context) ([]string, error) {
	const page = 500
	var keys []string
	for q := (view.Query{Type: "Patient", Count: page}); ; {
		p, err := s.Store.Search(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, r := range p.Rows {
			keys = append(keys, r.ID)
		}
		if !p.More {
			// One that changed meanwhile is listed twice.
			slices.Sort(keys)
			return slices.Compact(keys), nil
		}
		q.After = p.Next
	}
}
