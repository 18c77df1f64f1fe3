package smooth

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion"
	"kerbline/fusion/eskf"
	"kerbline/fusion/hostclock"
	"kerbline/fusion/navigation"
	"kerbline/fusion/score"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"
)

const (
	nodeEvery  = 0.12 // s, longest interval between nodes where no epoch comes
	block      = 0.5  // s, stretches judged as rest or not
	leastRest  = 3    // blocks of rest to level on
	startSpeed = 2.0  // m/s from which the course gives the heading to start with
	startYaw   = 4.0  // deg, 1 sigma of it: the car may slide and turn while it moves off
	gate       = 25.9 // chi-square, 3 degrees of freedom, 1e-5: worse observations are given less weight
	noTrust    = 1e4  // innovations this far beyond the gate are not used at all
	holeAcc    = 4.0  // m/s^2 and
	holeRate   = 0.5  // rad/s, 1 sigma over a second, of what a car may do unseen
)

type imuSample struct {
	t    float64 // host s of validity
	w, f r3.Vec  // body axes
}

type wheelSample struct{ t, v float64 }

type epoch struct {
	gnss.Epoch
	t     float64 // host s of validity for zero latency: UTC on the envelope of arrivals
	class navigation.Class
}

// Smoother collects a recording; see [New].
type Smoother struct {
	cfg    fusion.Config
	mount  [3][3]float64
	imu    []imuSample
	wheel  []wheelSample
	epochs []epoch

	frame geodesy.Frame
	still []bool // by block from the first IMU sample
	f     eskf.Filter
	acc   eskf.Roughness
	gyro  eskf.Roughness
	nodes []node
	from  int // IMU sample next to integrate
	heard int // IMU sample that acc and gyro heard last
}

// New returns an empty smoother. Of the settings it uses the vehicle, the noise
// and the latencies, none of the integrity tests.
func New(cfg fusion.Config) *Smoother {
	s := &Smoother{cfg: cfg}
	d := math.Pi / 180
	s.mount = eskf.Matrix(eskf.FromEuler(cfg.IMU.MountRoll*d, cfg.IMU.MountPitch*d, cfg.IMU.MountYaw*d))
	return s
}

// Add takes the next measurement of the recording; kinds that say nothing
// about the motion are passed over.
func (s *Smoother) Add(m *fusion.Measurement) {
	switch m.Kind {
	case fusion.KindIMU:
		t := m.T - s.cfg.IMU.Latency
		if k := len(s.imu); k > 0 && !(t > s.imu[k-1].t) || !finite(m.W[:]) || !finite(m.F[:]) {
			return
		}
		s.imu = append(s.imu, imuSample{t, turn(&s.mount, m.W), turn(&s.mount, m.F)})
	case fusion.KindWheel:
		t := m.T - s.cfg.Wheel.Latency
		if k := len(s.wheel); k > 0 && !(t > s.wheel[k-1].t) || math.IsNaN(m.V) || math.IsInf(m.V, 0) {
			return
		}
		s.wheel = append(s.wheel, wheelSample{t, m.V})
	case fusion.KindEpoch:
		if m.Epoch == nil || math.IsNaN(m.Epoch.UTC) || math.IsNaN(m.Epoch.Arrival) {
			return
		}
		s.epochs = append(s.epochs, epoch{Epoch: *m.Epoch, class: s.cfg.GNSS.Classify(m.Epoch)})
	}
}

func finite(v []float64) bool {
	var sum float64
	for _, x := range v {
		sum += x
	}
	return sum-sum == 0
}

func turn(m *[3][3]float64, v [3]float64) r3.Vec {
	return r3.Vec{
		X: m[0][0]*v[0] + m[0][1]*v[1] + m[0][2]*v[2],
		Y: m[1][0]*v[0] + m[1][1]*v[1] + m[1][2]*v[2],
		Z: m[2][0]*v[0] + m[2][1]*v[1] + m[2][2]*v[2],
	}
}

// Pose is the trajectory at one instant.
type Pose struct {
	T     float64 // host Unix s
	State eskf.State
	Cov   [2][2]float64 // m², east and north
	Yaw   float64       // rad
	YawV  float64       // rad²
}

// SigmaH returns the semi-major axis of the horizontal error ellipse, m.
func (p *Pose) SigmaH() float64 {
	a, b, c := p.Cov[0][0], p.Cov[0][1], p.Cov[1][1]
	return math.Sqrt((a+c)/2 + math.Hypot((a-c)/2, b))
}

