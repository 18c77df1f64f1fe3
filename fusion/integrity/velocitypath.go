package integrity

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// VelocityPath extrapolates the path from the velocity the receiver reports. It
// results from the Doppler shift, which no ambiguity and no base enters: what
// moves a position slowly does not move it. Between epochs the filter's velocity
// carries the path, whose errors the next reported one takes off again, so a
// filter that follows a drift does not bend it.
type VelocityPath struct {
	run   int     // counts resets: paths of different runs cannot be compared
	t     float64 // host s of the last epoch, NaN before the first
	utc   float64 // s, of it
	p     r3.Vec  // m, ENU, since the reset
	step  r3.Vec  // m, ENU, by the filter since the last epoch
	acc   r3.Vec  // m/s², ENU, gravity in it, at the last epoch
	rep   r3.Vec  // m/s, ENU, reported at the last epoch, the filter's upwards
	off   r3.Vec  // m/s, ENU, that less the filter's
	most  float64 // m/s², largest horizontal acceleration of late
	cut   float64 // m², what steps without the filter may be off, each axis
	white float64 // m², white noise of the velocities
	stood float64 // s since the reset for which an error that stands counts: longer where the receiver is not fixed
	torn  bool    // the filter broke off since the last epoch
	here  bool    // the path was carried to the present epoch: it reports a velocity
	noise VelocityNoise
	fit   velocityFit
	// What the drive showed of errors that stand alone, for drifts, which show in
	// seconds too, of all of the velocity's, and of long comparisons altogether.
	stand, whole velocityWorth
	long         [len(longSpans)]velocityWorth
	learned      float64                 // host s of the last comparison the first two learned from
	learnedLong  [len(longSpans)]float64 // and of those of the others
	history[velocityMark]
}

// velocityMark is the path beside a fixed epoch.
type velocityMark struct {
	run        int
	t          float64 // host s
	p          r3.Vec  // m, ENU
	acc        r3.Vec  // m/s², ENU, gravity in it
	cut, white float64 // m²
	stood      float64 // s
	EpochFix
}

// VelocityEpoch is what an epoch says of velocity, beside the filter's before it
// learns from the epoch.
type VelocityEpoch struct {
	T             float64 // host s
	UTC           float64 // s: steps of the host clock do not tear the path
	Filter        bool    // the filter stands at the epoch; without it Vel, Acc, Arm are not known
	Precise       bool    // fixed or float
	Fixed         bool
	Speed, Course float64 // m/s; rad, clockwise from north; NaN when not reported
	Vel           r3.Vec  // m/s, ENU, the filter's
	Acc           r3.Vec  // m/s², ENU, specific force
	Arm           r3.Vec  // m/s, ENU, velocity of the antenna about the body origin
	VelSigma      float64 // m/s, horizontal, of that
	Learn         bool    // consistent with the filter: what the receiver calls velocity may be learned
	VelocityNoise
}

// reach is how far apart two velocities may be that carry the path without the
// filter, s.
const reach = 3.3

// VelocityNoise is how far a reported velocity and the position beside it are
// off.
type VelocityNoise struct {
	Sigma          float64 // m/s, each axis, 1 sigma
	Corr, CorrTime float64 // m, slow error of the position, 1 sigma each axis; s
}

func (o *VelocityPath) init() {
	o.fit.init()
	o.Reset()
}

// Reset begins the path anew.
func (o *VelocityPath) Reset() {
	o.run++
	o.t, o.p, o.step, o.cut, o.white, o.stood = math.NaN(), r3.Vec{}, r3.Vec{}, 0, 0, 0
	o.clear()
}

// Add carries the path over dt seconds at the filter's velocity (m/s, ENU).
func (o *VelocityPath) Add(vel r3.Vec, dt float64) { o.step = r3.Add(o.step, r3.Scale(dt, vel)) }

