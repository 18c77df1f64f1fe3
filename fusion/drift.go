package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/eskf"
	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"

	"gonum.org/v1/gonum/spatial/r3"
)

// driftTests watch for an error that grows too slowly for the jump test. Over
// each of three windows the receiver's displacement is held against that by
// wheels and gyro and that by its own velocity; where there is neither the
// innovations are averaged (extrapolation monitoring in the form of Diesel and
// Luu 1995); a two-sided CUSUM runs over the innovations beside them.
type driftTests struct {
	gate integrity.Gate         // of a displacement, east and north
	win  [3][2]integrity.Window // by window, across and along
	cus  [2]integrity.Cusum
	thr  float64 // of s²
	sdb  float64 // smallest detectable bias, sigmas
	t0   float64 // host s of the first innovation since the reset

	clean    cleanMarks
	fixes    int     // epochs without a fix so far: the same within one fix
	hinting  float64 // statistic of the shorter windows from which what they show counts
	doubtful float64 // the same from which a drift is suspected
	denied   float64 // statistic from which a return from a drift is none: one true return in twenty
	doubt    doubt
}

// cleanMarks are from before a suspicion, or before an alarm that none preceded.
// One of another run than the path's, or none, is of no use.
type cleanMarks struct {
	odo odoMark
	dop dopplerMark
}

// sighting is where the receiver has the car at a fixed epoch.
type sighting struct {
	fixes int     // as in driftTests
	z     r3.Vec  // m, ENU, body origin
	arm   r3.Vec  // m, ENU, from there to the antenna
	v     r3.Vec  // m/s, ENU, the filter's
	lat   float64 // s, the latency by which the epoch was placed in time
	white [3]float64
}

// sight returns the sighting of an epoch at which the filter stands and which
// has the antenna at z.
func (m *Monitor) sight(z r3.Vec, white [3]float64) sighting {
	f := &m.nav.Filter
	arm := f.ToWorld(m.nav.Lever)
	return sighting{fixes: m.drift.fixes, z: r3.Sub(z, arm), arm: arm, v: f.Vel, lat: f.Latency, white: white}
}

// since returns the displacement since a, m, ENU: as if both had been placed in
// time by the same latency.
func (s *sighting) since(a *sighting) r3.Vec {
	return r3.Sub(r3.Sub(s.z, a.z), r3.Scale(s.lat-a.lat, a.v))
}

// renewed returns by how much the difference of the receiver's slow error over
// dt seconds varies, in units of its variance.
func renewed(dt, tau float64) float64 { return 2 * (1 - math.Exp(-dt/tau)) }

// comparison is the receiver's displacement beside another.
type comparison struct {
	ok    bool
	y     integrity.Vec3 // m, ENU, receiver less other
	c     integrity.Sym3 // m²
	nis   float64        // 2 degrees of freedom
	fixes int
}

// witnesses compares the displacement since the marks of odometer and Doppler
// velocity, either of which may be nil, to an epoch to which both were settled.
func (m *Monitor) witnesses(o *odoMark, d *dopplerMark, now *sighting, sp *spread) (w [2]comparison) {
	if o != nil {
		w[0].y, w[0].c = m.odo.compare(o, now, sp)
		w[0].ok, w[0].fixes = true, o.fixes
	}
	if d != nil {
		w[1].y, w[1].c = m.dop.compare(m, d, now)
		w[1].ok, w[1].fixes = true, d.fixes
	}
	for i := range w {
		if w[i].ok {
			w[i].nis = integrity.NIS(&w[i].y, &w[i].c, 2)
		}
	}
	return w
}

// doubt is how far the position may have wandered while a drift is suspected
// but not proven: it widens the protection levels.
type doubt struct {
	y    integrity.Vec3 // m, receiver less odometer over the window that says most
	c    integrity.Sym3 // m², its covariance
	size float64        // m, 0 without a suspicion
	hint integrity.Vec3 // m, of this epoch, where a short window shows more than it mostly does
	seen float64        // host s of the epoch before
	calm float64        // s of epochs used since the suspicion was last confirmed
}

// doubtK is how many sigmas of the odometer count on top of what it saw: the
// suspicion itself is rare.
const doubtK = 2.0

// along returns what the doubt adds in the horizontal direction e, n, m: all
// that may be under a suspicion, before it what is seen.
func (d *doubt) along(e, n float64) float64 {
	if d.size == 0 {
		return math.Abs(d.hint[0]*e + d.hint[1]*n)
	}
	return math.Abs(d.y[0]*e+d.y[1]*n) + doubtK*math.Sqrt(math.Max(0, d.c.Along(e, n)))
}

// show takes what is seen at this epoch below a suspicion.
func (d *doubt) show(y *integrity.Vec3) {
	if math.Hypot(y[0], y[1]) > math.Hypot(d.hint[0], d.hint[1]) {
		d.hint = *y
	}
}