// Trajectory is the result. Both slices have one pose for each node, the
// filter's as it was at the time, the smoother's from the whole recording.
type Trajectory struct {
	Frame    geodesy.Frame
	Filtered []Pose
	Smoothed []Pose
}

// Reference returns the smoothed trajectory, sealed, as a reference to judge by.
func (tr *Trajectory) Reference() (*score.Truth, error) {
	ref := score.NewTruth(tr.Frame.Origin())
	for i := range tr.Smoothed {
		p := &tr.Smoothed[i]
		if i > 0 && p.T <= tr.Smoothed[i-1].T {
			continue // two nodes of one instant
		}
		lla := tr.Frame.ToLLA(geodesy.ENU{E: p.State.Pos.X, N: p.State.Pos.Y, U: p.State.Pos.Z})
		if err := ref.Add(p.T, lla, p.Yaw, math.Max(p.SigmaH(), 1e-4)); err != nil {
			return nil, err
		}
	}
	ref.Seal()
	return ref, nil
}

// Run smooths what was added. It fails where there is nothing to smooth: no
// IMU, no position, a car that never moved.
func (s *Smoother) Run() (*Trajectory, error) {
	if len(s.imu) < 100 {
		return nil, fmt.Errorf("smooth: %d inertial samples, want 100 or more", len(s.imu))
	}
	s.place()
	s.findRest()
	if err := s.start(); err != nil {
		return nil, err
	}
	s.forward()
	tr := &Trajectory{Frame: s.frame, Filtered: make([]Pose, len(s.nodes)), Smoothed: make([]Pose, len(s.nodes))}
	for i := range s.nodes {
		nd := &s.nodes[i]
		p := nd.p.matrix()
		tr.Filtered[i] = pose(nd.state, &p)
	}
	backward(s.nodes, func(i int, dx *vector, cov *matrix) {
		tr.Smoothed[i] = pose(correct(s.nodes[i].state, dx), cov)
	})
	return tr, nil
}

func pose(x eskf.State, p *matrix) Pose {
	out := Pose{T: x.T, State: x, Yaw: x.Yaw(), YawV: x.YawVariance((*[eskf.NErr][eskf.NErr]float64)(p))}
	for i := range 2 {
		for j := range 2 {
			out.Cov[i][j] = p[eskf.IPos+i][eskf.IPos+j]
		}
	}
	return out
}

// correct adds an error to a state.
func correct(x eskf.State, d *vector) eskf.State {
	at := func(i int) r3.Vec { return r3.Vec{X: d[i], Y: d[i+1], Z: d[i+2]} }
	x.Pos = r3.Add(x.Pos, at(eskf.IPos))
	x.Vel = r3.Add(x.Vel, at(eskf.IVel))
	x.Att = quat.Mul(x.Att, eskf.Exp(at(eskf.IAtt)))
	x.GyroBias = r3.Add(x.GyroBias, at(eskf.IGyr))
	x.AccBias = r3.Add(x.AccBias, at(eskf.IAcc))
	x.WheelScale += d[eskf.IScale]
	x.Slip += d[eskf.ISlip]
	x.Latency += d[eskf.ILat]
	x.Corr = r3.Add(x.Corr, at(eskf.ICorr))
	return x
}

// place puts every epoch on host time; those that only another setting of a
// clock explains are taken out.
func (s *Smoother) place() {
	arrival, utc := make([]float64, len(s.epochs)), make([]float64, len(s.epochs))
	for i := range s.epochs {
		arrival[i], utc[i] = s.epochs[i].Arrival, s.epochs[i].UTC
	}
	kept := s.epochs[:0]
	for i, t := range hostclock.Place(arrival, utc) {
		if e := s.epochs[i]; !math.IsNaN(t) {
			e.t = t
			kept = append(kept, e)
		}
	}
	s.epochs = kept
}

