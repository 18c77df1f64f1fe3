package navigation

import (
	"math"

	"kerbline/fusion/eskf"
	"kerbline/gnss"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"
)

// Kind names what an observation is of.
type Kind uint8

const (
	RestVelocity  Kind = iota // standing still
	RestRate                  // the gyro at rest
	WheelSpeed                // forward
	SideSlip                  // sideways and upward velocity by the tyres
	PositionFix               // antenna
	VelocityFix               // receiver's speed and course
	DoubleAntenna             // heading
)

// Observer decides in the filter's place what becomes of observations.
type Observer interface {
	// Observe takes o into the filter, or not, and reports whether it did; gate is
	// the chi-square threshold of its innovation.
	Observe(k Kind, o *eskf.Obs, gate float64) bool
	// Disturb is called before the covariance grows by other than samples.
	Disturb()
}

// gatePFA is the probability with which an honest observation is refused.
const gatePFA = 1e-5

// Gates are the chi-square thresholds of innovations by degrees of freedom, 0 to
// 3.
var Gates = func() (g [4]float64) {
	for k := 1; k < len(g); k++ {
		g[k] = distuv.ChiSquared{K: float64(k)}.Quantile(1 - gatePFA)
	}
	return g
}()

const (
	restGate   = 100.0       // of innovations at rest: only a false rest is further off
	restVel    = 0.02 * 0.02 // (m/s)², variance of standing still: the body moves on its springs
	restRate   = 5e-4 * 5e-4 // (rad/s)², of the mean rate at rest over rateTime
	movingFrom = 1.0         // m/s, below it tyres turn on the spot and say nothing sideways
	velFrom    = 0.5         // m/s, from which a reported course is one
	velCoarse  = 3.0         // factor on the noise of a velocity without carrier phases
	upSide     = 2.0         // sigma of upward against sideways velocity
)

// take offers observation x to the filter, or to whoever observes it. It stands in
// the driver meanwhile, for an observer would move it to the heap.
func (d *Driver) take(k Kind, x eskf.Obs, gate float64) bool {
	o := &d.obs
	*o = x
	if d.Observer != nil {
		return d.Observer.Observe(k, o, gate)
	}
	if in := d.Filter.Innovation(o); !(in.NIS < gate) {
		return false
	}
	return d.Filter.Apply(o)
}

// aid gives the filter what needs no satellite: rest, wheel speed and the
// tyres' side forces.
func (d *Driver) aid() {
	f, q := &d.Filter, &d.IMU
	if q.RestFor() > RestProof && f.T >= q.RestSince {
		if !(f.T-d.still < restEvery) {
			d.still, d.stood = f.T, true
			d.TakeRest()
		}
		return
	}
	if d.stood {
		d.moveOff()
	}
	if d.Phase == Empty || f.T-d.Wheels.fused < WheelEvery {
		return
	}
	s := &d.Wheels.Now
	wheel := s.T == f.T
	if !wheel && d.Wheels.Fresh(f.T) {
		return // its turn comes
	}
	v := f.Forward()
	if wheel {
		if d.TakeWheel(s.V) {
			d.Wheels.Refused = 0
		} else {
			d.Wheels.Refused++
		}
	}
	d.Wheels.took(f.T)
	if Rolls(v) {
		d.TakeSide(v)
	}
}

// moveOff lets a filter that stood still move: a car that moves off gently has done
// so before it is noticed.
func (d *Driver) moveOff() {
	const speed, way = 0.15, 0.03 // m/s, m
	d.stood = false
	if d.Phase != Aligned { // its displacement counts from a rest that was seen
		return
	}
	d.disturb()
	for i := range 2 {
		d.Filter.Inflate(eskf.IVel+i, speed*speed)
		d.Filter.Inflate(eskf.IPos+i, way*way)
	}
}

// Rolls reports whether at forward speed v (m/s) the tyres hold a car sideways.
func Rolls(v float64) bool { return math.Abs(v) >= movingFrom }

// TakeRest offers that the car stands.
func (d *Driver) TakeRest() {
	f := &d.Filter
	gate := restGate
	if d.Phase == Levelled {
		gate = math.Inf(1)
	}
	d.take(RestVelocity, f.ZeroVelocity(restVel), gate)
	d.take(RestRate, f.ZeroRate(d.Rate, restRate), restGate)
}

// TakeWheel offers wheel speed v (m/s) and reports whether it was taken.
func (d *Driver) TakeWheel(v float64) bool {
	f := &d.Filter
	fast := f.Forward()
	r, pulled := d.wheelSigma(fast), fast*d.Pull()
	o := f.Wheel(v, r*r+d.pullVariance(pulled), d.Rate)
	o.Y[0] += f.WheelScale * f.InBody(d.swing()).X
	return d.take(WheelSpeed, o, Gates[1])
}

