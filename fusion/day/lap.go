package day

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"kerbline/fusion"
)

// placeLength is the length of a place along the lap in m; longer ones are
// taken where the lap has more than maxPlaces of them.
const (
	placeLength = 5.0
	maxPlaces   = 1024
	maxLaps     = 512
)

// badness lists the verdicts from the worst to the best.
var badness = [numVerdicts]int{int(fusion.Unusable), int(fusion.Unproven), int(fusion.Coasting), int(fusion.Usable)}

// rankOf orders verdicts: 1 usable to 4 unusable.
var rankOf = [numVerdicts]int{fusion.Usable: 1, fusion.Coasting: 2, fusion.Unproven: 3, fusion.Unusable: 4}

// Place is what all passes of one place came to, settled driving only.
type Place struct {
	Passes int                  // times driven through
	Good   int                  // of these, usable throughout
	Sec    [numVerdicts]float64 // s by verdict
	Fixed  float64              // s with a fixed position
	Ratio  [numAxes]Mean        // PL/AL while fixes are in use
	Cap    Range                // m/s
	Speed  Range                // m/s
	Budget Range                // s, coast budget on usable lines
	line   Mean                 // m left of the centre line, a value a usable pass
}

// Mean is a running mean.
type Mean struct {
	N   int
	Avg float64
	M2  float64
	Max float64
}

// Add takes v; NaN is left out.
func (m *Mean) Add(v float64) {
	if math.IsNaN(v) {
		return
	}
	m.N++
	d := v - m.Avg
	m.Avg += d / float64(m.N)
	m.M2 += d * (v - m.Avg)
	if m.N == 1 || v > m.Max {
		m.Max = v
	}
}

// Value returns the mean, NaN when there is none.
func (m *Mean) Value() float64 {
	if m.N == 0 {
		return math.NaN()
	}
	return m.Avg
}

// Lap is one round.
type Lap struct {
	From, To float64 // x
	Whole    bool    // every part of it was driven
	Settled  bool    // all of it was settled driving
	Sec      [numVerdicts]float64
	Cells    []uint8 // by place: rank of the worst verdict, 0 not driven
	Places   int     // driven
	PLRatio  [numAxes]float64
	ShiftE   float64 // m, of the whole lap against the laps before; NaN when unknown
	ShiftN   float64
	Speed    float64 // m/s, highest
}

// Usable returns the usable share of the lap.
func (l *Lap) Usable() float64 {
	return l.Sec[fusion.Usable] / (l.Sec[0] + l.Sec[1] + l.Sec[2] + l.Sec[3])
}

// Shift returns the length of the lap's shift in m, NaN when unknown.
func (l *Lap) Shift() float64 { return math.Hypot(l.ShiftE, l.ShiftN) }

// LapGrid is the session over the lap: places, and laps over places.
type LapGrid struct {
	Length float64 // m, 0 without a map
	Step   float64 // m a place
	Places []Place
	Laps   []Lap // at most maxLaps
	NLaps  int

	cur     Lap
	back    bool    // the line was crossed backwards: the next crossing is no new lap
	place   int     // where the car is or last was, -1 before
	lost    bool    // it is not known where
	lastX   float64 // when it was last known
	settled bool    // throughout this place
	worst   int     // rank here
	gap     int     // worst rank while lost
	cross   Mean    // m, usable lines here
	yaw     float64 // rad, of the course here
	fit     shiftFit
	driven  []float64 // m left of the centre line by place, this lap; NaN where not usable
}

// begin sets the grid up for a lap of length m.
func (g *LapGrid) begin(length float64) {
	n := min(max(1, int(math.Ceil(length/placeLength))), maxPlaces)
	g.Length, g.Step = length, length/float64(n)
	g.Places = make([]Place, n)
	g.driven = make([]float64, n)
	for i := range g.driven {
		g.driven[i] = math.NaN()
	}
	g.place = -1
}

// index returns the place of s metres along the lap.
func (g *LapGrid) index(s float64) int {
	return max(0, min(int(s/g.Step), len(g.Places)-1))
}

// middle returns the middle of place i in m along the lap.
func (g *LapGrid) middle(i int) float64 { return (float64(i) + 0.5) * g.Step }

// Seen returns how many places were passed at least n times.
func (g *LapGrid) Seen(n int) int {
	k := 0
	for i := range g.Places {
		if g.Places[i].Passes >= n {
			k++
		}
	}
	return k
}

const (
	longestGap = 30.0 // s without a known place that is still filled in
	fastest    = 60.0 // m/s
)

// step brings the car to s metres along the lap at x. Places driven over
// between two lines, or while the position was lost, are passed as well.
func (g *LapGrid) step(x, s float64, rank int, settled bool) {
	i, n := g.index(s), len(g.Places)
	switch dt := x - g.lastX; {
	case g.place < 0:
		g.cur.From = x
		g.enter(i, x, settled)
	case i != g.place:
		ahead := (i - g.place + n) % n
		worst := max(rank, g.worst)
		if g.lost {
			worst = max(worst, g.gap)
		}
		if v := float64(ahead) * g.Step / dt; dt > 0 && dt <= longestGap && v <= fastest && ahead < n/2 {
			for range ahead - 1 {
				g.enter((g.place+1)%n, x, settled)
				g.mark(worst)
			}
		}
		g.enter(i, x, settled)
	}
	g.lastX, g.lost, g.gap = x, false, 0
	g.settled = g.settled && settled
	g.mark(rank)
}

