package smooth

import (
	"fmt"
	"math"

	"kerbline/fusion/eskf"
	"kerbline/fusion/navigation"
	"kerbline/gnss/geodesy"
)

const (
	leastIMU = 100 // inertial samples
	noTrust  = 1e4 // positions this many times beyond the gate are not used at all
)

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

// pass gathers the nodes of a filter forward over a recording.
type pass struct {
	d     *navigation.Driver
	nodes []node
}

// Run smooths a recording. It fails where there is nothing to smooth: no IMU,
// no position, a car that never moved.
func Run(rec *navigation.Recording) (*Trajectory, error) {
	if len(rec.IMU) < leastIMU {
		return nil, fmt.Errorf("smooth: %d inertial samples, want %d or more", len(rec.IMU), leastIMU)
	}
	rec.Place()
	s := pass{d: new(navigation.Driver)}
	s.d.Init(rec.Settings, nil)
	s.d.Filter.Params.CovEvery = math.MaxInt
	feed, ok := rec.Start(s.d, rec.Settings.IMU.Mounting())
	if !ok {
		return nil, fmt.Errorf("smooth: no epoch with a heading, or with a course above %g m/s, want one to start from", rec.GNSS.MinCourse)
	}
	s.d.Observer = &s
	s.Disturb()
	feed.Run(s.d, s.epoch)
	s.seal()
	tr := &Trajectory{Frame: rec.Frame, Filtered: make([]Pose, len(s.nodes)), Smoothed: make([]Pose, len(s.nodes))}
	for i := range s.nodes {
		nd := &s.nodes[i]
		p := nd.p.matrix()
		tr.Filtered[i] = pose(nd.state, &p, rec.Zero)
	}
	backward(s.nodes, func(i int, dx *vector, cov *matrix) {
		x := s.nodes[i].state
		x.Correct(dx)
		tr.Smoothed[i] = pose(x, cov, rec.Zero)
	})
	return tr, nil
}

func pose(x eskf.State, p *matrix, zero float64) Pose {
	x.T += zero
	out := Pose{T: x.T, State: x.AtOrigin(), Yaw: x.Yaw(), YawV: x.YawVariance(p)}
	c := x.OriginCov(p)
	for i := range 2 {
		copy(out.Cov[i][:], c[i][:2])
	}
	return out
}

// seal finishes the newest node: the covariance has not moved on since.
func (s *pass) seal() {
	if k := len(s.nodes); k > 0 {
		s.nodes[k-1].p = pack(&s.d.Filter.P)
	}
}

// Disturb begins a node where the filter stands, unless one is there.
func (s *pass) Disturb() {
	f := &s.d.Filter
	if k := len(s.nodes); k > 0 && s.nodes[k-1].state.T == f.T {
		return
	}
	s.seal()
	s.nodes = append(s.nodes, node{state: f.State, phi: transition(f)})
	f.Flush()
	s.nodes[len(s.nodes)-1].state = f.State
}

// Observe takes o as the filter does, and keeps what the backward pass needs.
func (s *pass) Observe(_ navigation.Kind, o *eskf.Obs, gate float64) bool {
	s.Disturb()
	f := &s.d.Filter
	if in := f.Innovation(o); !(in.NIS < gate) {
		return false
	}
	u, ok := take(f, o)
	if ok {
		nd := &s.nodes[len(s.nodes)-1]
		nd.ups = append(nd.ups, u)
		nd.state = f.State
	}
	return ok
}

// epoch takes what an epoch says. A position that does not fit is given as much
// less weight as it misses the gate by: one outlier hardly counts, a receiver that
// insists wins.
func (s *pass) epoch(_ int, e *navigation.Epoch) bool {
	d, f := s.d, &s.d.Filter
	t := e.T - f.Latency
	if e.Class == navigation.ClassNone || !d.Reaches(t) || !d.AdvanceTo(t) {
		return true
	}
	s.Disturb()
	white, fresh := d.Noise(&e.Epoch, e.Class)
	if fresh { // another kind of solution has an error of its own
		nd := &s.nodes[len(s.nodes)-1]
		for i := range 3 {
			nd.phi[eskf.ICorr+i] = vector{}
		}
		nd.state = f.State
	}
	o := d.Position(e.Z, e.HasH, white)
	in := f.Innovation(&o)
	k := in.NIS / navigation.Gates[3]
	if k > 1 {
		for i := range white {
			white[i] = k * math.Max(white[i], in.S[i][i])
		}
		o = d.Position(e.Z, e.HasH, white)
	}
	if !(k > noTrust) {
		s.Observe(navigation.PositionFix, &o, math.Inf(1))
	}
	if o, ok := d.Velocity(&e.Epoch, e.Class); ok && !e.Derived {
		s.Observe(navigation.VelocityFix, &o, navigation.Gates[2])
	}
	d.TakeHeading(&e.Epoch)
	return true
}