// raise takes a comparison of an epoch that raised suspicion.
func (d *doubt) raise(y *integrity.Vec3, c *integrity.Sym3) {
	d.calm = 0
	if size := math.Hypot(y[0], y[1]) + doubtK*math.Sqrt(math.Max(c[0][0], c[1][1])); size > d.size {
		d.y, d.c, d.size = *y, *c, size
	}
}

// pass lets the time of an epoch pass; a doubt ends after hold seconds of
// epochs without suspicion.
func (d *doubt) pass(t, hold float64) {
	if dt := t - d.seen; dt > 0 && dt < 1 {
		d.calm += dt
	}
	d.seen, d.hint = t, integrity.Vec3{}
	if d.calm > hold {
		d.y, d.c, d.size = integrity.Vec3{}, integrity.Sym3{}, 0
	}
}

// forgetPath forgets what the drift tests rest on: the position was set anew.
func (m *Monitor) forgetPath() {
	m.drift.reset()
	m.odo.reset()
	m.dop.reset()
}

func (d *driftTests) init(cfg *Config) {
	t := &cfg.Tests
	// Two axes share the false-alarm probability.
	d.thr = integrity.Chi2Upper(t.DriftPFA/2, 1)
	d.gate = integrity.NewGate(t.DriftPFA, t.PMD, 2)
	d.hinting = integrity.Chi2Upper(math.Min(1, 4*t.DoubtPFA), 2)
	d.doubtful = integrity.Chi2Upper(t.DoubtPFA, 2)
	d.denied = integrity.Chi2Upper(0.05, 2)
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
	d.doubt = doubt{}
	d.clean = cleanMarks{}
}

// push takes the innovation of a fixed position that is about to be used and
// judges all drift tests.
func (d *driftTests) push(m *Monitor, t float64, z r3.Vec, white [3]float64, in *eskf.Innovation) {
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
	now := m.sight(z, white)
	// Where a witness covers a window the CUSUM needs its support: innovations
	// are biased for a while when the filter learns.
	const support = 9.0
	seen, backed, suspect := false, false, false
	sp := m.odoSpread()
	d.doubt.pass(t, m.cfg.Tests.Windows[1])
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
		span, first := m.cfg.Tests.Windows[i], true
		for _, w := range m.witnesses(m.odo.before(t, span), m.dop.before(t, span), &now, &sp) {
			if !w.ok {
				continue
			}
			// The sharper of two says what can be found, the one that sees more
			// whether something was.
			least := d.gate.Detectable(math.Sqrt(math.Max(w.c[0][0], w.c[1][1])))
			if st := &ts[id]; first {
				st.set(w.nis, d.gate.Threshold, least, "m")
			} else {
				st.set(math.Max(w.nis, st.Stat), d.gate.Threshold, math.Min(least, st.Detectable), "m")
			}
			seen, first = true, false
			if w.fixes != d.fixes {
				continue // a new fix may stand elsewhere: no drift
			}
			// The short windows see a drift first, the long one how far it went.
			short := i < len(d.win)-1
			if short && w.nis > d.hinting {
				d.doubt.show(&w.y)
			}
			suspect = suspect || short && w.nis > d.doubtful
			if suspect {
				if d.doubt.size == 0 {
					d.remember(m, t)
				}
				d.doubt.raise(&w.y, &w.c)
			}
		}
		if seen && ts[id].Stat > support {
			backed = true
		}
		if ts[id].Stat > ts[id].Threshold {
			alarm = id
		}
	}
	m.odo.note(&now, &sp)
	m.dop.note(&now)
	for a := range 2 {
		if d.cus[a].Push(y[a]/math.Sqrt(v[a])) && (!seen || backed) {
			alarm = TestCusum
		}
	}
	ts[TestCusum].set(math.Max(d.cus[0].Stat(), d.cus[1].Stat()), m.cfg.Tests.CusumH, (m.cfg.Tests.CusumK+m.cfg.Tests.CusumH/20)*math.Sqrt(math.Max(v[0], v[1])), "m")
	if alarm == NumTests || m.trust.drifted {
		return
	}
	if d.doubt.size == 0 {
		d.remember(m, t)
	}
	ts[alarm].alarm(true, m.host(m.now))
	m.trust.drifted = true
	m.trust.redone = false
	m.trust.stain()
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventDrift, Cause: alarm.String(), Size: math.Hypot(y[0], y[1]), Where: m.where(),
		Detail: fmt.Sprintf("fixed positions wander from the inertial path (test %s, statistic %.1f, threshold %.1f)", alarm, ts[alarm].Stat, ts[alarm].Threshold)})
	m.trust.steps.Close()
	m.takeBack(t, &now)
}

