package life

import (
	"slices"
	"time"

	"cannulary/internal/fault"
)

// Window is the months that are shown: Months of them, up to and with Until.
type Window struct {
	Months int    `json:"months"`
	Until  string `json:"until"` // YYYY-MM; empty for the last month with a session
	// From is its first month. Earlier and Later are the last months of the windows beside it,
	// empty if nothing lies there.
	From    string `json:"from"`
	Earlier string `json:"earlier,omitempty"`
	Later   string `json:"later,omitempty"`
}

// Lengths returns how many months a window can have. The first is the usual one: about forty
// sessions.
func Lengths() []int { return []int{3, 6, 12, 24} }

const month = "2006-01"

// Check completes a window and refuses one that cannot be shown.
func (w Window) Check() (Window, error) {
	if w.Months == 0 {
		w.Months = Lengths()[0]
	}
	if !slices.Contains(Lengths(), w.Months) {
		return w, fault.New(fault.Invalid, "a window of that many months is not known here", "choose months=3, 6, 12 or 24")
	}
	if w.Until == "" {
		return w, nil
	}
	if t, err := time.Parse(month, w.Until); err != nil || t.Year() < 1970 || t.Year() >= 2500 {
		return w, fault.New(fault.Invalid, "until is not a month", "write YYYY-MM, for instance until=2027-05")
	}
	return w, nil
}

// cut keeps what lies in the window.
func (l *Life) cut(w Window) {
	last := l.Now.Date[:len(month)]
	if w.Until == "" {
		w.Until = last
		if n := len(l.Columns); n > 0 {
			w.Until = l.Columns[n-1].Date[:len(month)]
		}
	}
	w.From = shift(w.Until, 1-w.Months)
	from, to := len(l.Columns), len(l.Columns)
	if i := slices.IndexFunc(l.Columns, func(x Column) bool { return x.Date[:len(month)] >= w.From }); i >= 0 {
		from = i
	}
	if i := slices.IndexFunc(l.Columns, func(x Column) bool { return x.Date[:len(month)] > w.Until }); i >= 0 {
		to = i
	}
	if from > 0 {
		w.Earlier = shift(w.From, -1)
	}
	end := to == len(l.Columns)
	if !end {
		w.Later = min(shift(w.Until, w.Months), l.Columns[len(l.Columns)-1].Date[:len(month)])
	}
	l.Columns = l.Columns[from:max(from, to)]
	if !end {
		l.Now = nil
	}
	l.Window = w
	highest := len(l.Columns)
	if end {
		highest++
	}
	var kept []Hold
	for _, h := range l.Holds {
		h.First, h.Last = h.First-from, h.Last-from
		if between := h.Last < h.First; h.First < highest && (h.Last >= 0 || between && h.First >= 0) {
			kept = append(kept, h)
		}
	}
	l.Holds = append([]Hold{}, kept...)
}

// shift returns the month n months later.
func shift(m string, n int) string {
	t, err := time.Parse(month, m)
	if err != nil {
		return m
	}
	return t.AddDate(0, n, 0).Format(month)
}
