package smooth

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion/eskf"
	"kerbline/fusion/navigation"
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
			} else if s.from > s.heard {
				s.heard = s.from
				s.acc.Push(x.f, period)
				s.gyro.Push(x.w, period)
			}
		}
		f.Params.AccNoise = s.acc.Density(s.cfg.IMU.Acc)
		f.Params.GyroNoise = s.gyro.Density(s.cfg.IMU.Gyro)
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
	if e.class == navigation.ClassCoarse {
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