// remember keeps the marks of some seconds ago, when the drift had not begun.
func (d *driftTests) remember(m *Monitor, t float64) {
	span := m.cfg.Tests.Windows[1]
	d.clean = cleanMarks{}
	if a := m.odo.oldest(t, span); a != nil {
		d.clean.odo = *a
	}
	if a := m.dop.oldest(t, span); a != nil {
		d.clean.dop = *a
	}
}

// takeBack undoes what the filter followed of a drift and enters it into the
// receiver's account; without a witness it only owns that the position may be
// off. What is taken back is what shows best; how far it may have gone is for
// the longest window to say, by the sharper witness. What heading was learned
// meanwhile is in doubt.
func (m *Monitor) takeBack(t float64, now *sighting) {
	f := &m.nav.Filter
	f.Flush()
	var y integrity.Vec3
	var c integrity.Sym3
	best, turn := -1.0, 0.0
	sp := m.odoSpread()
	for _, span := range m.cfg.Tests.Windows {
		a := m.odo.before(t, span)
		if a != nil {
			turn = math.Remainder(m.odo.lead-a.lead, 2*math.Pi)
		}
		size := math.Inf(1)
		for _, w := range m.witnesses(a, m.dop.before(t, span), now, &sp) {
			if w.ok && w.nis > best {
				best, y = w.nis, w.y
			}
			if w.ok && w.c[0][0]+w.c[1][1] < size {
				size, c = w.c[0][0]+w.c[1][1], w.c
			}
		}
	}
	if best >= 0 {
		f.Pos.X -= y[0]
		f.Pos.Y -= y[1]
		for k := range 2 {
			f.SetVariance(eskf.IPos+k, f.P[eskf.IPos+k][eskf.IPos+k]+c[k][k])
		}
		f.Inflate(eskf.IAtt+2, turn*turn)
		m.trust.steps.Add(m.now, &y, &c)
		return
	}
	const led = 0.5 // m
	var v integrity.Sym3
	for i := range 3 {
		f.Inflate(eskf.IPos+i, led*led)
		v[i][i] = led * led
	}
	m.trust.steps.Add(m.now, &integrity.Vec3{}, &v)
}

// returned reports whether the last step brought a receiver that had drifted
// back: no witness, carried on from before the drift, denies where it stands now
// (the antenna at z, m, ENU), and one says that it was not there before the
// step.
func (m *Monitor) returned(z r3.Vec, white [3]float64) bool {
	// The odds that make up for how rare a return is, as a likelihood ratio.
	const odds = 100.0
	tr, k := &m.trust, &m.drift.clean
	if tr.steps.Count < 2 {
		return false
	}
	var o *odoMark
	var d *dopplerMark
	if k.odo.run == m.odo.run {
		o = &k.odo
	}
	if k.dop.run == m.dop.run {
		d = &k.dop
	}
	back, now, sp := false, m.sight(z, white), m.odoSpread()
	for _, w := range m.witnesses(o, d, &now, &sp) {
		if !w.ok {
			continue
		}
		if w.nis > m.drift.denied {
			return false
		}
		away := integrity.Vec3{w.y[0] - tr.step[0], w.y[1] - tr.step[1]}
		back = back || integrity.NIS(&away, &w.c, 2) > w.nis+2*math.Log(odds)
	}
	return back
}

// odoSpread returns how far the odometer may be off: what the filter says of
// scale, heading and slip, and what none of its states holds.
func (m *Monitor) odoSpread() spread {
	const (
		grip  = 0.0015 // rad: side slip that does not follow lateral acceleration
		creep = 0.0007 // share: scale that changes with load and speed
	)
	f := &m.nav.Filter
	p := &f.P
	w := &m.cfg.Wheel
	return spread{
		scale: math.Hypot(creep, math.Sqrt(p[eskf.IScale][eskf.IScale])),
		yaw:   math.Sqrt(grip*grip + f.YawVariance(p)),
		slip:  math.Sqrt(p[eskf.ISlip][eskf.ISlip]),
		wheel: m.nav.Wheels.Sigma(w.Sigma) * math.Sqrt(navigation.WheelEvery/math.Max(1, math.Abs(m.nav.Wheels.Now.V))),
		ch:    f.Params.CorrSigmaH, tau: f.Params.CorrTime,
		lat:  math.Sqrt(p[eskf.ILat][eskf.ILat]),
		bias: math.Sqrt(p[eskf.IGyr+2][eskf.IGyr+2]), walk: f.Params.GyroNoise,
	}
}

// direction returns the horizontal unit vector of travel: along the map, along
// the velocity, or where the car points.
func (m *Monitor) direction() (e, n float64) {
	if m.snap.HasCourse {
		n, e = math.Sincos(m.snap.CourseYaw)
		return e, n
	}
	v := m.nav.Filter.Vel
	if h := math.Hypot(v.X, v.Y); h > 1 {
		return v.X / h, v.Y / h
	}
	n, e = math.Sincos(m.nav.Filter.Yaw())
	return e, n
}