// findRest marks the blocks in which nothing turns or shakes and wheel or
// receiver agree.
func (s *Smoother) findRest() {
	t0 := s.imu[0].t
	blocks := int((s.imu[len(s.imu)-1].t-t0)/block) + 1
	s.still = make([]bool, blocks)
	iw, ie, i := 0, 0, 0
	for b := range blocks {
		end := t0 + float64(b+1)*block
		from := i
		var w, f r3.Vec
		for ; i < len(s.imu) && s.imu[i].t < end; i++ {
			w, f = r3.Add(w, s.imu[i].w), r3.Add(f, s.imu[i].f)
		}
		k := float64(i - from)
		if k < 5 {
			continue
		}
		w, f = r3.Scale(1/k, w), r3.Scale(1/k, f)
		var vw, vf float64
		for _, x := range s.imu[from:i] {
			vw += r3.Norm2(r3.Sub(x.w, w)) / (3 * k)
			vf += r3.Norm2(r3.Sub(x.f, f)) / (3 * k)
		}
		if vw > 0.02*0.02 || vf > 0.15*0.15 || r3.Norm(w) > 0.1 {
			continue
		}
		says := false
		for ; iw < len(s.wheel) && s.wheel[iw].t < end; iw++ {
			if s.wheel[iw].t >= end-block {
				says = math.Abs(s.wheel[iw].v) < 0.05
				if !says {
					break
				}
			}
		}
		if len(s.wheel) == 0 {
			for ; ie < len(s.epochs) && s.epochs[ie].t < end; ie++ {
				e := &s.epochs[ie]
				limit := 0.5
				if e.class >= navigation.ClassFloat {
					limit = 0.15
				}
				says = e.Speed < limit
			}
		}
		s.still[b] = says
	}
}

func (s *Smoother) atRest(t float64) bool {
	b := int(math.Floor((t - s.imu[0].t) / block))
	return b >= 0 && b < len(s.still) && s.still[b]
}

// start initialises the filter: levelled at the first rest where there is one,
// with the heading that the course shows later.
func (s *Smoother) start() error {
	g := &s.cfg.GNSS
	first := -1
	latency := g.Latency
	for i := range s.epochs {
		e := &s.epochs[i]
		if e.class == navigation.ClassNone || e.t-latency < s.imu[0].t {
			continue
		}
		if !math.IsNaN(e.Heading) || e.Speed > math.Max(startSpeed, g.MinCourse) && !math.IsNaN(e.Course) {
			first = i
			break
		}
	}
	if first < 0 {
		return fmt.Errorf("smooth: no epoch with a heading, or with a course above %g m/s, want one to start from", startSpeed)
	}
	e := &s.epochs[first]
	t := e.t - latency
	yaw, sigma := math.Pi/2-e.Course, startYaw*math.Pi/180
	if !math.IsNaN(e.Heading) {
		yaw, sigma = math.Pi/2-(e.Heading-g.HeadingYaw*math.Pi/180), 2*g.HeadingSigma*math.Pi/180
	}

	s.frame = geodesy.NewFrame(e.Pos)
	f := &s.f
	f.Params = eskf.Params{
		GyroNoise: s.cfg.IMU.Gyro, AccNoise: s.cfg.IMU.Acc, GyroWalk: s.cfg.IMU.GyroWalk, AccWalk: s.cfg.IMU.AccWalk,
		ScaleWalk: 1e-5, SlipWalk: 1e-5, LatencyWalk: 5e-5, CorrTime: g.CorrTime,
		Gravity: geodesy.NormalGravity(e.Pos.Lat, e.Pos.H), EarthRate: vec(geodesy.EarthRateENU(e.Pos.Lat)),
		CovEvery: math.MaxInt,
	}
	f.Latency = latency
	sig := eskf.Sigmas{PosH: 1, PosV: 1, Vel: 3 * g.SpeedSigma, Tilt: 4 * math.Pi / 180, Yaw: sigma,
		GyroBias: s.cfg.IMU.GyroBias, AccBias: s.cfg.IMU.AccBias, WheelScale: s.cfg.Wheel.ScaleSigma,
		Slip: s.cfg.Wheel.SlipSigma, Latency: g.LatencySigma}

	from, to, ok := s.firstRest(t)
	if !ok {
		vel := r3.Vec{}
		if !math.IsNaN(e.Course) && !math.IsNaN(e.Speed) {
			vel = r3.Vec{X: e.Speed * math.Sin(e.Course), Y: e.Speed * math.Cos(e.Course)}
		}
		f.InitMoving(t, vec(s.frame.FromLLA(e.Pos)), vel, 0, 0, yaw, sig)
		s.from = sort.Search(len(s.imu), func(i int) bool { return s.imu[i].t > t })
	} else {
		var w, a r3.Vec
		for _, x := range s.imu[from:to] {
			w, a = r3.Add(w, x.w), r3.Add(a, x.f)
		}
		k := 1 / float64(to-from)
		w, a = r3.Scale(k, w), r3.Scale(k, a)
		if m := r3.Norm(a); m < 9 || m > 10.6 {
			return fmt.Errorf("smooth: specific force at rest is %.2f m/s^2, want about 9.8", m)
		}
		// Back from the first course to the rest.
		for i := to; i < len(s.imu) && s.imu[i].t <= t; i++ {
			yaw -= (s.imu[i].w.Z - w.Z) * (s.imu[i].t - s.imu[i-1].t)
		}
		sig.Vel, sig.Tilt, sig.GyroBias, sig.PosH, sig.PosV = 0.02, 0.003, 3e-4, 3, 5
		pos := vec(s.frame.FromLLA(s.near(s.imu[from].t, first).Pos))
		f.InitAtRest(s.imu[from].t, pos, a, w, yaw, sig)
		s.from = from + 1
	}
	l := s.cfg.Vehicle.Antenna
	f.Pos = r3.Sub(f.Pos, f.ToWorld(r3.Vec{X: l[0], Y: l[1], Z: l[2]}))
	return nil
}

