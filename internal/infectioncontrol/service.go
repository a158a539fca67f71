// Package infectioncontrol serves those who watch a unit's infections: the threshold that a
// sequential signal needs at the unit's size, and the monthly report.
package infectioncontrol

import (
	"context"
	"fmt"

	"cannulary/internal/fault"
	"cannulary/internal/surveil"
	"cannulary/internal/surveil/incidence"
)

// Caution goes with everything that is shown here.
const Caution = "Decision support only: local surveillance guidance, the unit's protocol and licensed practitioners decide. Small " +
	"numbers: a rate without its limits says little."

// Service answers the questions.
type Service struct {
	// Watch returns the surveillance of every registered facility.
	Watch func(ctx context.Context) ([]*surveil.Watch, error)
	// Knowledge returns how far the view has come. Histories returns what was reported earlier.
	// Reports need both.
	Knowledge func(ctx context.Context) Knowledge
	Histories Histories
}

// unit returns a facility; with an empty name the only one there is.
func (s *Service) unit(ctx context.Context, facility string) (*surveil.Watch, error) {
	all, err := s.Watch(ctx)
	if err != nil {
		return nil, err
	}
	return choose(all, facility)
}

func choose(all []*surveil.Watch, facility string) (*surveil.Watch, error) {
	var known []string
	for _, w := range all {
		if w.Facility == facility || facility == "" && len(all) == 1 {
			return w, nil
		}
		known = append(known, w.Facility)
	}
	return nil, fault.Facility(facility, known)
}

// ThresholdRequest asks for the threshold of a chart.
type ThresholdRequest struct {
	Facility  string
	Technique surveil.Technique
	Class     surveil.Class
	// RateRatio is the increase to notice: 1.25 to 20. InControlMonths is the average time
	// without a false alarm: 1 to 600 months.
	RateRatio, InControlMonths float64
	// Reference is events per 100 patient-months; 0 uses the registered rate.
	Reference float64
	// Patients is the average number at risk; 0 uses that of the last six whole months.
	Patients float64
}

// Threshold is a threshold for a chart, and what the chart can and cannot notice with it.
type Threshold struct {
	Facility  string            `json:"facility"`
	Technique surveil.Technique `json:"technique"`
	Class     surveil.Class     `json:"class"`
	Patients  float64           `json:"patients"`
	Reference float64           `json:"referencePer100PatientMonths"`
	Basis     string            `json:"referenceBasis"`
	// Beside says whose rate the reference is and which others there are. Its baseline is of the
	// last twelve whole months.
	Beside    Beside  `json:"besideReference"`
	RateRatio float64 `json:"rateRatio"`
	H         float64 `json:"threshold"`
	InControl float64 `json:"inControlMonths"`
	// Asked is the months between false alarms that were asked for. InControl can be longer.
	Asked float64 `json:"askedInControlMonths"`
	// AfterRestart is the average months from an acknowledgement to a false alarm.
	AfterRestart float64 `json:"inControlMonthsAfterRestart"`
	// Doubled and Tripled are the average months until such an increase is noticed.
	Doubled float64 `json:"monthsToNoticeDoubled"`
	Tripled float64 `json:"monthsToNoticeTripled"`
	// Choices are two thresholds for a unit with few patients: with one of them a single
	// infection is a signal. Other units have none.
	Choices []Choice `json:"choices,omitempty"`
	Says    string   `json:"says"`
	Caution string   `json:"caution"`
	// Current is the chart as it is set now, nil if it is not set.
	Current *Standing `json:"current"`
}

// Choice is a threshold that a person can choose.
type Choice struct {
	H         float64 `json:"threshold"`
	InControl float64 `json:"inControlMonths"`
	Says      string  `json:"says"`
}

// sizeMonths is the number of whole months over which a unit's size is averaged.
const sizeMonths = 6

// noticeWithin is the number of months for which the answer says which increase can be noticed.
const noticeWithin = 12