func (g *LapGrid) mark(rank int) { g.worst = max(g.worst, rank) }

// lose says that the place is not known; rank is that of the verdict.
func (g *LapGrid) lose(rank int) {
	g.lost = true
	g.gap = max(g.gap, rank)
}

// enter leaves the present place for i.
func (g *LapGrid) enter(i int, x float64, settled bool) {
	n := len(g.Places)
	if was := g.place; was >= 0 {
		g.leave()
		if n >= 8 {
			switch {
			case was >= n-n/4 && i < n/4: // over the line
				if g.back {
					g.back = false
				} else {
					g.endLap(x)
				}
			case was < n/4 && i >= n-n/4:
				g.back = true
			}
		}
	}
	if g.cur.Cells == nil {
		g.cur = Lap{From: x, Settled: true, Cells: make([]uint8, n)}
	}
	g.place, g.settled, g.worst, g.cross = i, settled, 0, Mean{}
}

// leave counts the pass through the present place.
func (g *LapGrid) leave() {
	i := g.place
	p, c := &g.Places[i], &g.cur.Cells[i]
	if *c == 0 {
		g.cur.Places++
	}
	*c = max(*c, uint8(g.worst))
	if !g.settled {
		g.cur.Settled = false
		return
	}
	p.Passes++
	if g.worst == rankOf[fusion.Usable] {
		p.Good++
		if g.cross.N > 0 {
			g.driven[i] = g.cross.Avg
			if p.line.N > 0 {
				g.fit.add(g.yaw, g.cross.Avg-p.line.Avg)
			}
		}
	}
}

// endLap closes the lap.
func (g *LapGrid) endLap(x float64) {
	g.cur.To = x
	n := len(g.Places)
	g.cur.Whole = g.cur.Places >= n-n/20
	g.cur.ShiftE, g.cur.ShiftN = math.NaN(), math.NaN()
	side := g.fit.mean()
	if g.fit.n >= n*6/10 {
		if e, n, o := g.fit.solve(); !math.IsNaN(e) {
			g.cur.ShiftE, g.cur.ShiftN, side = e, n, o
		}
	}
	g.fit = shiftFit{}
	for i, c := range g.driven { // without the side the driver kept to
		g.Places[i].line.Add(c - side)
		g.driven[i] = math.NaN()
	}
	g.NLaps++
	if len(g.Laps) < maxLaps {
		g.Laps = append(g.Laps, g.cur)
	}
	g.cur = Lap{From: x, Settled: true, Cells: make([]uint8, n)}
}

// close ends the last lap, whole or not.
func (g *LapGrid) close(x float64) {
	if g.place < 0 {
		return
	}
	g.leave()
	if g.cur.Places > 0 {
		g.endLap(x)
	}
}

// shiftFit finds the shift of a whole lap from its offsets at many places.
// A driver who keeps left by o and a position shifted by (E, N) give
//
//	offset = -sin(yaw)*E + cos(yaw)*N + o
//
// and round a lap the three are told apart.
type shiftFit struct {
	n int
	a [3][3]float64
	b [3]float64
}

func (f *shiftFit) add(yaw, offset float64) {
	sin, cos := math.Sincos(yaw)
	h := [3]float64{-sin, cos, 1}
	for i := range h {
		for j := range h {
			f.a[i][j] += h[i] * h[j]
		}
		f.b[i] += h[i] * offset
	}
	f.n++
}

// mean returns the mean offset in m, 0 without any.
func (f *shiftFit) mean() float64 {
	if f.n == 0 {
		return 0
	}
	return f.b[2] / float64(f.n)
}

// solve returns east, north and the side kept to in m, NaN where the lap does
// not tell them apart.
func (f *shiftFit) solve() (e, n, o float64) {
	a := mat.NewSymDense(3, nil)
	for i := range 3 {
		for j := i; j < 3; j++ {
			a.SetSym(i, j, f.a[i][j])
		}
	}
	var ch mat.Cholesky
	if !ch.Factorize(a) || ch.Cond() > 1e4 {
		return math.NaN(), math.NaN(), math.NaN()
	}
	var x mat.VecDense
	if ch.SolveVecTo(&x, mat.NewVecDense(3, f.b[:])) != nil {
		return math.NaN(), math.NaN(), math.NaN()
	}
	return x.AtVec(0), x.AtVec(1), x.AtVec(2)
}

// Lap returns the number of the lap that is being driven, from 1 as the session's
// laps are listed; 0 where none is known.
func (c *Collector) Lap() int {
	if g := &c.s.Lap; g.Length > 0 && g.place >= 0 {
		return g.NLaps + 1
	}
	return 0
}

// LapAt returns the index of the lap that was driven at x, -1 for none.
func (s *Session) LapAt(x float64) int {
	for i := range s.Lap.Laps {
		if l := &s.Lap.Laps[i]; x >= l.From && x < l.To {
			return i
		}
	}
	return -1
}