// firstRest returns the first rest before t as a range of samples.
func (s *Smoother) firstRest(t float64) (from, to int, ok bool) {
	for b := 0; b < len(s.still); b++ {
		if !s.still[b] {
			continue
		}
		e := b
		for e < len(s.still) && s.still[e] {
			e++
		}
		begin, end := s.imu[0].t+float64(b)*block, s.imu[0].t+float64(e)*block
		if end > t {
			return 0, 0, false
		}
		if e-b >= leastRest {
			from = sort.Search(len(s.imu), func(i int) bool { return s.imu[i].t >= begin })
			to = sort.Search(len(s.imu), func(i int) bool { return s.imu[i].t >= end })
			return from, to, to-from > 20
		}
		b = e
	}
	return 0, 0, false
}

// near returns the epoch with a position whose arrival is closest to t, none
// later than that at index last.
func (s *Smoother) near(t float64, last int) *epoch {
	best := last
	for i := range s.epochs[:last] {
		if e := &s.epochs[i]; e.class != navigation.ClassNone && math.Abs(e.t-t) < math.Abs(s.epochs[best].t-t) {
			best = i
		}
	}
	return &s.epochs[best]
}

// forward runs the filter over everything and keeps a node at every epoch, and
// about every 0.1 s where there is none.
func (s *Smoother) forward() {
	f := &s.f
	var iw, ie int
	corr := navigation.ClassNone // class whose correlated error the filter carries
	aided := math.Inf(-1)
	var recent r3.Vec // rad/s, mean rate since the node before
	for s.from < len(s.imu) {
		for ie < len(s.epochs) && s.epochs[ie].t-f.Latency < f.T {
			ie++
		}
		next := f.T + nodeEvery
		var e *epoch
		if ie < len(s.epochs) && s.epochs[ie].t-f.Latency <= next {
			e = &s.epochs[ie]
			next = e.t - f.Latency
			ie++
		}
		start := f.T
		turned, moved, hole := s.advance(next)
		if !(f.T > start) && e == nil {
			break
		}
		var aWorld r3.Vec
		if d := f.T - start; d > 0 {
			recent = r3.Scale(1/d, turned)
			aWorld = r3.Scale(1/d, moved)
		}
		nd := node{phi: transition(f)}
		f.Flush()
		// Without inertial samples the car may have done anything.
		for i := range 3 {
			f.Inflate(eskf.IVel+i, holeAcc*holeAcc*hole)
			f.Inflate(eskf.IAtt+i, holeRate*holeRate*hole)
		}
		if e != nil && e.class != navigation.ClassNone {
			white, ch, cv := s.cfg.GNSS.Noise(&e.Epoch, e.class)
			if e.class != corr {
				// Another kind of solution has an error of its own.
				f.SetCorr(ch, cv, s.cfg.GNSS.CorrTime)
				for i := range 3 {
					nd.phi[eskf.ICorr+i] = vector{}
				}
				corr = e.class
			}
			f.Params.CorrSigmaH, f.Params.CorrSigmaV = ch, cv
			s.position(&nd, e, white, recent)
			s.velocity(&nd, e, recent, aWorld)
			s.heading(&nd, e)
		}
		if s.atRest(f.T) {
			if f.T-aided >= 2*nodeEvery {
				aided = f.T
				s.observe(&nd, f.ZeroVelocity(0.02*0.02), 100)
				s.observe(&nd, f.ZeroRate(recent, 5e-4*5e-4), 100)
			}
		} else {
			s.wheels(&nd, &iw, recent)
		}
		nd.state, nd.p = f.State, pack(&f.P)
		s.nodes = append(s.nodes, nd)
	}
}
