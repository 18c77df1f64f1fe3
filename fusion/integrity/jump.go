package integrity

import "math"

// JumpTest compares the displacement a receiver reports between two epochs
// with the displacement the inertial sensor saw over the same interval. Its
// covariance holds only the two epochs' own noise and the inertial growth, so
// it sees "the position jumped" apart from "the filter is off".
type JumpTest struct{ Gate }

// NewJumpTest returns the test of a 3-D displacement at false-alarm
// probability pfa an epoch and missed-detection probability pmd.
func NewJumpTest(pfa, pmd float64) JumpTest { return JumpTest{NewGate(pfa, pmd, 3)} }

// Steps remembers the steps a receiver has taken since it was last trusted. A
// step away and the opposite step back close one another; while the sum is
// not closed the receiver is on a foot of its own, whatever it says of itself.
type Steps struct {
	Open  bool
	Sum   Vec3    // m, ENU: where the receiver stands against where it should
	Var   Sym3    // m^2, covariance of Sum
	Count int     // steps taken
	First float64 // host Unix s of the first
}

// Add notes one more step y with covariance s at host time t.
func (st *Steps) Add(t float64, y *Vec3, s *Sym3) {
	if !st.Open {
		*st = Steps{Open: true, First: t}
	}
	st.Count++
	for i := range 3 {
		st.Sum[i] += y[i]
		for j := range 3 {
			st.Var[i][j] += s[i][j]
		}
	}
}

// Size returns how far from where it should be the receiver stands, m.
func (st *Steps) Size() float64 {
	return math.Sqrt(st.Sum[0]*st.Sum[0] + st.Sum[1]*st.Sum[1] + st.Sum[2]*st.Sum[2])
}

// Closed reports whether the steps cancel: their sum is within what their
// covariance explains at threshold (chi-square, 3 degrees of freedom).
func (st *Steps) Closed(threshold float64) bool {
	return st.Open && st.Count >= 2 && NIS(&st.Sum, &st.Var, 3) <= threshold
}

// Close forgets the steps.
func (st *Steps) Close() { *st = Steps{} }

// JumpNoise is what a difference of two displacements may be off by honestly.
type JumpNoise struct {
	Dt            float64    // s between the two epochs
	Vel           Sym3       // (m/s)², of the filter's velocity
	Latency       float64    // s², of the latency by which epochs are placed in time
	Acc           Vec3       // m/s², ENU, without gravity
	White, Before [3]float64 // m², white noise of both epochs
	CorrH, CorrV  float64    // m, slow error of the receiver, 1 sigma
	CorrTime      float64    // s, its time constant
}

// Cov returns the covariance of the difference, m², ENU: both epochs' white
// noise, what the slow error may change, what the filter's velocity and time of
// validity may be off.
func (n *JumpNoise) Cov() Sym3 {
	var s Sym3
	dt := n.Dt
	dv := [3]float64{n.Acc[0] * dt, n.Acc[1] * dt, n.Acc[2] * dt} // change of velocity, for the latency
	grow := decorrelated(dt, n.CorrTime)
	for i := range 3 {
		for j := range 3 {
			s[i][j] = n.Vel[i][j]*dt*dt + n.Latency*dv[i]*dv[j]
		}
		c := n.CorrH
		if i == 2 {
			c = n.CorrV
		}
		s[i][i] += n.White[i] + n.Before[i] + grow*c*c
	}
	return s
}
