package fusion

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"kerbline/fusion/course"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"
)

// rig is a car on a figure of eight in closed form: it stands for rigStill and
// then laps at 9 to 13 m/s. Its receiver is fixed and its sensors are good, so
// that what a test changes is what it sees. Times are s from the start; host
// time is rigStart and that.
type rig struct {
	cfg   Config
	wheel bool
	still float64 // s of standing before the start
	length,
	until float64 // s, end of driving: the car stands again from there
	// epoch changes an epoch, or swallows it by returning false.
	epoch func(t float64, e *gnss.Epoch) bool
	// note, where not empty, is sent at noteAt.
	note   string
	noteAt float64
	mapped bool // it has a map: the eight itself

	frame geodesy.Frame
}

const (
	rigStart = 1.7e9
	rigStill = 4.0
	rigDelay = 0.08      // s, validity to arrival
	rigTurn  = 10.0 / 45 // rad/s round the eight
	rigPull  = 5.0       // s from rest to full pace
)

func newRig(length float64) *rig {
	r := &rig{cfg: DefaultConfig(), wheel: true, still: rigStill, length: length, until: math.Inf(1)}
	r.cfg.Vehicle.Antenna = [3]float64{0.3, 0.1, 0.8}
	r.frame = geodesy.NewFrame(geodesy.LLA{Lat: 47 * geodesy.Degree, Lon: 8 * geodesy.Degree, H: 400})
	return r
}

// angle returns how far round the eight the car is, rad: the pace rises
// linearly to rigTurn, and falls likewise from until on.
func (r *rig) angle(t float64) float64 {
	rise := func(t float64) float64 {
		u := math.Max(0, t)
		return rigTurn * (math.Min(u, rigPull)*math.Min(u, rigPull)/(2*rigPull) + math.Max(0, u-rigPull))
	}
	if t <= r.until {
		return rise(t - r.still)
	}
	u := math.Min(t-r.until, rigPull)
	return rise(r.until-r.still) + rigTurn*(u-u*u/(2*rigPull))
}

// body returns the true position of the body origin, m, ENU, and yaw, rad.
func (r *rig) body(t float64) (p geodesy.ENU, yaw float64) {
	a := r.angle(t)
	return geodesy.ENU{E: 40 * math.Sin(a), N: 20 * math.Sin(2*a)}, math.Atan2(40*math.Cos(2*a), 40*math.Cos(a))
}

// antenna returns where the antenna truly is, m, ENU.
func (r *rig) antenna(t float64) geodesy.ENU {
	p, yaw := r.body(t)
	sin, cos := math.Sincos(yaw)
	l := r.cfg.Vehicle.Antenna
	return geodesy.ENU{E: p.E + cos*l[0] - sin*l[1], N: p.N + sin*l[0] + cos*l[1], U: l[2]}
}

// rate returns the change of f at t per second, by differences of 2 ms.
func rate3(t float64, f func(float64) geodesy.ENU) geodesy.ENU {
	const h = 1e-3
	a, b := f(t-h), f(t+h)
	return geodesy.ENU{E: (b.E - a.E) / (2 * h), N: (b.N - a.N) / (2 * h), U: (b.U - a.U) / (2 * h)}
}

// speed returns the true speed, m/s.
func (r *rig) speed(t float64) float64 {
	v := rate3(t, func(t float64) geodesy.ENU { p, _ := r.body(t); return p })
	return math.Hypot(v.E, v.N)
}

// fix returns a fixed epoch of time t.
func (r *rig) fix(t float64, rng *rand.Rand) *gnss.Epoch {
	e := blankEpoch()
	const noise = 0.006
	at := r.antenna(t)
	v := rate3(t, r.antenna)
	at.E, at.N, at.U = at.E+noise*rng.NormFloat64(), at.N+noise*rng.NormFloat64(), at.U+1.5*noise*rng.NormFloat64()
	ve, vn := v.E+0.02*rng.NormFloat64(), v.N+0.02*rng.NormFloat64()
	e.UTC, e.Arrival, e.Complete = rigStart+t, rigStart+t+rigDelay, rigStart+t+rigDelay+0.002
	e.DateSeen, e.HasPos, e.HasH = true, true, true
	e.Talker = [2]byte{'G', 'N'}
	e.Pos = r.frame.ToLLA(at)
	e.Quality, e.Sats, e.HDOP, e.Age, e.Station = gnss.QualityFixed, 20, 0.6, 1, 7
	e.Speed, e.Course = math.Hypot(ve, vn), math.Mod(math.Atan2(ve, vn)+2*math.Pi, 2*math.Pi)
	e.SigmaN, e.SigmaE, e.SigmaU = 0.010, 0.010, 0.016
	e.Status, e.Mode = 'A', 'R'
	return &e
}

