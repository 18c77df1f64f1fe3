package singlepoint

import (
	"math"

	"kerbline/gnss/atmosphere"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// Solver holds what the solutions of one receiver share. It allocates nothing
// after its first solution.
type Solver struct {
	Sets       *orbit.Store
	Ionosphere atmosphere.Klobuchar // zero where unknown
	Mask       float64              // least elevation, rad; 0 is 10 degrees

	rows [maxRows]row
	n    int
}

// Ionosphere says how the ionosphere was taken out.
type Ionosphere uint8

const (
	Unmodelled    Ionosphere = iota // not at all: the error model is wide
	Broadcast                       // Klobuchar's model
	DualFrequency                   // the combination of two frequencies
)

// String returns the model in words.
func (i Ionosphere) String() string {
	switch i {
	case Broadcast:
		return "broadcast ionosphere model"
	case DualFrequency:
		return "two frequencies"
	}
	return "ionosphere unmodelled"
}

// Failure says why there is no solution.
type Failure uint8

const (
	Solved        Failure = iota
	NoEphemerides         // not one satellite has a set that serves
	TooFew                // fewer satellites with a set than unknowns
	Diverged              // the geometry is too poor, or the codes are no ranges
	Inconsistent          // residuals contradict each other, whichever satellite is left out
)

// String returns the reason in words.
func (f Failure) String() string {
	switch f {
	case Solved:
		return "solved"
	case NoEphemerides:
		return "no ephemerides"
	case TooFew:
		return "too few satellites with ephemerides"
	case Diverged:
		return "no position from these ranges"
	}
	return "the ranges contradict each other"
}

// System is the residual test of one system.
type System struct {
	Used, Excluded int
	Clock          float64 // m, receiver clock against the system's time
	RMS            float64 // m, of the residuals of the satellites used
	Statistic      float64 // sum of squared normalized residuals
	Threshold      float64 // that it passes once in 1e5; 0 where nothing is redundant
}

// Passed reports whether the residuals of the system are what its error model
// expects.
func (s *System) Passed() bool { return s.Threshold == 0 || s.Statistic <= s.Threshold }

// Solution is one position.
type Solution struct {
	Failure  Failure
	Pos      geodesy.ECEF // m
	Sigma    geodesy.ENU  // m, by the error model
	Model    Ionosphere   // of the poorest satellite used
	Used     int
	Excluded int
	Without  int // satellites observed without a set that serves
	Systems  [satellite.NSystems]System
}

const (
	maxRows     = 96
	maxUnknowns = 3 + int(satellite.NSystems)
	defaultMask = 10 * geodesy.Degree
	// outlier is the normalized residual beyond which a satellite is excluded:
	// once in 1e5 by the normal law (common practice 3 to 5, no source).
	outlier = 4.42
)

// row is one satellite in the adjustment.
type row struct {
	sat      satellite.ID
	sent     geodesy.ECEF // m, Earth-fixed at transmission
	code     float64      // m, with satellite clock and group delay taken out
	model    Ionosphere
	hz       float64
	unknown  int // column of its system's clock
	excluded bool
	low      bool // below the mask

	elevation, azimuth float64
	tow                float64
	direction          [3]float64 // unit vector from satellite to receiver
	residual, variance float64
	leverage           float64 // of its own observation on its own residual
}

// out reports whether a row takes no part.
func (r *row) out() bool { return r.excluded || r.low }

// Solve places the receiver of an epoch. near (may be zero) starts the search.
func (s *Solver) Solve(e *observation.Epoch, near geodesy.ECEF) Solution {
	var sol Solution
	s.gather(e, &sol)
	if s.n == 0 {
		sol.Failure = NoEphemerides
		if sol.Without == 0 {
			sol.Failure = TooFew
		}
		return sol
	}
	pos := near
	for masked := false; ; {
		var cov [9]float64
		var clocks [maxUnknowns]float64
		pos, sol.Failure = s.adjust(pos, &clocks, &cov)
		if sol.Failure != Solved {
			return sol
		}
		if !masked {
			masked = true
			if s.mask() {
				continue
			}
		}
		worst := s.worst()
		if worst < 0 {
			s.report(&sol, pos, &clocks, &cov)
			return sol
		}
		s.rows[worst].excluded = true
		sol.Excluded++
		if sol.Excluded > s.n/2 {
			sol.Failure = Inconsistent
			return sol
		}
	}
}

// worst returns the used satellite of the largest normalized residual beyond
// the limit, -1 if there is none.
func (s *Solver) worst() int {
	worst, most := -1, outlier
	for i := range s.rows[:s.n] {
		r := &s.rows[i]
		if r.out() || r.leverage > 0.999 {
			continue
		}
		if w := math.Abs(r.residual) / math.Sqrt(r.variance*(1-r.leverage)); w > most {
			worst, most = i, w
		}
	}
	return worst
}

// unknowns gives every system in use a clock and returns how many unknowns
// there are and how many satellites.
func (s *Solver) unknowns() (n, used int) {
	var column [satellite.NSystems]int
	n = 3
	for i := range s.rows[:s.n] {
		r := &s.rows[i]
		if r.out() {
			continue
		}
		sys := clockOf(r.sat.System)
		if column[sys] == 0 {
			column[sys] = n
			n++
		}
		r.unknown = column[sys]
		used++
	}
	return n, used
}

// clockOf is the system whose time a system shares.
func clockOf(s satellite.System) satellite.System {
	if s == satellite.QZSS || s == satellite.SBAS {
		return satellite.GPS
	}
	return s
}

// adjust iterates weighted least squares from pos on.
func (s *Solver) adjust(pos geodesy.ECEF, clocks *[maxUnknowns]float64, cov *[9]float64) (geodesy.ECEF, Failure) {
	n, used := s.unknowns()
	if used < n {
		return pos, TooFew
	}
	for range 12 {
		placed := pos.Dist(geodesy.ECEF{}) > 6e6 && pos.Dist(geodesy.ECEF{}) < 7e6
		s.linearize(pos, placed)
		var a normal
		a.n = n
		for i := range s.rows[:s.n] {
			r := &s.rows[i]
			if !r.out() {
				a.add(r, r.residual-clocks[r.unknown])
			}
		}
		x, ok := a.solve()
		if !ok {
			return pos, Diverged
		}
		pos.X, pos.Y, pos.Z = pos.X+x[0], pos.Y+x[1], pos.Z+x[2]
		for k := 3; k < n; k++ {
			clocks[k] += x[k]
		}
		step := math.Sqrt(x[0]*x[0] + x[1]*x[1] + x[2]*x[2])
		if math.IsNaN(step) || step > 1e9 {
			return pos, Diverged
		}
		if placed && step < 1e-4 {
			s.linearize(pos, true)
			for i := range s.rows[:s.n] {
				r := &s.rows[i]
				if !r.out() {
					r.residual -= clocks[r.unknown]
					r.leverage = a.leverage(r)
				}
			}
			a.covariance(cov)
			if h := pos.LLA().H; h < -1000 || h > 30000 {
				return pos, Diverged
			}
			return pos, Solved
		}
	}
	return pos, Diverged
}

// linearize sets direction, residual (without the receiver's clock) and
// variance of every row at pos. Until the receiver is placed the air is left
// out and all satellites weigh alike.
func (s *Solver) linearize(pos geodesy.ECEF, placed bool) {
	frame := geodesy.NewFrame(pos.LLA())
	lla := frame.Origin()
	for i := range s.rows[:s.n] {
		r := &s.rows[i]
		at := orbit.Rotate(r.sent, pos.Dist(r.sent)/satellite.SpeedOfLight)
		d := pos.Dist(at)
		r.direction = [3]float64{(pos.X - at.X) / d, (pos.Y - at.Y) / d, (pos.Z - at.Z) / d}
		r.residual = r.code - d
		r.variance = 100
		if !placed {
			continue
		}
		r.azimuth, r.elevation = orbit.Look(&frame, at)
		s.air(r, lla)
	}
}

// mask leaves out what stands too low, seen from where the receiver is; it
// reports whether anything does.
func (s *Solver) mask() (any bool) {
	least := s.Mask
	if least == 0 {
		least = defaultMask
	}
	for i := range s.rows[:s.n] {
		r := &s.rows[i]
		r.low = r.elevation < least
		any = any || r.low
	}
	return any
}

// report fills in the solution from the last adjustment.
func (s *Solver) report(sol *Solution, pos geodesy.ECEF, clocks *[maxUnknowns]float64, cov *[9]float64) {
	sol.Pos = pos
	frame := geodesy.NewFrame(pos.LLA())
	sol.Sigma = sigmas(&frame, cov)
	sol.Model = DualFrequency
	var redundancy [satellite.NSystems]float64
	for i := range s.rows[:s.n] {
		r := &s.rows[i]
		t := &sol.Systems[r.sat.System]
		if r.excluded {
			t.Excluded++
		}
		if r.out() {
			continue
		}
		sol.Used++
		t.Used++
		t.Clock = clocks[r.unknown]
		t.RMS += r.residual * r.residual
		t.Statistic += r.residual * r.residual / r.variance
		redundancy[r.sat.System] += 1 - r.leverage
		if r.model < sol.Model { // in the order of what they leave
			sol.Model = r.model
		}
	}
	for sys := range sol.Systems {
		t := &sol.Systems[sys]
		if t.Used > 0 {
			t.RMS = math.Sqrt(t.RMS / float64(t.Used))
		}
		if redundancy[sys] > 0.5 {
			t.Threshold = chiSquare(redundancy[sys])
		}
	}
}

// sigmas turns a covariance in Earth-fixed axes to standard deviations in a
// local frame.
func sigmas(f *geodesy.Frame, cov *[9]float64) geodesy.ENU {
	var axis [3]geodesy.ENU // of X, Y, Z
	axis[0], axis[1], axis[2] = f.RotateToENU(1, 0, 0), f.RotateToENU(0, 1, 0), f.RotateToENU(0, 0, 1)
	var v geodesy.ENU
	for i := range 3 {
		for k := range 3 {
			c := cov[3*i+k]
			v.E += axis[i].E * axis[k].E * c
			v.N += axis[i].N * axis[k].N * c
			v.U += axis[i].U * axis[k].U * c
		}
	}
	return geodesy.ENU{E: math.Sqrt(v.E), N: math.Sqrt(v.N), U: math.Sqrt(v.U)}
}

// chiSquare returns what a chi-square variable of k degrees of freedom (a
// fraction too) passes once in 1e5, up to 12 % too much: the cube-root
// approximation of Wilson and Hilferty 1931.
func chiSquare(k float64) float64 {
	const z = 4.264890794 // one-sided normal quantile of 1 - 1e-5
	c := 1 - 2/(9*k) + z*math.Sqrt(2/(9*k))
	return k * c * c * c
}
