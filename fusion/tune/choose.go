package tune

import (
	"fmt"
	"strconv"
)

// Choose returns the place of the setting to take among ranked rows: the present
// one (index -1) unless another is better beyond chance. Where the present one has
// no outcome it is the first of the ranking.
func Choose(rows []Ranked) int {
	home := -1
	for i := range rows {
		if rows[i].Index < 0 {
			home = i
		}
	}
	if home < 0 {
		return 0
	}
	for i := range rows {
		if rows[i].Undominated && i != home && better(&rows[i].Figures, &rows[home].Figures) {
			return i
		}
	}
	return home
}

// better reports whether a is better than b beyond chance: in one figure or more,
// and in none worse beyond chance; and never with more misleading seconds, which
// no availability pays for.
func better(a, b *Figures) bool {
	n := Compare(a, b)
	better := false
	for _, k := range []struct {
		p    float64
		less float64 // negative where a is better
	}{
		{n.Misleading, rate(a.Runs, a.UsableJudged) - rate(b.Runs, b.UsableJudged)},
		{n.Availability, b.Availability() - a.Availability()},
		{n.False, rate(a.FalseAlarms, a.AlarmHours) - rate(b.FalseAlarms, b.AlarmHours)},
	} {
		if k.p < significance/3 {
			if k.less > 0 {
				return false
			}
			better = better || k.less < 0
		}
	}
	return better && !(a.Misleading > b.Misleading)
}

func rate(n int, over float64) float64 {
	if !(over > 0) {
		return 0
	}
	return float64(n) / over
}

// gates says of each setting that guards something what a larger value does: 1
// lets more pass, -1 less; and what is let through.
var gates = map[string]struct {
	larger int
	what   string
}{
	"limits.lateral_m":             {1, "a position further off sideways counts as usable"},
	"limits.along_m":               {1, "a position further off along the track counts as usable"},
	"limits.heading_deg":           {1, "a heading further off counts as usable"},
	"limits.risk":                  {1, "the levels are wrong more often"},
	"limits.risk_coast":            {1, "the coast budget is wrong more often"},
	"base.tolerance_m":             {1, "a base may move further unnoticed"},
	"gnss.max_age_s":               {1, "fixes on older corrections are used"},
	"gnss.min_sats":                {-1, "fixes of fewer satellites are used"},
	"gnss.max_hdop":                {1, "fixes of poorer geometry are used"},
	"gnss.max_sigma_m":             {1, "fixes that the receiver itself calls poor are used"},
	"gnss.fixed_sigma_m":           {-1, "the levels hold less of a fix's noise"},
	"gnss.inflation":               {-1, "the levels hold less of the reported noise"},
	"gnss.correlated_share":        {-1, "the levels hold less of errors that last"},
	"gnss.correlation_s":           {-1, "the levels hold less of errors that last"},
	"gnss.multipath_m":             {-1, "the levels hold less of reflections"},
	"gnss.stall_s":                 {1, "later epochs are used"},
	"gnss.silence_s":               {1, "a silent receiver is noticed later"},
	"imu.gap_s":                    {1, "a longer gap of the inertial sensor passes"},
	"tests.false_alarm":            {-1, "larger steps pass the jump test"},
	"tests.missed_detection":       {1, "the levels hold less of a step that was missed"},
	"tests.innovation_false_alarm": {-1, "larger innovations pass their gate"},
	"tests.drift_false_alarm":      {-1, "larger drifts pass their tests"},
	"tests.drift_doubt":            {-1, "the levels hold less of a suspected drift"},
	"tests.drift_floor_m":          {1, "larger drifts pass their tests"},
	"tests.cusum_k":                {1, "slower drifts pass unsummed"},
	"tests.cusum_h":                {1, "larger drifts pass their tests"},
	"tests.dwell_s":                {-1, "a fix is believed again sooner"},
	"tests.max_coast_s":            {1, "the car goes on longer without GNSS"},
	"vehicle.half_width_m":         {-1, "less room is kept beside the car"},
	"vehicle.tracking_margin_m":    {-1, "less room is kept beside the car"},
	"vehicle.reaction_s":           {-1, "less time is kept for the handover"},
	"vehicle.brake_mps2":           {1, "less time is kept for the handover"},
	"vehicle.reactive_speed_mps":   {1, "less time is kept for the handover"},
}

// Warnings says what a person must know of taking value to for key instead of from:
// whether it stands at the edge of what was tried, and whether it weakens a gate.
func (a *Axis) Warnings(from float64, to string) (out []string) {
	v, err := strconv.ParseFloat(to, 64)
	if err != nil {
		return nil
	}
	if n := len(a.Values); n > 1 && v != from && (to == a.Values[0] || to == a.Values[n-1]) {
		out = append(out, fmt.Sprintf("%s = %s is at the edge of what was tried: a better one may lie beyond, so vary it further before taking it", a.Key, to))
	}
	if g, ok := gates[a.Key]; ok && (v-from)*float64(g.larger) > 0 {
		out = append(out, fmt.Sprintf("%s from %s to %s weakens a gate: %s", a.Key, strconv.FormatFloat(from, 'g', 6, 64), to, g.what))
	}
	return out
}