// Advance carries the path to an epoch. Without a velocity it begins anew.
func (o *VelocityPath) Advance(e *VelocityEpoch) {
	const (
		slow    = 0.5 // m/s, below it a course may be an old one
		still   = 0.1 // m/s, below it the course is noise
		outlier = 1.0 // m/s off the filter's: no velocity of this car
		close   = 0.5 // s between velocities over which a difference stands
		// bend is the share of the change of velocity that a step without the filter
		// may miss (a trapezoid misses a sixth of a change made at once).
		bend = 1.0 / 6
		// swerve times acceleration and time squared is what a swerve and back between
		// two velocities moves the path, 1 sigma: three of it are one at full
		// acceleration to either side, half of the time each. least is the least
		// acceleration counted with, m/s², and fade how long one is remembered, s.
		swerve, least, fade = 1.0 / 12, 2.0, 60.0
		// crawl is by how much a slow one may point elsewhere, rad.
		crawl = 1.0 / 3
	)
	o.noise, o.here = e.VelocityNoise, false
	if math.IsNaN(e.Speed) && e.Precise && e.UTC-o.utc < reach {
		o.torn = o.torn || !e.Filter
		return // the next may report one
	}
	if math.IsNaN(e.Speed) || math.IsNaN(e.Course) && !(e.Speed <= still) || !e.Precise {
		o.Reset()
		return
	}
	var v r3.Vec
	if e.Speed > still {
		v = r3.Vec{X: e.Speed * math.Sin(e.Course), Y: e.Speed * math.Cos(e.Course), Z: e.Vel.Z}
	}
	dt := e.UTC - o.utc
	was, torn := o.rep, o.torn || !e.Filter
	r := r3.Sub(v, e.Vel)
	change := r3.Sub(r, o.off)
	o.rep, o.off, o.utc, o.torn = v, r, e.UTC, !e.Filter
	if e.Filter {
		o.acc = e.Acc
		o.most = math.Max(math.Hypot(e.Acc.X, e.Acc.Y), o.most*math.Exp(-math.Max(0, dt)/fade))
	}
	o.most = math.Max(o.most, least)
	if e.Filter && e.Learn && e.Speed > slow && math.Hypot(r.X, r.Y) <= outlier {
		o.fit.add(r, e.Arm, o.acc, math.Hypot(e.Sigma, e.VelSigma))
	}
	switch {
	case math.IsNaN(o.t) || !(dt > 0 && dt < reach) || !torn && math.Hypot(r.X, r.Y) > outlier:
		o.Reset()
	case !torn && e.Speed > slow:
		o.p = r3.Add(o.p, r3.Add(o.step, r3.Scale(dt, r3.Sub(r, r3.Scale(0.5, change)))))
		if dt >= close {
			// A difference that changes may have been another meanwhile.
			miss := dt / 4 * math.Hypot(change.X, change.Y)
			o.cut += miss * miss
		}
	default:
		d := r3.Sub(v, was)
		o.p = r3.Add(o.p, r3.Scale(dt/2, r3.Add(was, v)))
		miss := math.Hypot(bend*dt*math.Hypot(d.X, d.Y), swerve*o.most*dt*dt)
		switch {
		case !(e.Speed > still):
			miss = math.Hypot(miss, dt*e.Speed)
		case !(e.Speed > slow):
			miss = math.Hypot(miss, crawl*dt*e.Speed)
		}
		o.cut += miss * miss
	}
	if !math.IsNaN(o.t) {
		worse := 1.0
		if !e.Fixed {
			worse = floatWorse
		}
		o.stood += worse * dt
		o.white += worse * worse * e.Sigma * e.Sigma * dt * dt
	}
	o.t, o.step, o.here = e.T, r3.Vec{}, true
}

// record remembers a fixed epoch to which the path was carried.
func (o *VelocityPath) record(now *EpochFix) {
	if o.here {
		k := o.markAt(now)
		o.put(o.t, &k)
	}
}

func (o *VelocityPath) markAt(now *EpochFix) velocityMark {
	return velocityMark{run: o.run, t: o.t, p: o.p, acc: o.acc, cut: o.cut, white: o.white, stood: o.stood, EpochFix: *now}
}

// longSpans are the lengths of comparisons, s, whose errors are learned altogether,
// each on its own: what stands grows with time, what is white does not.
var longSpans = [...]float64{15, 30}

