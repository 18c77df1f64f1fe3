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

// Left returns the covariance of what a filter leaves of an innovation that it has
// taken, of covariance s, by white variances r: y - H·K·y = R·S⁻¹·y, so R·S⁻¹·R. Of
// n axes; the others are zero. It is zero where s is not positive definite.
func Left(s *Sym3, r *Vec3, n int) (c Sym3) {
	a := *s
	if n < 3 {
		a[2] = [3]float64{2: 1}
		a[0][2], a[1][2] = 0, 0
	}
	cof := func(i, j int) float64 {
		i1, i2, j1, j2 := (i+1)%3, (i+2)%3, (j+1)%3, (j+2)%3
		return a[i1][j1]*a[i2][j2] - a[i1][j2]*a[i2][j1]
	}
	det := a[0][0]*cof(0, 0) + a[0][1]*cof(0, 1) + a[0][2]*cof(0, 2)
	if !(det > 0) {
		return c
	}
	for i := range n {
		for j := range n {
			c[i][j] = r[i] * cof(j, i) / det * r[j]
		}
	}
	return c
}

// Sharper returns that of two bounds of one covariance which is smaller
// horizontally.
func Sharper(a, b *Sym3) *Sym3 {
	if b[0][0]+b[1][1] < a[0][0]+a[1][1] {
		return b
	}
	return a
}

// ByInnovations returns the covariance of the difference of two displacements another
// way: it is the innovation of this epoch, of covariance s, less what the filter left
// of the last one, of covariance left, and innovations are white (Kailath 1968, from memory). What
// accelerations the filter allows for grows in it as in the filter's own covariance;
// in that of [JumpNoise.Cov] a velocity is off by the same all the while.
func (n *JumpNoise) ByInnovations(s, left *Sym3) Sym3 {
	var c Sym3
	faded := 1 - math.Exp(-n.Dt/n.CorrTime) // of the slow error, which the displacements hold
	for i := range 3 {
		for j := range 3 {
			c[i][j] = s[i][j] + left[i][j]
		}
		slow := n.CorrH
		if i == 2 {
			slow = n.CorrV
		}
		c[i][i] += faded * faded * slow * slow
	}
	return c
}

// Share learns which share of its covariance a statistic really has: what no fault
// makes of it is chi-square, and where its bounds are wider than the errors it is
// smaller. The zero value is ready.
type Share struct{ mean, weight float64 }

const (
	sharePrior  = 10.0  // statistics that the covariance as it is, is worth
	shareMemory = 300.0 // s
	shareLasts  = 2.5   // factor on what was seen: a bend shows more than the straight before it
	shareClip   = 9.0   // times what is usual, at most, that one counts
)

// Push takes a statistic by its degrees of freedom, dt seconds after the last.
func (q *Share) Push(x, dt float64) {
	q.weight = q.weight*math.Exp(-dt/shareMemory) + 1
	q.mean += (math.Min(x, shareClip*q.seen()) - q.mean) / q.weight
}

func (q *Share) seen() float64 {
	return (sharePrior + q.weight*q.mean) / (sharePrior + q.weight)
}

// Of returns the share of a variance that covers what was seen, 1 at most.
func (q *Share) Of() float64 { return math.Min(1, shareLasts*q.seen()) }

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
