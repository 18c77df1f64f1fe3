package day

import (
	"math"
	"slices"

	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// markedBeside reports whether a check mark was confirmed in another session with the
// same base.
func (j *judge) markedBeside(s *Session) bool {
	return slices.ContainsFunc(j.ss, func(o *Session) bool {
		return o.Marked && o.HasBase && s.HasBase && s.BaseFirst.Dist(o.BaseFirst) <= s.Config.Base.Tolerance && s.Base < corrections.BaseElsewhere
	})
}

// mapRow says whether the map fits the base of the day: a base that is set up again
// by averaging moves every position by a metre, and nothing else shows it.
func (j *judge) mapRow() {
	const howMark = "drive onto a check mark and confirm it (key m of the dashboard), or drive a lap by hand and let kerbline setup compare it with the map"
	if j.live || j.grid == nil || !slices.ContainsFunc(j.ss, func(s *Session) bool { return s.MapAsked }) {
		return
	}
	worst, effect, sure := 0.0, Stops, "as at the map's survey whenever it was heard"
	for _, s := range j.ss {
		known, at := s.HasMapBase, s.MapBase
		if m := s.Config.Map.Base; !known && m != [3]float64{} {
			known, at = true, geodesy.ECEF{X: m[0], Y: m[1], Z: m[2]}
		}
		switch {
		case !s.HasCourse || !s.MapAsked || math.IsNaN(worst):
		case s.Marked || j.markedBeside(s):
			sure = "confirmed at a check mark"
		case !known:
			worst, sure = math.NaN(), "the map does not say by which base it was surveyed (base_ecef_m), and nothing has shown that it fits"
		case !s.HasBase:
			worst, effect, sure = math.NaN(), Informs, "the base was not heard, so that nothing says whether it stands where it did at the map's survey: "+howMark
		default:
			if off := s.BaseFirst.Dist(at); off > worst {
				worst = off
				if off > s.Config.Base.Tolerance {
					sure = "today's base stands or is entered elsewhere than at the map's survey; every position is off by as much"
				}
			}
		}
	}
	r := j.add("map_base", worst, j.cfg.Base.Tolerance, sure)
	if r.Effect = effect; math.IsNaN(worst) && effect == Stops {
		r.State = Fail
	}
}
