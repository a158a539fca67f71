package infectioncontrol

import (
	"context"
	"fmt"

	"cannulary/internal/fault"
	"cannulary/internal/surveil"
)

// ReportRequest asks for a month's report.
type ReportRequest struct {
	Facility string // may be empty where there is one
	Month    string // YYYY-MM; empty is the last one that is over
}

// Report returns the report of a month. Its errors are faults.
func (s *Service) Report(ctx context.Context, r ReportRequest) (Report, error) {
	k := s.Knowledge(ctx) // asked first, so that the facts below hold at least that much
	all, err := s.Watch(ctx)
	if err != nil {
		return Report{}, err
	}
	w, err := choose(all, r.Facility)
	if err != nil {
		return Report{}, err
	}
	m, err := monthOf(w, r.Month)
	if err != nil {
		return Report{}, err
	}
	out, err := makeReport(w, all, m, k)
	if err != nil {
		return out, err
	}
	out.Restatements, err = restatements(ctx, s.Histories, w.Facility, m)
	return out, err
}

// monthOf returns the month asked for, after checks.
func monthOf(w *surveil.Watch, asked string) (surveil.Month, error) {
	now := w.AsOf.Month()
	if now <= epoch {
		return 0, fault.New(fault.Invalid, fmt.Sprintf("no day has begun on record at %s, so there is nothing to report", w.Facility),
			"send its first messages, or wait until the register has begun the day there")
	}
	if asked == "" {
		m := now - 1
		if w.Since > m.Last() {
			return 0, fault.New(fault.Invalid, fmt.Sprintf("no month is over yet at %s, whose record begins on %s", w.Facility, w.Since),
				fmt.Sprintf("name the month, %s, for its figures so far", now))
		}
		return m, nil
	}
	m, err := surveil.ParseMonth(asked)
	if err != nil {
		return 0, fault.New(fault.Invalid, fmt.Sprintf("month: %q is not a month", asked), "write YYYY-MM, for instance 2027-05")
	}
	if m > now {
		return 0, fault.New(fault.Invalid, fmt.Sprintf("month %s lies in the future: it is %s at %s", m, w.AsOf, w.Facility),
			fmt.Sprintf("choose %s or an earlier one", now))
	}
	if m.Last() < w.Since || m <= epoch {
		return 0, fault.New(fault.Invalid, fmt.Sprintf("month %s lies before the record of %s%s", m, w.Facility, begins(w)),
			fmt.Sprintf("choose one up to %s", now))
	}
	return m, nil
}

func begins(w *surveil.Watch) string {
	if w.Since == surveil.First {
		return ""
	}
	return ", which begins on " + w.Since.String()
}

// epoch is the month of the day 0, which stands for no day on record.
var epoch = surveil.MonthOf(1970, 1)