// Handling is what no state holds of wheels and tyres, and what of it is not known, 1
// sigma: a driven wheel turns faster than the road by PullSigma for every m/s² of
// acceleration, tyres slip by Bend times the cube of the leftward acceleration more
// than by [eskf.State.Slip].
type Handling struct {
	PullSigma       float64 // share per m/s²
	Bend, BendSigma float64 // rad/(m/s²)³
}

// lasting is how many updates share one error of the handling: those of a push or of
// braking, some 0.7 s. Fewer, and generated driven wheels mislead the lever arm.
const lasting = 9

// Pull returns the forward acceleration where the filter stands, m/s².
func (d *Driver) Pull() float64 {
	f := &d.Filter
	r := f.R()[2] // up in sensor axes
	return f.InBody(r3.Sub(r3.Sub(d.Force, f.AccBias), r3.Scale(f.Params.Gravity, r3.Vec{X: r[0], Y: r[1], Z: r[2]}))).X
}

// pullVariance returns the variance of a wheel speed, (m/s)², by what of Pull is not
// known, at speed times forward acceleration; bendVariance that of the sideways
// velocity, at speed v and leftward acceleration lat: no more than the tyres have
// been seen to hold.
func (d *Driver) pullVariance(pulled float64) float64 {
	s := d.Handling.PullSigma * pulled
	return lasting * s * s
}

func (d *Driver) bendVariance(v, lat float64) float64 {
	lat = math.Min(math.Abs(lat), d.most)
	s := d.Handling.BendSigma * v * lat * lat * lat
	return s * s
}

// wheelSigma returns 1 sigma of a wheel speed at speed v, m/s.
func (d *Driver) wheelSigma(v float64) float64 {
	return d.Wheels.Sigma(d.set.Wheel.Sigma) + d.set.Wheel.SigmaRel*math.Abs(v)
}

// sideVariances returns those of sideways and upward velocity at leftward
// acceleration lat (m/s²), (m/s)².
func (d *Driver) sideVariances(lat float64) (side, up float64) {
	side, up = d.set.Wheel.side(lat)
	if d.Manual { // the caller weighs it
		return side, up
	}
	return side * clampSlide(d.slide.side), up * clampSlide(d.slide.up)
}

// side returns the variances that the settings give to sideways and upward
// velocity at leftward acceleration lat (m/s²), (m/s)².
func (w *Wheel) side(lat float64) (side, up float64) {
	s := w.SideSigma + w.SideLat*math.Abs(lat)
	return s * s, w.SideSigma * w.SideSigma * upSide * upSide
}

// slide is how much a car moves sideways and up beside what the settings say, as
// the innovations show: shares of the variances. A road car on its tyres has a
// sixteenth of a kart's.
type slide struct{ side, up float64 }

const (
	slideMemory = 200.0 // updates, some 16 s
	slideLasts  = 2.5   // factor on the variance seen: it goes on for some updates
	leastSlide  = 0.1   // shares
	mostSlide   = 4.0
)

func clampSlide(share float64) float64 { return max(leastSlide, min(mostSlide, slideLasts*share)) }

// learn takes one innovation; one far out counts as three times what is usual.
func (q *slide) learn(in *eskf.Innovation, side, up float64) {
	take := func(share *float64, x float64) {
		*share += (min(x, 9*max(*share, leastSlide)) - *share) / slideMemory
	}
	take(&q.side, in.Y[0]*in.Y[0]/side)
	take(&q.up, in.Y[1]*in.Y[1]/up)
}

// TakeSide offers that the tyres hold the car at forward speed v, m/s.
func (d *Driver) TakeSide(v float64) {
	lat, noise := d.lateral(v), slipNoise(&d.Filter, v)
	side, up := d.sideVariances(lat)
	steady := d.steady
	if steadyTime(v) < slipTime(v) { // it is the noisier of the two, and draws slip away from what it is
		steady = lat
	}
	bent := v * lat * lat * lat
	noise += d.bendVariance(v, lat)
	o := d.Filter.Side(side+noise, up, lat, steady, d.Rate)
	swing := d.Filter.InBody(d.swing())
	o.Y[0], o.Y[1] = o.Y[0]+swing.Y-d.Handling.Bend*bent, o.Y[1]+swing.Z
	if !d.Manual {
		d.disturb() // the innovation needs the covariance of now
		d.obs = o
		in := d.Filter.Innovation(&d.obs)
		side, up = d.set.Wheel.side(lat)
		d.slide.learn(&in, side+noise, up)
	}
	d.take(SideSlip, o, Gates[2])
}

