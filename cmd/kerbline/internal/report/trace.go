package report

import (
	"math"

	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/satellite"
)

// Moment is a verdict line as the enlarged figures show it. NaN and -1 mean unknown.
type Moment struct {
	X       float64 // s after the first verdict line
	Verdict fusion.Verdict
	E, N    float32 // m from the first position; NaN without one
	// The error ellipse of the position, 1 sigma: m along Dir and across it. Dir in
	// rad from east, counter-clockwise.
	Along, Across, Dir float32
	Level, Limit       float32                  // m, lateral
	Age                float32                  // s, of the corrections
	Sats               [satellite.NSystems]int8 // received, by constellation; Sats[0] is -1 where unknown
	Used               int8                     // by the receiver
}

// maxMoments bounds a trace: beyond, every other one is left out and the step
// doubles, so that of any length some 3 h at 10 Hz stay.
const maxMoments = 1 << 17

// Trace keeps a run for the enlarged figures. The zero value is ready.
type Trace struct {
	Moments []Moment
	frame   geodesy.Frame
	placed  bool
	every   int // lines a moment
	n       int
	shift   float64
	last    float64
}

// freshSky is how old, in s, what was said of the satellites may be.
const freshSky = 3.0

// Add takes a verdict line; nil is none.
func (t *Trace) Add(s *fusion.Snapshot) {
	if s == nil {
		return
	}
	if t.every == 0 {
		t.every, t.shift, t.last = 1, -s.T, s.T
	}
	if dt := s.T - t.last; dt < 0 { // as package day does where the clock is set back
		t.shift += 0.1 - dt
	}
	t.last = s.T
	if t.n++; (t.n-1)%t.every != 0 {
		return
	}
	if len(t.Moments) == maxMoments {
		for i := range maxMoments / 2 {
			t.Moments[i] = t.Moments[2*i]
		}
		t.Moments = t.Moments[:maxMoments/2]
		t.every *= 2
	}
	nan := float32(math.NaN())
	m := Moment{X: s.T + t.shift, Verdict: s.Verdict & 3, E: nan, N: nan, Along: float32(s.SigmaLon), Across: float32(s.SigmaLat), Dir: float32(score.Direction(s)),
		Level: float32(s.PLLat.Total), Limit: float32(s.ALLat), Age: nan}
	if s.HasPos && s.Pos.Valid() {
		if !t.placed {
			t.frame, t.placed = geodesy.NewFrame(s.Pos), true
		}
		p := t.frame.FromLLA(s.Pos)
		m.E, m.N = float32(p.E), float32(p.N)
	}
	m.Sats[0], m.Used = -1, -1
	if s.EpochAge < freshSky {
		m.Age, m.Used = float32(s.Epoch.Age), int8(min(s.Epoch.Sats, math.MaxInt8))
	}
	switch r := s.Reception; {
	case r != nil && s.T-r.Rover.Last < freshSky:
		m.Sats = r.Rover.Systems
	case s.EpochAge < freshSky && s.Epoch.Tracked >= 0:
		m.Sats = s.Epoch.Of
	}
	t.Moments = append(t.Moments, m)
}

// between returns the moments from a to b, x.
func (t *Trace) between(a, b float64) []Moment {
	if t == nil {
		return nil
	}
	i, j := 0, len(t.Moments)
	for i < j && t.Moments[i].X < a {
		i++
	}
	for j > i && t.Moments[j-1].X > b {
		j--
	}
	return t.Moments[i:j]
}