// compare returns the receiver's displacement since mark a less that by its
// velocity, m, east and north, and its covariance: with whole by what the drive
// showed of all the velocity's errors. A long one is worth what long ones were.
func (o *VelocityPath) compare(a *velocityMark, now *EpochFix, whole bool) (y Vec3, c Sym3) {
	y, c = o.differ(a, now)
	stands, white := o.stands(a), o.white-a.white
	own, share := o.stand.scale()*stands+white, 1.0
	if whole {
		own = o.whole.scale() * (stands + white)
	}
	for i, span := range longSpans {
		if o.t-a.t >= span {
			own, share = stands+white, o.long[i].scale()
		}
	}
	for i := range 2 {
		c[i][i] += own
	}
	c.Scale(share)
	return y, c
}

// differ returns the receiver's displacement since mark a less that by its velocity,
// m, and its covariance without what velocities are off by.
func (o *VelocityPath) differ(a *velocityMark, now *EpochFix) (y Vec3, c Sym3) {
	dt := o.t - a.t
	share, lag, v := o.fit.solve()
	arm, dv := r3.Sub(now.Arm, a.Arm), r3.Sub(now.Vel, a.Vel)
	d := r3.Sub(o.p, a.p)
	d = r3.Sub(d, r3.Scale(share, arm))
	d = r3.Add(d, r3.Scale(lag, dv))
	// Smoothing delays by a spread of times. Half their mean square, which moves
	// the position by the acceleration, is lag²/2 for a plain delay, lag² for an
	// exponential; the change of acceleration meanwhile is left to the noise.
	second, shape := 0.75*lag*lag, 0.5*lag*lag
	da := r3.Sub(o.acc, a.acc)
	d = r3.Sub(d, r3.Scale(second, da))
	e := r3.Sub(now.since(&a.EpochFix), d)
	y = Vec3{e.X, e.Y}
	n := &o.noise
	iso := n.Corr*n.Corr*decorrelated(dt, n.CorrTime) + o.cut - a.cut
	g, h := [2][2]float64{{arm.X, -dv.X}, {arm.Y, -dv.Y}}, [2]float64{da.X, da.Y}
	for i := range 2 {
		for j := range 2 {
			c[i][j] = shape*shape*h[i]*h[j] + g[i][0]*g[j][0]*v.XX + (g[i][0]*g[j][1]+g[i][1]*g[j][0])*v.XZ + g[i][1]*g[j][1]*v.ZZ
		}
		c[i][i] += iso + now.White[i] + a.White[i]
	}
	return y, c
}

const (
	// steady is what a velocity may be off for minutes, m/s, before the drive has
	// shown it: 15 s of a real receiver's summed up to its positions within 0.05 m,
	// once the lag was taken off.
	steady = 0.01
	// floatWorse is how much worse a velocity is while its receiver is not fixed: the
	// same sky takes both. Common practice, no source.
	floatWorse = 1.5
)

// stands returns by how much the path since mark a varies by errors that stand, m²,
// each axis, before the drive has shown them.
func (o *VelocityPath) stands(a *velocityMark) float64 {
	d := steady * (o.stood - a.stood)
	return d * d
}

// learn takes what the last seconds of a receiver that is believed say of its
// velocities: how far they summed up beside its positions.
func (o *VelocityPath) learn(now *EpochFix) {
	const span = 20.0 // s: the longest that is remembered
	if !o.here {
		return
	}
	for i, span := range longSpans {
		if a := o.comparable(span, &o.learnedLong[i], now); a != nil {
			y, c := o.differ(a, now)
			o.long[i].add(o.t, (y[0]*y[0]+y[1]*y[1])/(c[0][0]+c[1][1]+2*(o.stands(a)+o.white-a.white)))
		}
	}
	a := o.comparable(span, &o.learned, now)
	if a == nil {
		return
	}
	y, c := o.differ(a, now)
	stands, white := o.stands(a), o.white-a.white
	rest := (c[0][0]+c[1][1])/2 + white
	square := (y[0]*y[0] + y[1]*y[1]) / 2
	if rest < stands/2 { // else something else may be what is seen
		o.stand.add(o.t, square/stands)
	}
	if rest-white < (stands+white)/2 {
		o.whole.add(o.t, square/(stands+white))
	}
}

// comparable returns the mark about span seconds ago, nil where the path since does
// not say how good it is, or where half of those seconds were in the last comparison
// from it. A velocity of a car that stands is better than others.
func (o *VelocityPath) comparable(span float64, last *float64, now *EpochFix) *velocityMark {
	const moving = 0.5 // m/s
	if math.Abs(o.t-*last) < span/2 {
		return nil
	}
	a := o.before(o.t, span)
	if a == nil || a.run != o.run || a.Fix != now.Fix || o.t-a.t > 2*span || !(math.Min(r3.Norm(a.Vel), r3.Norm(now.Vel)) > moving) {
		return nil
	}
	*last = o.t
	return a
}