// Over what leftward acceleration is smoothed. A faster car vibrates more and turns
// more slowly.
const (
	slipLeast  = 0.03   // s
	slipPerV   = 0.0025 // s per m/s
	steadyPerV = 1.4e-4 // s per (m/s)²
)

func slipTime(v float64) float64 { return math.Max(slipLeast, slipPerV*math.Abs(v)) }

// steadyTime is that of the mean by which slip is learned.
func steadyTime(v float64) float64 { return steadyPerV * v * v }

// lateral returns the leftward acceleration at forward speed v, m/s². It is speed times
// yaw rate: the accelerometer's own reading shakes with the road. The two means lag by
// one and two time constants; their difference takes the lag out. The body turns into
// its own slip, which is no acceleration: that share is taken out too.
func (d *Driver) lateral(v float64) float64 {
	return d.lat2 + (2-v*d.Filter.Slip/slipTime(v))*(d.Lat-d.lat2)
}

// slipNoise returns the variance that the gyro's noise leaves in the sideways velocity
// by way of [Driver.lateral], (m/s)².
//
// Of white noise of density n what goes through (1 + (2τ - s)·d/dt)/(1 + τ·d/dt)² has
// the variance n²/4τ·(1 + (2 - s/τ)²), where s is speed times slip.
func slipNoise(f *eskf.Filter, v float64) float64 {
	t, own := slipTime(v), v*f.Slip
	n, lead := v*f.Params.GyroNoise*own, 2-own/t
	return n * n / (4 * t) * (1 + lead*lead)
}

// TurnRate returns the yaw rate at the filter's time without the lag of a mean,
// rad/s, at forward speed v, m/s.
func (d *Driver) TurnRate(v float64) float64 { return (2*d.Lat - d.lat2) / v }

// unchecked is what the slow error of an epoch may be more, 1 sigma, m, where neither
// wheels nor a reported velocity beside it show a drift within a second: 0.1 m/s of it
// for half a second. Common practice, no source.
const unchecked = 0.05

// Noise returns the white variances of an epoch's position, m², ENU, and gives
// the filter what stays for tens of seconds: drawn anew where fresh says that the
// class of solution has changed.
func (d *Driver) Noise(e *gnss.Epoch, class Class) (white [3]float64, fresh bool) {
	g := d.set.GNSS
	g.Multipath = d.Slow.Sigma(g.Multipath)
	if !d.Wheels.Fresh(d.Filter.T) && math.IsNaN(e.Speed) {
		g.Multipath = math.Hypot(g.Multipath, unchecked)
	}
	n := d.said.hold(d.Filter.T, class, e, g.noise(e, class))
	if fresh = class != d.corr; fresh {
		d.disturb()
		d.Filter.SetCorr(n.corrH, n.corrV, d.set.GNSS.CorrTime)
		d.corr = class
		d.said.begin(n.white)
	} else {
		d.said.compare(n.white, 1-d.set.GNSS.Correlated)
		for i, v := range d.said.moved {
			if v > 0 {
				d.disturb()
				d.Filter.Inflate(eskf.ICorr+i, v)
			}
		}
	}
	d.Filter.Params.CorrSigmaH, d.Filter.Params.CorrSigmaV = n.corrH, n.corrV
	d.said.last = n.white
	if class == ClassFixed {
		// Less than is said makes no filter sharper: the drift tests lean on its bounds.
		w := math.Max(1, d.Slow.White())
		n.white[0], n.white[1] = w*n.white[0], w*n.white[1]
	}
	return n.white, fresh
}

// CorrBound returns a bound of the slow error of fixed positions, m, that is wider
// than the noise as those of the other errors of a displacement are: what was learned
// well beyond the settings counts five times, what was learned below them not at all.
func (d *Driver) CorrBound() float64 {
	c, prior := d.Filter.Params.CorrSigmaH, d.set.GNSS.Multipath
	learned := d.Slow.Sigma(prior)
	v, p := learned*learned, prior*prior
	return math.Sqrt(c*c + math.Max(0, p-v) + 4*math.Max(0, v-1.2*p))
}

// Said returns the white variances of the last Noise before what was learned, m².
func (d *Driver) Said() [3]float64 { return d.said.last }

// Moved returns by how much the receiver may have moved its position at the epoch
// of the last Noise because its word of it has changed, m².
func (d *Driver) Moved() [3]float64 { return d.said.moved }

// Position builds the observation of an epoch's position z (m, ENU) with white
// variances r.
func (d *Driver) Position(z r3.Vec, height bool, r [3]float64) eskf.Obs {
	if height {
		return d.Filter.Position(z, r, d.Lever, d.Rate)
	}
	return d.Filter.HorizontalPosition(z.X, z.Y, [2]float64{r[0], r[1]}, d.Lever, d.Rate)
}

