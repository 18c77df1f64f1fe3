package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/eskf"
	"kerbline/fusion/integrity"
)

// driftTests watch for an error that grows too slowly for the jump test: the
// averaged innovations over three windows and a two-sided CUSUM, each along
// and across the direction of travel.
type driftTests struct {
	win  [3][2]integrity.Window // by window, across and along
	cus  [2]integrity.Cusum
	thr  float64 // of s²
	sdb  float64 // smallest detectable bias, sigmas
	t0   float64 // host s of the first innovation since the reset
	stat [4]float64
}

func (d *driftTests) init(cfg *Config) {
	t := &cfg.Tests
	// Two axes share the false-alarm probability.
	d.thr = integrity.Chi2Upper(t.DriftPFA/2, 1)
	d.sdb = math.Sqrt(integrity.Noncentrality(t.DriftPFA/2, t.PMD, 1))
	for i, span := range t.Windows {
		for a := range 2 {
			d.win[i][a] = integrity.NewWindow(span, t.DriftFloor)
		}
	}
	for a := range 2 {
		d.cus[a] = integrity.Cusum{K: t.CusumK, H: t.CusumH}
	}
	d.reset()
}

func (d *driftTests) reset() {
	for i := range d.win {
		for a := range 2 {
			d.win[i][a].Reset()
		}
	}
	for a := range 2 {
		d.cus[a].Reset(0)
	}
	d.t0 = math.NaN()
}

// push takes the innovation of a fixed position that is about to be used and
// judges all drift tests.
func (d *driftTests) push(m *Monitor, t float64, in *eskf.Innovation) {
	if math.IsNaN(d.t0) {
		d.t0 = t
	}
	// Settling: after a change of quality or alignment innovations are large
	// for honest reasons.
	if t-d.t0 < 2 {
		return
	}
	e, n := m.direction()
	var y, v [2]float64
	y[0], y[1] = -n*in.Y[0]+e*in.Y[1], e*in.Y[0]+n*in.Y[1]
	s := integrity.Sym3(in.S)
	v[0], v[1] = s.Along(-n, e), s.Along(e, n)
	ts := &m.snap.Tests
	alarm := TestID(NumTests)
	for i := range d.win {
		worst, sigma := 0.0, math.NaN()
		for a := range 2 {
			w := &d.win[i][a]
			w.Push(t, y[a], v[a])
			mean, vv, ok := w.Mean()
			if !ok {
				continue
			}
			if x := mean * mean / vv; x >= worst {
				worst, sigma = x, math.Sqrt(vv)
			}
		}
		id := TestDrift1 + TestID(i)
		ts[id].set(worst, d.thr, d.sdb*sigma, "m")
		if worst > d.thr {
			alarm = id
		}
	}
	for a := range 2 {
		if d.cus[a].Push(y[a] / math.Sqrt(v[a])) {
			alarm = TestCusum
		}
	}
	ts[TestCusum].set(math.Max(d.cus[0].Stat(), d.cus[1].Stat()), m.cfg.Tests.CusumH, (m.cfg.Tests.CusumK+m.cfg.Tests.CusumH/20)*math.Sqrt(math.Max(v[0], v[1])), "m")
	if alarm == NumTests || m.trust.drifted {
		return
	}
	ts[alarm].alarm(true, m.now)
	m.trust.drifted = true
	m.trust.redone = false
	m.trust.stain()
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventDrift, Cause: alarm.String(), Size: math.Hypot(y[0], y[1]), Where: m.where(),
		Detail: fmt.Sprintf("fixed positions wander from the inertial path (test %s, statistic %.1f, threshold %.1f)", alarm, ts[alarm].Stat, ts[alarm].Threshold)})
	// The filter followed for a while: own it.
	const led = 0.5 // m
	for i := range 3 {
		m.f.Inflate(eskf.IPos+i, led*led)
	}
}

// direction returns the horizontal unit vector of travel: along the map, along
// the velocity, or where the car points.
func (m *Monitor) direction() (e, n float64) {
	if m.snap.HasCourse {
		n, e = math.Sincos(m.snap.CourseYaw)
		return e, n
	}
	v := m.f.Vel
	if h := math.Hypot(v.X, v.Y); h > 1 {
		return v.X / h, v.Y / h
	}
	n, e = math.Sincos(m.f.Yaw())
	return e, n
}
