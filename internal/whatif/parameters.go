package whatif

import (
	"slices"
	"strconv"
	"strings"

	"cannulary/internal/protocol"
)

// Parameter is a parameter with different values in two protocols.
type Parameter struct {
	Name     string `json:"name"` // of its field in message Protocol, which gives its unit
	Recorded string `json:"recorded"`
	WhatIf   string `json:"whatIf"`
}

// notSet is the value of a parameter that has no default.
const notSet = "not set"

// parameters returns the parameters in the order of the schema, with the schema's names.
func parameters(p *protocol.Parameters) []struct{ name, value string } {
	whole, number, yes := strconv.Itoa, func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }, strconv.FormatBool
	limit := notSet
	if p.PressureLimit != nil {
		limit = number(*p.PressureLimit)
	}
	var antiseptics []string
	for _, a := range p.Antiseptics {
		antiseptics = append(antiseptics, strings.ToLower(strings.TrimPrefix(a.String(), "ANTISEPTIC_")))
	}
	if len(antiseptics) == 0 {
		antiseptics = []string{notSet}
	}
	return []struct{ name, value string }{
		{"forming_sessions_target", whole(p.FormingTarget)},
		{"uses_pegs", yes(p.UsesPegs)},
		{"tip_distance_min_millimetres", whole(p.TipMin)},
		{"tip_distance_max_millimetres", whole(p.TipMax)},
		{"tip_distance_stop_millimetres", whole(p.TipStop)},
		{"anastomosis_distance_min_millimetres", whole(p.AnastomosisMin)},
		{"angle_min_degrees", number(p.AngleMin)},
		{"angle_max_degrees", number(p.AngleMax)},
		{"angle_tolerance_degrees", number(p.AngleTolerance)},
		{"rating_valid_months", whole(p.RatingMonths)},
		{"count_needs_listed_cannulator", yes(p.NeedsListed)},
		{"count_needs_same_spot", yes(p.NeedsSameSpot)},
		{"count_needs_same_path", yes(p.NeedsSamePath)},
		{"count_needs_same_angle", yes(p.NeedsSameAngle)},
		{"gap_extra_days", whole(p.GapExtraDays)},
		{"gap_restart_days", whole(p.GapRestartDays)},
		{"easy_entries_needed", whole(p.EasyEntries)},
		{"trial_sessions", whole(p.TrialSessions)},
		{"sharp_only", yes(p.SharpOnly)},
		{"rescue_repeat_count", whole(p.RescueRepeatCount)},
		{"rescue_window_days", whole(p.RescueWindowDays)},
		{"unused_caution_days", whole(p.UnusedCaution)},
		{"unused_stop_days", whole(p.UnusedStop)},
		{"attempts_max", whole(p.AttemptsMax)},
		{"disinfections_min", whole(p.DisinfectionsMin)},
		{"chlorhexidine_alcohol_contact_seconds", whole(p.ChlorhexidineSecs)},
		{"povidone_iodine_contact_seconds", whole(p.PovidoneSecs)},
		{"haemostasis_long_minutes", number(p.HaemostasisLong)},
		{"consecutive_sessions", whole(p.Consecutive)},
		{"venous_pressure_limit_mmhg", limit},
		{"venous_pressure_slope_mmhg", number(p.PressureSlope)},
		{"flow_low_millilitres_per_minute", whole(p.FlowLow)},
		{"flow_fall_percent", number(p.FlowFallPercent)},
		{"flow_fall_below_millilitres_per_minute", whole(p.FlowFallBelow)},
		{"infiltration_rest_sessions", whole(p.InfiltrationRest)},
		{"antiseptics", strings.Join(antiseptics, ", ")},
		{"topical_prophylaxis", yes(p.TopicalProphylaxis)},
		{"deputies_max", whole(p.DeputiesMax)},
	}
}

// differing returns the parameters whose values differ.
func differing(recorded, other *protocol.Parameters) []Parameter {
	out := []Parameter{}
	now := parameters(other)
	for i, r := range parameters(recorded) {
		if now[i].value != r.value {
			out = append(out, Parameter{r.name, r.value, now[i].value})
		}
	}
	return slices.Clip(out)
}