// carried stands for the class of positions that carrier phases carry.
const carried = Class(0xff)

// Carried builds the observation of the antenna's position z (m, ENU) as carrier
// phases carry it: white, m of one axis, is new in each; the deviations horizontally
// and up, m, stay over the time constant stays, s.
func (d *Driver) Carried(z r3.Vec, white float64, sigma [2]float64, stays float64) eskf.Obs {
	if d.corr != carried {
		d.disturb()
		d.Filter.SetCorr(sigma[0], sigma[1], stays)
		d.corr = carried
	}
	d.Filter.Params.CorrSigmaH, d.Filter.Params.CorrSigmaV = sigma[0], sigma[1]
	v := white * white
	return d.Filter.Position(z, [3]float64{v, v, 4 * v}, d.Lever, d.Rate)
}

// Accel returns the acceleration at the filter's time, m/s², ENU, gravity removed.
func (d *Driver) Accel() r3.Vec {
	f := &d.Filter
	return r3.Add(f.ToWorld(r3.Sub(d.Force, f.AccBias)), r3.Vec{Z: -f.Params.Gravity})
}

// Velocity builds the observation of an epoch's speed and course; ok is false
// where it has none that says something.
//
// Receivers differ in what they call velocity: of the antenna or reduced to
// some other point, smoothed or not. The filter learns which; what is left is what
// the second order of a lag makes of a change of acceleration.
func (d *Driver) Velocity(e *gnss.Epoch, class Class) (o eskf.Obs, ok bool) {
	if !(e.Speed > velFrom) || math.IsNaN(e.Course) {
		return o, false
	}
	f, g := &d.Filter, &d.set.GNSS
	s := g.SpeedSigma
	if class == ClassCoarse {
		s *= velCoarse
	}
	a := d.Accel()
	late := 4 * d.shake(a) * (f.VelLag*f.VelLag + f.P[eskf.ILag][eskf.ILag])
	v := s*s + late*late
	swing := f.ToWorld(d.swing())
	return f.Velocity(e.Speed*math.Sin(e.Course)+swing.X, e.Speed*math.Cos(e.Course)+swing.Y, [2]float64{v, v}, d.Lever, d.Rate, a), true
}

// shake takes the acceleration a (m/s², ENU) at an epoch and returns how fast it
// changes or has done within the memory of a receiver that smooths, m/s³.
func (d *Driver) shake(a r3.Vec) float64 {
	const memory = 0.3 // s
	dt, da := d.Filter.T-d.accAt, r3.Sub(a, d.acc)
	d.acc, d.accAt = a, d.Filter.T
	if !(dt > 0) || dt > 1 {
		d.jerk = 0
		return 0
	}
	d.jerk = max(math.Hypot(da.X, da.Y)/dt, d.jerk*math.Exp(-dt/memory))
	return d.jerk
}

// TakeHeading offers the heading of an epoch that has one.
func (d *Driver) TakeHeading(e *gnss.Epoch) {
	if math.IsNaN(e.Heading) {
		return
	}
	s := d.set.GNSS.HeadingSigma * math.Pi / 180
	d.take(DoubleAntenna, d.Filter.Heading(d.set.GNSS.bodyYaw(e), s*s), Gates[1])
}

// Aid applies to g, a copy of the filter that is carried ahead, what wheels and
// tyres would say over one step of dt seconds at yaw rate wz (rad/s, bias in it) and
// forward acceleration pull (m/s²), without innovation: only the covariance learns.
// wheels says whether wheel speed is coming in.
func (d *Driver) Aid(g *eskf.Filter, wz, pull, dt float64, wheels bool) {
	v := g.Forward()
	share := d.Wheels.every / dt
	r := d.wheelSigma(v)
	r = r*r + d.pullVariance(v*pull)
	w := r3.Vec{Z: wz}
	var o eskf.Obs
	switch rolls := Rolls(v); {
	case wheels && rolls:
		lat := v * (wz - g.GyroBias.Z)
		side, up := d.sideVariances(lat)
		side += slipNoise(g, v) + d.bendVariance(v, lat)
		o = g.Rolling(r*share, side*share, up*share, lat, w)
	case wheels:
		o = g.Wheel(v*g.WheelScale, r*share, w)
	case rolls:
		lat := v * (wz - g.GyroBias.Z)
		side, up := d.sideVariances(lat)
		side += slipNoise(g, v) + d.bendVariance(v, lat)
		o = g.Side(side*share, up*share, lat, lat, w)
		o.Y = [3]float64{}
	default:
		return
	}
	g.Apply(&o)
}
