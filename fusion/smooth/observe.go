package smooth

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion/eskf"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"
)

func vec(e geodesy.ENU) r3.Vec { return r3.Vec{X: e.E, Y: e.N, Z: e.U} }

// advance integrates samples up to host time t. It returns the integrals of
// the turn rate (rad, body) and of the acceleration (m/s, world) on the way,
// and the seconds of it that no sample covered.
func (s *Smoother) advance(t float64) (turned, moved r3.Vec, hole float64) {
	f := &s.f
	for f.T < t && s.from < len(s.imu) {
		x := &s.imu[s.from]
		if x.t <= f.T {
			s.from++
			continue
		}
		if s.from > 0 {
			if period := x.t - s.imu[s.from-1].t; period > s.cfg.IMU.Gap {
				hole += math.Min(x.t, t) - f.T
			} else {
				s.acc.push(x.f, period, s.from)
				s.gyro.push(x.w, period, s.from)
			}
		}
		f.Params.AccNoise = s.acc.density(s.cfg.IMU.Acc)
		f.Params.GyroNoise = s.gyro.density(s.cfg.IMU.Gyro)
		to := math.Min(x.t, t)
		dt := to - f.T
		v := f.Vel
		f.Predict(x.w, x.f, dt)
		f.T = to
		turned = r3.Add(turned, r3.Scale(dt, x.w))
		moved = r3.Add(moved, r3.Sub(f.Vel, v))
		if to == x.t {
			s.from++
		}
	}
	return turned, moved, hole
}

// noise returns the variances of a position that are new in each epoch, m²,
// ENU, and the standard deviations of what stays for tens of seconds.
func (s *Smoother) noise(e *epoch) (white [3]float64, corrH, corrV float64) {
	g := &s.cfg.GNSS
	floor, share := g.FixedSigma, g.Correlated
	switch e.class {
	case float:
		floor, share = g.FloatSigma, math.Max(share, 0.9)
	case coarse:
		floor, share = g.SingleSigma, math.Max(share, 0.9)
		if e.Quality != gnss.QualitySingle {
			floor = g.DiffSigma
		}
	}
	sigma := [3]float64{floor, floor, floor * g.Vertical}
	for i, said := range [3]float64{e.SigmaE, e.SigmaN, e.SigmaU} {
		if said > 0 {
			sigma[i] = math.Max(sigma[i], said*g.Inflation)
		}
		white[i] = (1 - share) * sigma[i] * sigma[i]
	}
	k := math.Sqrt(share)
	return white, k * math.Max(sigma[0], sigma[1]), k * sigma[2]
}

func (s *Smoother) lever() r3.Vec {
	a := s.cfg.Vehicle.Antenna
	return r3.Vec{X: a[0], Y: a[1], Z: a[2]}
}

// position takes the position of an epoch. One that does not fit is given as
// much less weight as it misses the gate by: one outlier hardly counts, a receiver
// that insists wins.
func (s *Smoother) position(nd *node, e *epoch, white [3]float64, w r3.Vec) {
	f := &s.f
	z := vec(s.frame.FromLLA(e.Pos))
	build := func() eskf.Obs {
		if e.HasH {
			return f.Position(z, white, s.lever(), w)
		}
		return f.HorizontalPosition(z.X, z.Y, [2]float64{white[0], white[1]}, s.lever(), w)
	}
	o := build()
	in := f.Innovation(&o)
	if k := in.NIS / gate; k > 1 {
		if k > noTrust {
			return
		}
		for i := range white {
			white[i] = k * math.Max(white[i], in.S[i][i])
		}
		o = build()
	}
	s.observe(nd, o, math.Inf(1))
}

// velocity takes speed and course.
func (s *Smoother) velocity(nd *node, e *epoch, w, aWorld r3.Vec) {
	if !(e.Speed > 0.5) || math.IsNaN(e.Course) {
		return
	}
	f := &s.f
	v := s.cfg.GNSS.SpeedSigma
	if e.class == coarse {
		v *= 3
	}
	// Receivers differ in which point the velocity is of.
	arm := r3.Norm(r3.Cross(r3.Sub(w, f.GyroBias), s.lever()))
	r := v*v + arm*arm
	s.observe(nd, f.Velocity(e.Speed*math.Sin(e.Course), e.Speed*math.Cos(e.Course), [2]float64{r, r}, s.lever(), w, aWorld), gate)
}

func (s *Smoother) heading(nd *node, e *epoch) {
	if math.IsNaN(e.Heading) {
		return
	}
	g := &s.cfg.GNSS
	r := g.HeadingSigma * math.Pi / 180
	s.observe(nd, s.f.Heading(math.Pi/2-(e.Heading-g.HeadingYaw*math.Pi/180), r*r), gate)
}

// wheels takes wheel speed, interpolated to the node, and the tyres' grip.
func (s *Smoother) wheels(nd *node, iw *int, w r3.Vec) {
	f := &s.f
	c := &s.cfg.Wheel
	v := f.Forward()
	for *iw < len(s.wheel) && s.wheel[*iw].t <= f.T {
		*iw++
	}
	if i := *iw; i > 0 && i < len(s.wheel) {
		a, b := s.wheel[i-1], s.wheel[i]
		if b.t-a.t < 0.15 {
			k := (f.T - a.t) / (b.t - a.t)
			r := c.Sigma + c.SigmaRel*math.Abs(v)
			s.observe(nd, f.Wheel(a.v+k*(b.v-a.v), r*r), gate)
		}
	}
	if math.Abs(v) < 1 {
		return
	}
	lat := v * (w.Z - f.GyroBias.Z)
	r := c.SideSigma + c.SideLat*math.Abs(lat)
	s.observe(nd, f.Side(r*r, c.SideSigma*c.SideSigma*4, lat), gate)
}

// observe applies o unless its innovation is beyond limit, and keeps what the
// backward pass needs.
func (s *Smoother) observe(nd *node, o eskf.Obs, limit float64) {
	if in := s.f.Innovation(&o); !(in.NIS <= limit) {
		return
	}
	if u, ok := take(&s.f, &o); ok {
		nd.ups = append(nd.ups, u)
	}
}

// roughness estimates the noise density that matters to dead reckoning from
// the samples themselves: means of blocks, differenced twice so that the motion
// drops out. A mean over T of noise with density n has variance n²/T, its second
// difference 6·n²/T.
type roughness struct {
	seen   int // samples pushed: index of the newest
	n      int
	sum    r3.Vec
	m1, m2 r3.Vec
	blocks int
	n2     float64 // density squared, one axis
}

const roughBlock = 8 // samples

// push takes sample number index once, however often it is pushed.
func (q *roughness) push(x r3.Vec, period float64, index int) {
	if index <= q.seen {
		return
	}
	q.seen = index
	q.sum = r3.Add(q.sum, x)
	if q.n++; q.n < roughBlock {
		return
	}
	mean := r3.Scale(1.0/roughBlock, q.sum)
	q.n, q.sum = 0, r3.Vec{}
	if q.blocks++; q.blocks > 2 {
		d := r3.Add(r3.Sub(mean, r3.Scale(2, q.m1)), q.m2)
		q.n2 += 0.03 * (r3.Norm2(d)/3*roughBlock*period/6 - q.n2)
	}
	q.m2, q.m1 = q.m1, mean
}

func (q *roughness) density(configured float64) float64 {
	return math.Sqrt(configured*configured + q.n2)
}
