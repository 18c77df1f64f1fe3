package calibrate

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion/eskf"
	"kerbline/fusion/navigation"
	"kerbline/gnss/geodesy"
)

const (
	aidEvery   = 0.08          // s between wheel updates: closer ones share their errors
	restEvery  = 0.2           // s between zero-velocity updates
	restReach  = 0.5           // s before and after a rest update that its mean rate is of
	turnReach  = 0.02          // s, the same of a grip update
	startSpeed = 2.0           // m/s, from which the course gives the heading to begin with
	startYaw   = 4 * perDegree // rad, 1 sigma of it: the car may slide and turn
	leastMoves = 300           // epochs on the move
	restLevel  = 20.0          // s of rest to level on
	mostDrive  = 1800.0        // s of driving that are used: more says little more
	noiseBlock = 8             // samples
)

// aid is an instant at which wheel or rest speak.
type aid struct {
	t     float64
	rest  bool
	wheel float64 // m/s, NaN without one
	rate  r3.Vec  // rad/s, in the axes of the samples: mean around t
}

// drive is what a pass runs over: the part of the recording with motion, in
// body axes but for the parameters.
type drive struct {
	c       *Calibrator
	imu     []sample
	noise   []density // by noiseBlock samples
	epochs  []epoch
	z       []r3.Vec // m, ENU, antenna, of each epoch
	aids    []aid
	mount   quat.Number      // sensor to body to begin with
	use     navigation.Class // least class of epoch that is used
	fit     fit
	late    float64 // s added to the times of the aids
	gravity float64
	earth   r3.Vec

	from         float64 // s, where the filter starts when it starts at rest
	rest         bool
	restW, restF r3.Vec // means over that rest
	first        int    // epoch that gives the heading
}

// start initialises the filter and returns the sample to go on with: levelled
// and at rest where the car stood before it drove off, else on the move with the
// attitude of a level road. Heading is the course of the first epoch that has
// one, turned back to the start by the gyro.
func (d *drive) start(f *eskf.Filter, x *params, mount *[3][3]float64) int {
	cfg := &d.c.cfg
	f.Params = eskf.Params{
		GyroNoise: cfg.IMU.Gyro, AccNoise: cfg.IMU.Acc, GyroWalk: cfg.IMU.GyroWalk, AccWalk: cfg.IMU.AccWalk,
		CorrTime: cfg.GNSS.CorrTime, Gravity: d.gravity, EarthRate: d.earth, CovEvery: math.MaxInt,
	}
	e := &d.epochs[d.first]
	at := e.t - x[pLatency]
	yaw := math.Pi/2 - e.Course
	// The position is that of an antenna, and the lever arm is not known; it
	// does not matter where the car is, only how it moves.
	sig := eskf.Sigmas{PosH: 100, PosV: 100, Vel: 0.5, Tilt: 4 * math.Pi / 180, Yaw: startYaw,
		GyroBias: cfg.IMU.GyroBias, AccBias: cfg.IMU.AccBias}
	if !d.rest {
		vel := r3.Vec{X: e.Speed * math.Sin(e.Course), Y: e.Speed * math.Cos(e.Course)}
		f.InitMoving(at, d.z[d.first], vel, 0, 0, yaw, sig)
		return after(d.imu, at)
	}
	i := after(d.imu, d.from)
	up := r3.Vec{X: mount[2][0], Y: mount[2][1], Z: mount[2][2]} // in sensor axes
	bias := r3.Dot(up, d.restW)
	last := d.from
	for k := i; k < len(d.imu) && last < at; k++ {
		t := math.Min(d.imu[k].t, at)
		yaw -= (r3.Dot(up, d.imu[k].w) - bias) * (t - last)
		last = t
	}
	sig.Vel, sig.Tilt, sig.GyroBias = 0.02, 0.003, 3e-4
	f.InitAtRest(d.from, d.z[d.first], rotate(mount, d.restF), rotate(mount, d.restW), yaw, sig)
	return i
}

// after returns the index of the first sample later than t.
func after(imu []sample, t float64) int {
	return sort.Search(len(imu), func(i int) bool { return imu[i].t > t })
}

// positionNoise returns the variances of a position that are new in each
// epoch, m², ENU, and the standard deviations of what stays for a while.
func (d *drive) positionNoise(e *epoch) (white [3]float64, corrH, corrV float64) {
	g := &d.c.cfg.GNSS
	floor, share := g.FixedSigma, g.Correlated
	if e.class != navigation.ClassFixed {
		floor, share = g.FloatSigma, math.Max(share, 0.9)
	}
	sigma := [3]float64{floor, floor, floor * g.Vertical}
	for i, said := range [3]float64{e.SigmaE, e.SigmaN, e.SigmaU} {
		if said > 0 {
			sigma[i] = math.Max(sigma[i], said*g.Inflation)
		}
		sigma[i] *= d.fit.pos
		white[i] = (1 - share) * sigma[i] * sigma[i]
	}
	k := math.Sqrt(share)
	return white, k * math.Max(sigma[0], sigma[1]), k * sigma[2]
}

type density struct{ acc, gyro float64 }