// dropWaiting forgets what was seen lately and not taken yet: it may have been the drift
// of a position.
func (o *VelocityPath) dropWaiting() {
	o.stand.waits, o.whole.waits = 0, 0
	for i := range o.long {
		o.long[i].waits = 0
	}
}

// velocityWorth learns how large the errors of reported velocities are, as a
// share of the variance that is taken before any was seen. What is seen counts only
// after a while without suspicion: a slow drift of the position is not to be taken for the
// velocity's before it shows.
type velocityWorth struct {
	n     float64 // values
	sum   float64 // of their squares, in units of the variance taken
	wait  [8]struct{ at, square float64 }
	waits int // of these that wait, in order
}

const (
	worthPrior = 2.0   // values that the variance taken counts for,
	worthFirst = 0.079 // and the sum of their squares: it is their bound, so none seen leaves it
	worthMost  = 60.0  // values remembered: five minutes
	worthLeast = 0.1   // least share that is believed
	worthWait  = 30.0  // s
)

// add takes the mean of two squares, seen at host time t.
func (q *velocityWorth) add(t, square float64) {
	for q.waits > 0 && (q.waits == len(q.wait) || t-q.wait[0].at >= worthWait) {
		keep := math.Min(1, (worthMost-1)/q.n)
		q.n, q.sum = keep*q.n+1, keep*q.sum+q.wait[0].square
		q.waits--
		copy(q.wait[:q.waits], q.wait[1:])
	}
	q.wait[q.waits].at, q.wait[q.waits].square = t, square
	q.waits++
}

// scale returns the share that is exceeded in one of ten such drives at most: what a
// few values show may be luck (chi-square, Wilson and Hilferty 1931).
func (q *velocityWorth) scale() float64 {
	const z = 1.645 // normal quantile of 95 %
	n := worthPrior + q.n
	r := 1 - 2/(9*n) - z*math.Sqrt(2/(9*n))
	return math.Max(worthLeast, (worthFirst+q.sum)/(n*r*r*r))
}

// velocityFit learns what the receiver calls its velocity, for they differ: of
// which point of the car, and smoothed for how long,
//
//	v = v_body + share·(ω × lever) - lag·a
//
// by least squares from the differences to the filter's.
type velocityFit struct{ Normal }

func (q *velocityFit) init() {
	// Any point from the body's origin to the antenna, and as much smoothing as
	// makes a velocity late by 0.15 s, 1 sigma. A walking receiver's was 0.14 s.
	const share, lag = 0.5, 0.15
	q.Normal = Normal{XX: 1 / (share * share), ZZ: 1 / (lag * lag), XY: 0.5 / (share * share)}
}

// add takes the reported velocity less the filter's, r, with 1 sigma, m/s, the
// lever arm's velocity and the specific force, all ENU.
func (q *velocityFit) add(r, arm, acc r3.Vec, sigma float64) {
	w := 1 / (sigma * sigma)
	q.Normal.Add(w, arm.X, -acc.X, r.X)
	q.Normal.Add(w, arm.Y, -acc.Y, r.Y)
}

// solve returns share, lag in s, and their covariance: twice what least squares
// says, for the differences are not white, and what may change meanwhile.
func (q *velocityFit) solve() (share, lag float64, v Normal) {
	const (
		coloured  = 4.0
		shareWalk = 0.05
		lagWalk   = 0.01 // s
	)
	share, lag, _, _ = q.Normal.Solve()
	det := q.XX*q.ZZ - q.XZ*q.XZ
	return share, lag, Normal{
		XX: coloured*q.ZZ/det + shareWalk*shareWalk,
		XZ: -coloured * q.XZ / det,
		ZZ: coloured*q.XX/det + lagWalk*lagWalk,
	}
}

// Called returns what the receiver seems to call its velocity: that of the body
// origin (share 0) or of the antenna (1), and by how much it is late, s.
func (o *VelocityPath) Called() (share, lag float64) {
	share, lag, _ = o.fit.solve()
	return share, lag
}
