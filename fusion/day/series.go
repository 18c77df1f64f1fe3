package day

import (
	"math"

	"kerbline/fusion/score"
	"kerbline/gnss/geodesy"
)

// Range is the span of a figure over a bin. Empty, it answers NaN.
type Range struct {
	lo, hi float64
	any    bool
}

// Add takes v into the range; NaN is left out.
func (r *Range) Add(v float64) {
	switch {
	case math.IsNaN(v):
	case !r.any:
		r.lo, r.hi, r.any = v, v, true
	default:
		r.lo, r.hi = math.Min(r.lo, v), math.Max(r.hi, v)
	}
}

// Join takes o into the range.
func (r *Range) Join(o Range) {
	if o.any {
		r.Add(o.lo)
		r.Add(o.hi)
	}
}

// Lo returns the least value, NaN when there was none.
func (r Range) Lo() float64 {
	if !r.any {
		return math.NaN()
	}
	return r.lo
}

// Hi returns the greatest value, NaN when there was none.
func (r Range) Hi() float64 {
	if !r.any {
		return math.NaN()
	}
	return r.hi
}

// Bin is what happened within one step of the time axis.
type Bin struct {
	Verdict [numVerdicts]float64 // s by verdict
	Link    [numConditions]float64
	Quality [NumClasses]float64

	Of [NumQuantities]Range
}

// Quantity is a figure over time. The first nine are those of the protection
// levels: Of[int(axis)*3+PL], AL and Err, m, m and rad; Err is the error against
// the truth, absolute.
type Quantity int

const (
	PL Quantity = iota
	AL
	Err
	Age   Quantity = 3*Quantity(score.NumAxes) + iota - 3 // s
	Sats                                                  // number
	CN0                                                   // dB-Hz
	Speed                                                 // m/s
	Cap                                                   // m/s
	Coast                                                 // s
	NumQuantities
)

// At is q of the axis: lateral, along, heading.
func (q Quantity) At(a score.Axis) Quantity { return 3*Quantity(a) + q }

func (b *Bin) join(o *Bin) {
	for i, s := range o.Verdict {
		b.Verdict[i] += s
	}
	for i, s := range o.Link {
		b.Link[i] += s
	}
	for i, s := range o.Quality {
		b.Quality[i] += s
	}
	for i, r := range o.Of {
		b.Of[i].Join(r)
	}
}

const (
	firstStep = 0.5  // s
	maxBins   = 1200 // then neighbours are joined and the step doubles
)

// Series is the session over time in at most maxBins steps of equal length:
// however long it lasts, every extreme is kept.
type Series struct {
	Step float64 // s
	Bins []Bin
}

// bin returns the bin of x, making room as needed.
func (s *Series) bin(x float64) *Bin {
	if s.Step == 0 {
		s.Step = firstStep
		s.Bins = make([]Bin, 0, maxBins)
	}
	for int(x/s.Step) >= maxBins {
		n := len(s.Bins)
		for i := 0; i < n; i += 2 {
			s.Bins[i/2] = s.Bins[i]
			if i+1 < n {
				s.Bins[i/2].join(&s.Bins[i+1])
			}
		}
		s.Bins = s.Bins[:(n+1)/2]
		s.Step *= 2
	}
	i := max(0, int(x/s.Step))
	for len(s.Bins) <= i {
		s.Bins = append(s.Bins, Bin{})
	}
	return &s.Bins[i]
}

// Worst returns the worst verdict of b, in the order usable, coasting,
// unproven, unusable; ok is false for an empty bin.
func (b *Bin) Worst() (v int, ok bool) {
	for _, v := range badness {
		if b.Verdict[v] > 0 {
			return v, true
		}
	}
	return 0, false
}

// Point is a place driven through.
type Point struct {
	E, N    float64 // m, in Track.Frame
	X       float64
	Verdict uint8 // worst since the point before
	Cut     bool  // the line does not lead here from the point before
}

const maxPoints = 4096

// Track is the driven line, thinned so that it never has more than maxPoints.
type Track struct {
	Frame   geodesy.Frame // at the first point
	Spacing float64       // m
	Points  []Point
	worst   uint8
	cut     bool
	rank    int
}

func (t *Track) add(pos geodesy.LLA, x float64, verdict uint8) {
	if t.Spacing == 0 {
		t.Frame = geodesy.NewFrame(pos)
		t.Spacing = 1
		t.cut = true
	}
	p := t.Frame.FromLLA(pos)
	e, n := p.E, p.N
	if r := rankOf[verdict]; r > t.rank {
		t.rank, t.worst = r, verdict
	}
	if k := len(t.Points); k > 0 && !t.cut {
		p := &t.Points[k-1]
		if math.Hypot(e-p.E, n-p.N) < t.Spacing {
			return
		}
	}
	if len(t.Points) == maxPoints {
		kept := t.Points[:0]
		for i := 0; i < maxPoints; i += 2 {
			p := t.Points[i]
			if i > 0 { // what the point left out said
				q := &t.Points[i-1]
				if rankOf[q.Verdict] > rankOf[p.Verdict] {
					p.Verdict = q.Verdict
				}
				p.Cut = p.Cut || q.Cut
			}
			kept = append(kept, p)
		}
		t.Points = kept
		t.Spacing *= 2
	}
	v := t.worst
	if t.rank == 0 {
		v = verdict
	}
	t.Points = append(t.Points, Point{E: e, N: n, X: x, Verdict: v, Cut: t.cut})
	t.rank, t.worst, t.cut = 0, verdict, false
}

// lift breaks the line: the position was lost.
func (t *Track) lift() { t.cut = true }
