package tune

import (
	"math"

	"kerbline/fusion"
	"kerbline/fusion/course"
	"kerbline/fusion/score"
	"kerbline/gnss/geodesy"
)

// Side is one setting's view of a stretch of time.
type Side struct {
	Verdict fusion.Verdict
	Reason  fusion.Reason // the most serious at its start; Code empty when there is none
	Error   float64       // m, largest horizontal error on the way; NaN without a reference
}

// Difference is a stretch of time over which two settings give other verdicts
// and neither changes its verdict or its first reason.
type Difference struct {
	From, To float64 // host Unix s
	A, B     Side
}

// Totals are the seconds of a comparison by both verdicts, a first.
type Totals [4][4]float64

// Lockstep runs two settings over one recording side by side and hands every
// difference to each, in order of time. ca and cb are the map, one for each, or nil.
func Lockstep(d *Decoded, a, b fusion.Config, ca, cb *course.Course, ref *score.Truth, each func(*Difference)) (t Totals) {
	ma, mb := fusion.NewMonitor(a, ca), fusion.NewMonitor(b, cb)
	var cur Difference
	open := false
	last := math.NaN()
	var va, vb fusion.Verdict
	hint := 0
	finish := func(at float64) {
		if open {
			cur.To = at
			each(&cur)
			open = false
		}
	}
	d.Each(func(in *fusion.Measurement) {
		sa, _ := ma.Step(in)
		sb, _ := mb.Step(in)
		if sa == nil && sb == nil {
			return
		}
		sa, sb = ma.Snapshot(), mb.Snapshot()
		now := math.Max(sa.T, sb.T)
		if d := now - last; d > 0 {
			t[va&3][vb&3] += math.Min(d, 0.5) // a line stands for no longer
		}
		last, va, vb = now, sa.Verdict, sb.Verdict
		ea, eb := errorOf(sa, ref, &hint), errorOf(sb, ref, &hint)
		ra, rb := firstReason(sa), firstReason(sb)
		if va == vb {
			finish(now)
			return
		}
		if open && (cur.A.Verdict != va || cur.B.Verdict != vb || cur.A.Reason.Code != ra.Code || cur.B.Reason.Code != rb.Code) {
			finish(now)
		}
		if !open {
			cur = Difference{From: now, A: Side{va, ra, ea}, B: Side{vb, rb, eb}}
			open = true
		}
		cur.A.Error, cur.B.Error = worse(cur.A.Error, ea), worse(cur.B.Error, eb)
	})
	finish(last)
	return t
}

func firstReason(s *fusion.Snapshot) fusion.Reason {
	if s.NReasons > 0 {
		return s.Reasons[0]
	}
	return fusion.Reason{Value: math.NaN(), Limit: math.NaN()}
}

func errorOf(s *fusion.Snapshot, ref *score.Truth, hint *int) float64 {
	if ref == nil || !s.HasPos {
		return math.NaN()
	}
	p, ok := ref.At(s.T, hint)
	if !ok {
		return math.NaN()
	}
	var q geodesy.ENU = ref.Frame().FromLLA(s.Pos)
	return math.Hypot(q.E-p.Pos.E, q.N-p.Pos.N)
}

func worse(a, b float64) float64 {
	if math.IsNaN(a) || b > a {
		return b
	}
	return a
}
