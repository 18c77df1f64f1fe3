package calibrate

import (
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

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

const (
	gatePos   = 25.9 // chi-square, 1e-5, 3 degrees of freedom
	gateSide  = 23.0 // 2
	gateWheel = 19.5 // 1
	insist    = 5    // epochs in a row beyond the gate after which the receiver is followed
	holeAcc   = 4.0  // m/s^2 and
	holeRate  = 0.5  // rad/s, 1 sigma over a second, of what a car may do unseen
)

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

// runner is one pass of the filter over the drive.
type runner struct {
	d     *drive
	x     *params
	l     loosen
	base  *trace // whose decisions are taken over; nil to decide anew
	whole bool   // factors of the covariances are wanted too
	out   *trace

	f       eskf.Filter
	mount   [3][3]float64 // samples to body
	lever   r3.Vec
	i       int              // sample to go on with
	corr    navigation.Class // whose correlated error the filter carries
	refused int              // epochs in a row
}

// pass runs the filter over the drive with the parameters x. Without base it
// decides which observations count; with one it takes its word, so that the two
// differ by the parameters alone. The factors of the covariances are kept when
// whole is set; then the order of observations is that of their times.
func (d *drive) pass(x *params, l loosen, base, out *trace, whole bool) {
	n := len(d.epochs) + 2*len(d.aids)
	if len(out.obs) != n {
		out.obs, out.follow = make([]whitened, n), make([]bool, len(d.epochs))
	}
	clear(out.obs)
	clear(out.follow)
	out.misfit = 0
	r := runner{d: d, x: x, l: l, base: base, whole: whole, out: out,
		mount: d.mounted(x), lever: r3.Vec{X: x[pLever], Y: x[pLever+1], Z: x[pLever+2]}}
	r.i = d.start(&r.f, x, &r.mount)
	r.f.WheelScale, r.f.Slip, r.f.Latency = 1+x[pScale], x[pSlip], x[pLatency]
	ie, ia := 0, 0
	follows := base != nil && !whole // the order of base too
	if follows {
		ie, ia = base.ie, base.ia
	} else {
		for ie < len(d.epochs) && d.epochs[ie].t-x[pLatency] < r.f.T {
			ie++
		}
		for ia < len(d.aids) && d.aids[ia].t < r.f.T {
			ia++
		}
	}
	out.ie, out.ia = ie, ia
	order := out.order[:0]
	for {
		te, ta := math.Inf(1), math.Inf(1)
		if ie < len(d.epochs) {
			te = d.epochs[ie].t - x[pLatency]
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
		if math.IsInf(to, 1) || !r.advance(to) {
			break
		}
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
	r.f.Flush()
	out.end = r.f
}

// advance integrates samples up to time to, and reports whether it came there.
func (r *runner) advance(to float64) bool {
	d, f := r.d, &r.f
	hole := 0.0 // s that no sample covers
	for ; f.T < to && r.i < len(d.imu); r.i++ {
		x := &d.imu[r.i]
		if x.t <= f.T {
			continue
		}
		end := math.Min(x.t, to)
		if r.i > 0 && x.t-d.imu[r.i-1].t > d.c.cfg.IMU.Gap {
			hole += end - f.T
		}
		q := &d.noise[r.i/noiseBlock]
		f.Params.AccNoise, f.Params.GyroNoise = q.acc, q.gyro
		f.Predict(rotate(&r.mount, x.w), rotate(&r.mount, x.f), end-f.T)
		f.T = end
		if end < x.t {
			break
		}
	}
	if hole > 0 {
		for k := range 3 {
			f.Inflate(eskf.IVel+k, holeAcc*holeAcc*hole)
			f.Inflate(eskf.IAtt+k, holeRate*holeRate*hole)
		}
	}
	return f.T > to-1e-9
}

// epoch takes the position of epoch k.
func (r *runner) epoch(k int) {
	d, f := r.d, &r.f
	e := &d.epochs[k]
	if e.class < d.use {
		return
	}
	white, ch, cv := d.positionNoise(e)
	if e.class != r.corr {
		f.SetCorr(ch, cv, d.c.cfg.GNSS.CorrTime)
		r.corr = e.class
	}
	f.Params.CorrSigmaH, f.Params.CorrSigmaV = ch, cv
	for j := range white {
		white[j] += r.l.pos * r.l.pos
	}
	// The rate only matters to the filter's own latency, which is held.
	observe := func() eskf.Obs {
		if e.HasH {
			return f.Position(d.z[k], white, r.lever, r3.Vec{})
		}
		return f.HorizontalPosition(d.z[k].X, d.z[k].Y, [2]float64{white[0], white[1]}, r.lever, r3.Vec{})
	}
	o := observe()
	if r.accept(k, &o, gatePos) {
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
			f.Inflate(eskf.IPos+j, 100*100)
		}
		o = observe()
		f.Apply(&o)
	}
}

// aid takes what wheel or rest say at aid i.
func (r *runner) aid(i int) {
	d, f, w := r.d, &r.f, &r.d.c.cfg.Wheel
	a := &d.aids[i]
	k := len(d.epochs) + 2*i
	if a.rest {
		o := f.ZeroVelocity(0.02 * 0.02)
		f.Apply(&o)
		o = f.ZeroRate(rotate(&r.mount, a.rate), 5e-4*5e-4)
		f.Apply(&o)
		return
	}
	v := f.Forward()
	if !math.IsNaN(a.wheel) {
		s := d.fit.wheel * (w.Sigma + w.SigmaRel*math.Abs(a.wheel))
		o := f.Wheel(a.wheel, s*s+r.l.wheel*r.l.wheel)
		if r.accept(k, &o, gateWheel) {
			f.Apply(&o)
		}
	}
	if r.base == nil && math.Abs(v) < 1 { // grip holds only on the move
		return
	}
	turn := rotate(&r.mount, a.rate).Z - f.GyroBias.Z
	lat := v * turn
	side, up := d.fit.side*(w.SideSigma+w.SideLat*math.Abs(lat)), 2*d.fit.up*w.SideSigma
	o := f.Side(side*side+r.l.side*r.l.side, up*up+r.l.side*r.l.side, lat)
	o.Y[0] += r.x[pAxle] * turn // v_y = axle·ω - slip·a·v
	if r.accept(k+1, &o, gateSide) {
		f.Apply(&o)
	}
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
	in := r.f.Innovation(o)
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
func (d *drive) mounted(x *params) [3][3]float64 {
	return eskf.Matrix(quat.Mul(eskf.FromEuler(0, x[pPitch], x[pYaw]), d.mount))
}

func rotate(m *[3][3]float64, v r3.Vec) r3.Vec {
	return r3.Vec{
		X: m[0][0]*v.X + m[0][1]*v.Y + m[0][2]*v.Z,
		Y: m[1][0]*v.X + m[1][1]*v.Y + m[1][2]*v.Z,
		Z: m[2][0]*v.X + m[2][1]*v.Y + m[2][2]*v.Z,
	}
}
