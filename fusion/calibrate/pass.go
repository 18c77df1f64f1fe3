package calibrate

import (
	"math"

	"gonum.org/v1/gonum/num/quat"

	"kerbline/fusion/eskf"
	"kerbline/fusion/navigation"
)

// The parameters, one index per scalar.
const (
	pLever   = 0 // m, body origin to antenna, body axes
	pLatency = 3 // s
	pYaw     = 4 // rad, mounting: a turn about up after the mounting to begin with
	pPitch   = 5 // rad, about left
	pScale   = 6 // reported wheel speed over true, minus one
	pSlip    = 7 // rad/(m/s^2), see eskf.State
	pAxle    = 8 // m, how far the body origin is ahead of the point that does not move sideways
	nPar     = 9
)

type params [nPar]float64

// insist is how many epochs in a row beyond the gate make the receiver followed.
const insist = 5

// whitened is one observation as the filter met it.
type whitened struct {
	n int           // scalars; 0 when it was not used
	y [3]float64    // innovation
	l [3][3]float64 // lower Cholesky factor of its covariance
}

// trace is what a pass leaves behind. Observations keep their places: epochs
// first, then wheel and side of every aid.
type trace struct {
	obs    []whitened
	follow []bool // epochs at which the position was let go
	order  []bool // of epochs (true) and aids
	ie, ia int    // the first of each
	end    eskf.Filter
	misfit float64 // chi-square, cut off at the gates, plus log det of the covariances
}

// size makes room for what d has to observe.
func (t *trace) size(d *drive) {
	n := len(d.rec.Epochs) + 2*len(d.aids)
	if len(t.obs) != n {
		t.obs, t.follow = make([]whitened, n), make([]bool, len(d.rec.Epochs))
	}
	clear(t.obs)
	clear(t.follow)
	t.misfit = 0
}

// loosen is noise added while the parameters are still far off: the passes are
// linearised about them.
type loosen struct{ pos, wheel, side float64 } // m, m/s, m/s

// slideTrust is how many times the settings' noise of sideways and upward velocity
// is taken at least. What tyres and leaning do to them repeats from corner to
// corner and does not average out; the parameters would follow it.
const slideTrust = 3

// fit is how large the noise of each kind of observation is, as a share of what
// the settings say.
type fit struct{ pos, wheel, side, up float64 }

// runner is one pass of the driver over the drive; it decides in the filter's
// place what becomes of observations.
type runner struct {
	d     *drive
	x     *params
	l     loosen
	base  *trace // whose decisions are taken over; nil to decide anew
	whole bool   // factors of the covariances are wanted too
	list  bool   // aids are listed, not taken from the list
	out   *trace

	at      int              // place of the next observation
	corr    navigation.Class // whose correlated error the filter carries
	refused int              // epochs in a row
}

// pass runs the filter over the drive with the parameters x. Without base it
// decides which observations count; with one it takes over its decisions, so that
// the two differ by the parameters alone. The factors of the covariances are kept
// when whole is set; then the order of observations is that of their times.
func (d *drive) pass(x *params, l loosen, base, out *trace, whole bool) {
	out.size(d)
	r := runner{d: d, x: x, l: l, base: base, whole: whole, out: out}
	feed := d.start(x)
	f := &d.nav.Filter
	d.nav.Observer, d.nav.Manual = &r, true
	epochs := d.rec.Epochs
	ie, ia := 0, 0
	follows := base != nil && !whole // the order of base too
	if follows {
		ie, ia = base.ie, base.ia
	} else {
		for ie < len(epochs) && epochs[ie].T-x[pLatency] < f.T {
			ie++
		}
		for ia < len(d.aids) && d.aids[ia].t < f.T {
			ia++
		}
	}
	out.ie, out.ia = ie, ia
	order := out.order[:0]
	for {
		te, ta := math.Inf(1), math.Inf(1)
		if ie < len(epochs) {
			te = epochs[ie].T - x[pLatency]
		}
		if ia < len(d.aids) {
			ta = d.aids[ia].t + d.late
		}
		to, isEpoch := math.Min(te, ta), te <= ta
		if follows {
			// The latency moves epochs past aids, and an innovation before an
			// update is not the one after it: the order stays, the aid gives way.
			if len(order) >= len(base.order) {
				break
			}
			if isEpoch = base.order[len(order)]; isEpoch {
				to = te
			}
		}
		if math.IsInf(to, 1) || !feed.Past(d.nav, to) {
			break
		}
		d.nav.Advance(to)
		order = append(order, isEpoch)
		if isEpoch {
			r.epoch(ie)
			ie++
		} else {
			r.aid(ia)
			ia++
		}
	}
	out.order = order
	f.Flush()
	out.end = *f
}