// Threshold computes a threshold. Its errors are faults.
func (s *Service) Threshold(ctx context.Context, r ThresholdRequest) (Threshold, error) {
	w, err := s.unit(ctx, r.Facility)
	if err != nil {
		return Threshold{}, err
	}
	out := Threshold{Facility: w.Facility, Technique: r.Technique, Class: r.Class, RateRatio: r.RateRatio, Patients: r.Patients,
		Reference: r.Reference, Basis: "given with the request", Caution: Caution,
		Current: chartNow(w, surveil.ChartName{Technique: r.Technique, Class: r.Class})}
	if out.Patients == 0 {
		out.Patients = tenth(w.Size(r.Technique, sizeMonths))
	}
	if out.Patients < 0.5 {
		return out,
			fault.New(fault.Invalid,
				fmt.Sprintf("almost nobody was at risk at %s in the last %d months: %.1f patients of technique %s on average", w.Facility,
					sizeMonths, out.Patients, r.Technique), "give --patients if the record is not complete yet")
	}
	taken := surveil.Reference{Technique: r.Technique, Class: r.Class, Rate: r.Reference}
	if out.Reference == 0 {
		for _, ref := range w.References {
			if ref.Technique == r.Technique && ref.Class == r.Class {
				taken, out.Reference, out.Basis = ref, ref.Rate, ref.Basis
			}
		}
		if out.Reference == 0 {
			return out, fault.New(fault.Invalid, fmt.Sprintf("%s has registered no reference rate of class %s for technique %s", w.Facility,
				r.Class, r.Technique), "give --reference, events per 100 patient-months, with its published basis")
		}
	}
	if out.Beside, err = beside(w, &taken, surveil.Year(w.AsOf.Month()-1)); err != nil {
		return out, err
	}
	d, err := incidence.DesignFor(incidence.Setting{PatientMonths: out.Patients, Rate: out.Reference}, r.RateRatio, r.InControlMonths)
	if err != nil {
		return out, fault.New(fault.Invalid, err.Error(), "choose other figures")
	}
	out.H, out.InControl, out.AfterRestart, out.Asked = d.H, d.InControl, d.AfterRestart, r.InControlMonths
	n, err := d.Notice(min(noticeWithin, r.InControlMonths/2))
	if err != nil {
		return out, fault.New(fault.Invalid, err.Error(), "choose other figures")
	}
	n.Asked = r.InControlMonths
	out.Doubled, out.Tripled, out.Says = n.Doubled, n.Tripled, n.Sentence()
	out.Choices, err = choices(n, r.InControlMonths)
	if err != nil {
		return out, fault.New(fault.Invalid, err.Error(), "choose other figures")
	}
	return out, nil
}

// nearlyEnough is the share of the months asked for from which the answer offers the rule that
// each infection is a signal (ours).
const nearlyEnough = 0.5

// choices returns the two rules of a small unit: one infection is a signal, and the threshold
// above that. It returns none if the first rule would give far more false alarms than asked for.
func choices(n incidence.Notice, asked float64) ([]Choice, error) {
	single, err := incidence.OneEventDesign(n.Setting, n.R)
	if err != nil || single.InControl < nearlyEnough*asked {
		return nil, nil // at this size nobody wants a signal for each infection
	}
	list := []incidence.Design{single, n.Design}
	if n.OneEvent() {
		// The lowest threshold of the other rule asks for a little more than the first rule
		// gives.
		other, err := incidence.DesignFor(n.Setting, n.R, min(600, single.InControl*1.01))
		if err != nil || other.OneEvent() {
			return nil, nil // events are so rare that only the first rule is possible
		}
		list = []incidence.Design{n.Design, other}
	}
	var out []Choice
	for _, d := range list {
		x, err := d.Notice(min(noticeWithin, d.InControl/2))
		if err != nil {
			return nil, err
		}
		out = append(out, Choice{H: six(d.H), InControl: six(d.InControl), Says: x.Choice()})
	}
	return out, nil
}