// measurements returns what a monitor is given, in the order of host time.
func (r *rig) measurements() []Measurement {
	rng := rand.New(rand.NewPCG(7, 11))
	earth := geodesy.EarthRateENU(r.frame.Origin().Lat)
	g := geodesy.NormalGravity(r.frame.Origin().Lat, r.frame.Origin().H)
	const hz = 100
	var in []Measurement
	add := func(t float64, m Measurement) {
		m.T = rigStart + t
		in = append(in, m)
	}
	for k := 1; k <= int(r.length*hz); k++ {
		at := float64(k) / hz
		_, before := r.body(at - 1.0/hz)
		_, yaw := r.body(at - 0.5/hz)
		_, now := r.body(at)
		v0 := rate3(at-1.0/hz, func(t float64) geodesy.ENU { p, _ := r.body(t); return p })
		v1 := rate3(at, func(t float64) geodesy.ENU { p, _ := r.body(t); return p })
		ae, an := (v1.E-v0.E)*hz, (v1.N-v0.N)*hz
		sin, cos := math.Sincos(yaw)
		m := Measurement{Kind: KindIMU, Channel: ChanIMU}
		m.W = [3]float64{cos*earth.E + sin*earth.N, -sin*earth.E + cos*earth.N, earth.U + math.Remainder(now-before, 2*math.Pi)*hz}
		m.F = [3]float64{cos*ae + sin*an, -sin*ae + cos*an, g}
		for i := range 3 {
			m.W[i] += 1e-4 * math.Sqrt(hz) * rng.NormFloat64()
			m.F[i] += 1e-3 * math.Sqrt(hz) * rng.NormFloat64()
		}
		add(at+r.cfg.IMU.Latency, m)
		if r.wheel && k%2 == 0 {
			v := r.speed(at)
			if v > 0.01 {
				v = 1.003*v + 0.02*rng.NormFloat64()
			}
			add(at+r.cfg.Wheel.Latency, Measurement{Kind: KindWheel, Channel: ChanWheel, V: v})
		}
		if k%10 == 0 {
			add(at, Measurement{Kind: KindTick, Channel: ChanTick})
			e := r.fix(at, rng)
			if r.epoch == nil || r.epoch(at, e) {
				add(e.Complete-rigStart, Measurement{Kind: KindEpoch, Channel: ChanNMEA, Epoch: e})
			}
		}
	}
	if r.note != "" {
		add(r.noteAt, Measurement{Kind: KindNote, Channel: ChanNote, Note: r.note})
	}
	slices.SortStableFunc(in, func(a, b Measurement) int { return cmp.Compare(a.T, b.T) })
	return in
}

// play drives and calls look with every line and its events.
func (r *rig) play(t testing.TB, look func(at float64, snap *Snapshot, ev []Event)) *Monitor {
	t.Helper()
	in := r.measurements()
	m := NewMonitor(r.cfg, r.course(t))
	for i := range in {
		if snap, ev := m.Step(&in[i]); snap != nil || len(ev) > 0 {
			look(in[i].T-rigStart, snap, ev)
		}
	}
	return m
}

// course returns the eight as a map, 6 m wide, where there is to be one.
func (r *rig) course(t testing.TB) *course.Course {
	if !r.mapped {
		return nil
	}
	out := []byte(`{"type":"LineString","coordinates":[`)
	const n = 200
	for k := range n + 1 {
		a := 2 * math.Pi * float64(k%n) / n
		p := r.frame.ToLLA(geodesy.ENU{E: 40 * math.Sin(a), N: 20 * math.Sin(2*a)})
		out = fmt.Appendf(out, "[%.9f,%.9f],", p.Lon/geodesy.Degree, p.Lat/geodesy.Degree)
	}
	c, err := course.Load(append(out[:len(out)-1], `],"half_width_m":3}`...))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// off returns how far the position of a line is from the truth, m.
func (r *rig) off(at float64, s *Snapshot) float64 {
	p := r.frame.FromLLA(s.Pos)
	q, _ := r.body(at)
	return math.Hypot(p.E-q.E, p.N-q.N)
}

// shift moves an epoch by m east and north.
func (r *rig) shift(e *gnss.Epoch, east, north float64) {
	p := r.frame.FromLLA(e.Pos)
	p.E, p.N = p.E+east, p.N+north
	e.Pos = r.frame.ToLLA(p)
}

// codes returns the codes of a line's reasons.
func codes(s *Snapshot) (c []string) {
	for i := range s.NReasons {
		c = append(c, s.Reasons[i].Code)
	}
	return c
}

// The rig by itself: usable soon, and then right.
func TestRig(t *testing.T) {
	r := newRig(40)
	first, worst := math.NaN(), 0.0
	r.play(t, func(at float64, s *Snapshot, ev []Event) {
		for _, e := range ev {
			if e.Kind != EventVerdict {
				t.Errorf("%.2f s: %s %s: %s", at, e.Kind, e.Cause, e.Detail)
			}
		}
		if s == nil || s.Verdict != Usable {
			return
		}
		if math.IsNaN(first) {
			first = at
		}
		off := r.off(at, s)
		if off > math.Hypot(s.PLLat.Total, s.PLLon.Total) {
			t.Errorf("%.2f s: %.3f m off, protection levels %.3f and %.3f m", at, off, s.PLLat.Total, s.PLLon.Total)
		}
		if at > 25 {
			worst = math.Max(worst, off)
		}
	})
	const soon = 12.0 // s after moving off: some turns, and 5 s in which the lever arm agrees with them
	const near = 0.06 // m, twice what the receiver is off: how the wheel slips under this steady push and pull is just being learned
	if !(first < r.still+soon) || !(worst < near) {
		t.Errorf("usable from %.1f s on, at worst %.3f m off from 25 s on; want before %.0f s and %.2f m", first, worst, r.still+soon, near)
	}
}