// densities estimates the noise densities that matter to dead reckoning from
// the samples themselves, vibration included: means of blocks, differenced
// twice so that the motion drops out. A mean over T of noise with density n has
// variance n²/T, its second difference 6·n²/T.
func (d *drive) densities() {
	cfg := &d.c.cfg.IMU
	type mean struct{ w, f r3.Vec }
	var m1, m2 mean
	var va, vg float64
	for i := 0; i < len(d.imu); i += noiseBlock {
		j := min(i+noiseBlock, len(d.imu))
		var m mean
		for _, x := range d.imu[i:j] {
			m.w, m.f = r3.Add(m.w, r3.Scale(1/float64(j-i), x.w)), r3.Add(m.f, r3.Scale(1/float64(j-i), x.f))
		}
		if span := d.imu[j-1].t - d.imu[i].t; i >= 2*noiseBlock && j-i == noiseBlock && span < cfg.Gap*noiseBlock/2 {
			k := span * noiseBlock / (noiseBlock - 1) / 18
			second := func(a, b, c r3.Vec) float64 { return r3.Norm2(r3.Add(r3.Sub(a, r3.Scale(2, b)), c)) }
			va += 0.03 * (k*second(m.f, m1.f, m2.f) - va)
			vg += 0.03 * (k*second(m.w, m1.w, m2.w) - vg)
		}
		m2, m1 = m1, m
		d.noise = append(d.noise, density{acc: math.Sqrt(cfg.Acc*cfg.Acc + va), gyro: math.Sqrt(cfg.Gyro*cfg.Gyro + vg)})
	}
}

// prepare cuts out what the passes run over. still is in samples of the
// calibrator, which are in body axes by now. It says why there is nothing to run
// over.
func (c *Calibrator) prepare(still []span, r *reading) (*drive, string) {
	d := &drive{c: c, use: navigation.ClassFixed, fit: fit{1, 1, slideTrust, slideTrust}, mount: quat.Mul(eskf.FromEuler(0, 0, r.yaw), r.tilt)}
	var moving [navigation.ClassFixed + 1]int
	first, last := -1, -1
	for i := range c.epochs {
		e := &c.epochs[i]
		if first >= 0 && e.t > c.epochs[first].t+mostDrive {
			break
		}
		last = i
		if !(e.Speed > startSpeed) || math.IsNaN(e.Course) || e.t-maxLatency < c.imu[0].t || e.class == navigation.ClassNone {
			continue
		}
		moving[e.class]++
		if first < 0 {
			first = i
		}
	}
	switch {
	case first < 0:
		return nil, "the car never moved"
	case moving[navigation.ClassFixed] >= leastMoves:
	case moving[navigation.ClassFixed]+moving[navigation.ClassFloat] >= leastMoves:
		d.use = navigation.ClassFloat
	default:
		return nil, "too few fixed or float epochs on the move"
	}
	d.first, d.epochs = first, c.epochs[:last+1]
	p := c.epochs[first].Pos
	frame := geodesy.NewFrame(p)
	d.gravity = geodesy.NormalGravity(p.Lat, p.H)
	w := geodesy.EarthRateENU(p.Lat)
	d.earth = r3.Vec{X: w.E, Y: w.N, Z: w.U}
	d.z = make([]r3.Vec, len(d.epochs))
	for i := range d.z {
		if d.epochs[i].HasPos {
			q := frame.FromLLA(d.epochs[i].Pos)
			d.z[i] = r3.Vec{X: q.E, Y: q.N, Z: q.U}
		}
	}

	// Start in the last rest before the car moved off: where it stood tells,
	// once it drives, how late the receiver is.
	begin := d.epochs[first].t - maxLatency
	for _, s := range still {
		if c.imu[s.to-1].t > d.epochs[first].t {
			break
		}
		d.rest = true
		begin = math.Max(c.imu[s.from].t, c.imu[s.to-1].t-restLevel)
		d.from = begin
		d.restW, d.restF = r3.Vec{}, r3.Vec{}
		n := 0.0
		for _, x := range c.imu[s.from:s.to] {
			if x.t >= begin {
				d.restW, d.restF = r3.Add(d.restW, x.w), r3.Add(d.restF, x.f)
				n++
			}
		}
		d.restW, d.restF = r3.Scale(1/n, d.restW), r3.Scale(1/n, d.restF)
	}
	within := span{after(c.imu, begin), after(c.imu, d.epochs[last].t)}
	d.imu = c.imu[within.from:within.to]
	d.densities()
	d.listAids(still, within)
	return d, ""
}

// listAids lists the instants at which wheel speed and grip, or rest, speak,
// within a range of the calibrator's samples.
func (d *drive) listAids(still []span, within span) {
	c := d.c
	is, iw := 0, 0
	last := math.Inf(-1)
	add := func(a aid, reach float64) {
		last = a.t
		near := span{after(c.imu, a.t-reach), after(c.imu, a.t+reach)}
		if near.from == near.to { // none that near: the one that covers t
			near = span{min(near.from, len(c.imu)-1), min(near.from, len(c.imu)-1) + 1}
		}
		for _, x := range c.imu[near.from:near.to] {
			a.rate = r3.Add(a.rate, r3.Scale(1/float64(near.to-near.from), x.w))
		}
		d.aids = append(d.aids, a)
	}
	for i := within.from; i < within.to; i++ {
		t := c.imu[i].t
		for is < len(still) && still[is].to <= i {
			is++
		}
		if is < len(still) && i >= still[is].from {
			if t-last >= restEvery {
				add(aid{t: t, rest: true, wheel: math.NaN()}, restReach)
			}
			continue
		}
		for ; iw < len(c.wheel) && c.wheel[iw].t <= t; iw++ {
			if s := c.wheel[iw]; s.t-last >= aidEvery && t-s.t < 0.1 {
				add(aid{t: s.t, wheel: s.v}, turnReach)
			}
		}
		if t-last >= 2*aidEvery { // no wheel: grip alone
			add(aid{t: t, wheel: math.NaN()}, turnReach)
		}
	}
}

// span returns the length of the drive, s.
func (d *drive) span() float64 { return d.epochs[len(d.epochs)-1].t - d.epochs[d.first].t }