// epoch takes the position of epoch k.
func (r *runner) epoch(k int) {
	d, f := r.d, &r.d.nav.Filter
	e := &d.rec.Epochs[k]
	if e.Class < d.use {
		return
	}
	g := &d.rec.GNSS
	white, ch, cv := g.Noise(&e.Epoch, e.Class)
	ch, cv = d.fit.pos*ch, d.fit.pos*cv
	if e.Class != r.corr {
		f.SetCorr(ch, cv, g.CorrTime)
		r.corr = e.Class
	}
	f.Params.CorrSigmaH, f.Params.CorrSigmaV = ch, cv
	for j := range white {
		white[j] = white[j]*d.fit.pos*d.fit.pos + r.l.pos*r.l.pos
	}
	o := d.nav.Position(e.Z, e.HasH, white)
	if r.accept(k, &o, navigation.Gates[3]) {
		r.refused = 0
		f.Apply(&o)
		return
	}
	if r.base != nil {
		r.out.follow[k] = r.base.follow[k]
	} else if r.refused++; r.refused >= insist {
		r.out.follow[k] = true
	}
	if r.out.follow[k] {
		// Where the position is matters to none of the parameters.
		r.refused = 0
		for j := range 3 {
			f.Inflate(eskf.IPos+j, letGo*letGo)
		}
		o = d.nav.Position(e.Z, e.HasH, white)
		f.Apply(&o)
	}
}

// aid takes what wheel, tyres or rest say at aid i.
func (r *runner) aid(i int) {
	n, a := r.d.nav, &r.d.aids[i]
	r.at = len(r.d.rec.Epochs) + 2*i
	if a.rest {
		n.TakeRest()
		return
	}
	v := n.Filter.Forward()
	if !math.IsNaN(a.wheel) {
		n.TakeWheel(a.wheel)
	}
	if r.base == nil && !navigation.Rolls(v) {
		return
	}
	r.at++
	n.TakeSide(v)
}

// Observe takes what the driver offers; see [navigation.Observer].
func (r *runner) Observe(k navigation.Kind, o *eskf.Obs, gate float64) bool {
	f, fit := &r.d.nav.Filter, &r.d.fit
	if r.list {
		r.note(k)
	}
	switch k {
	case navigation.WheelSpeed:
		o.R[0] = o.R[0]*fit.wheel*fit.wheel + r.l.wheel*r.l.wheel
	case navigation.SideSlip:
		o.R[0] = o.R[0]*fit.side*fit.side + r.l.side*r.l.side
		o.R[1] = o.R[1]*fit.up*fit.up + r.l.side*r.l.side
		o.Y[0] += r.x[pAxle] * r.d.nav.TurnRate(f.Forward()) // v_y = axle·ω - slip·a·v
	default: // at rest
		return f.Apply(o)
	}
	if r.list {
		return f.Innovation(o).NIS < gate && f.Apply(o)
	}
	return r.accept(r.at, o, gate) && f.Apply(o)
}

// Disturb is nothing to a pass.
func (r *runner) Disturb() {}

// note lists the aid that an observation of the driver is of.
func (r *runner) note(k navigation.Kind) {
	d := r.d
	t := d.nav.Filter.T
	if n := len(d.aids); n > 0 && d.aids[n-1].t == t {
		return
	}
	a := aid{t: t, rest: k == navigation.RestVelocity, wheel: math.NaN()}
	if k == navigation.WheelSpeed {
		a.wheel = d.nav.Wheels.Now.V
	}
	d.aids = append(d.aids, a)
}

// accept keeps observation k and reports whether it counts.
func (r *runner) accept(k int, o *eskf.Obs, gate float64) bool {
	if r.base != nil && r.base.obs[k].n == 0 {
		return false
	}
	w := whitened{n: o.N, y: o.Y}
	if r.base != nil && !r.whole {
		r.out.obs[k] = w
		return true
	}
	in := r.d.nav.Filter.Innovation(o)
	det, ok := w.factor(&in)
	if !ok {
		return false
	}
	r.out.misfit += math.Min(in.NIS, gate) + det
	if r.base == nil && in.NIS > gate {
		return false
	}
	r.out.obs[k] = w
	return true
}

// factor takes the lower Cholesky factor of the covariance and returns the
// logarithm of its determinant.
func (w *whitened) factor(in *eskf.Innovation) (det float64, ok bool) {
	for i := range in.N {
		for j := 0; j <= i; j++ {
			s := in.S[i][j]
			for k := range j {
				s -= w.l[i][k] * w.l[j][k]
			}
			if i == j {
				if !(s > 0) {
					return 0, false
				}
				w.l[i][i] = math.Sqrt(s)
				det += math.Log(s)
			} else {
				w.l[i][j] = s / w.l[j][j]
			}
		}
	}
	return det, true
}

// solve returns L⁻¹·v.
func (w *whitened) solve(v [3]float64) [3]float64 {
	for i := range w.n {
		for k := range i {
			v[i] -= w.l[i][k] * v[k]
		}
		v[i] /= w.l[i][i]
	}
	return v
}

// mounted returns the rotation from the axes of the samples to the body's.
func (d *drive) mounted(x *params) quat.Number {
	return quat.Mul(eskf.FromEuler(0, x[pPitch], x[pYaw]), d.mount)
}
