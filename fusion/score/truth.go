package score

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"kerbline/gnss/geodesy"
)

// Truth is a reference trajectory of the body origin over host time.
type Truth struct {
	frame geodesy.Frame
	t     []float64
	pos   []geodesy.ENU // m, in frame
	yaw   []float64     // rad, ENU; nil when the reference has no heading
	sigma []float64     // m, horizontal 1 sigma; nil for a reference taken as exact
	gap   float64       // s, longest interval interpolated over
	torn  []int         // samples after which the clock stepped back: nothing lies between them and the next
}

// Pose is the reference at one instant.
type Pose struct {
	Pos   geodesy.ENU // m, in the frame of the Truth
	Vel   geodesy.ENU // m/s
	Yaw   float64     // rad, ENU, counter-clockwise from east; NaN when unknown
	Sigma float64     // m, horizontal 1 sigma of the reference, 0 for one taken as exact
}

// NewTruth returns an empty reference around origin; fill it with Add.
func NewTruth(origin geodesy.LLA) *Truth {
	return &Truth{frame: geodesy.NewFrame(origin)}
}

// Add appends a sample: host Unix s, position of the body origin, heading (rad,
// ENU; NaN when unknown) and horizontal 1 sigma (m; 0 when taken as exact). Times must rise.
func (tr *Truth) Add(t float64, p geodesy.LLA, yaw, sigma float64) error {
	if math.IsNaN(t) || math.IsInf(t, 0) || !p.Valid() {
		return fmt.Errorf("score: truth sample %d: time %v, position %v, want finite values on the globe", len(tr.t)+1, t, p)
	}
	if n := len(tr.t); n > 0 && t <= tr.t[n-1] {
		return fmt.Errorf("score: truth sample %d: time %.6f after %.6f, want rising times", n+1, t, tr.t[n-1])
	}
	if !(sigma >= 0) {
		return fmt.Errorf("score: truth sample %d: sigma %v m, want 0 or more", len(tr.t)+1, sigma)
	}
	tr.t = append(tr.t, t)
	tr.pos = append(tr.pos, tr.frame.FromLLA(p))
	if tr.yaw == nil && !math.IsNaN(yaw) {
		tr.yaw = make([]float64, len(tr.t)-1)
		for i := range tr.yaw {
			tr.yaw[i] = math.NaN()
		}
	}
	if tr.yaw != nil {
		tr.yaw = append(tr.yaw, yaw)
	}
	if tr.sigma == nil && sigma > 0 {
		tr.sigma = make([]float64, len(tr.t)-1)
	}
	if tr.sigma != nil {
		tr.sigma = append(tr.sigma, sigma)
	}
	tr.gap = 0
	return nil
}

// Seal ends filling. Only a sealed Truth may be read by several goroutines at
// once; [ReadTruth] returns one.
func (tr *Truth) Seal() {
	if len(tr.t) > 1 {
		tr.maxGap()
	}
}

// Frame returns the local frame of the positions.
func (tr *Truth) Frame() *geodesy.Frame { return &tr.frame }

// Span returns the first and last host time, NaN when empty.
func (tr *Truth) Span() (from, to float64) {
	if len(tr.t) == 0 {
		return math.NaN(), math.NaN()
	}
	return tr.t[0], tr.t[len(tr.t)-1]
}

// Exact reports whether the reference is taken as exact.
func (tr *Truth) Exact() bool { return tr.sigma == nil }

// ReadTruth reads CSV with a header holding at least t, lat, lon, h (host Unix
// s, degrees, degrees, m) and optionally yaw (rad, ENU) in any order; further
// columns are ignored. Errors name the line. Where the host clock stepped back,
// host times that came twice are left out, both times.
func ReadTruth(r io.Reader) (*Truth, error) {
	cr := csv.NewReader(r)
	cr.ReuseRecord = true
	cr.TrimLeadingSpace = true
	head, err := cr.Read()
	if err != nil {
		return nil, fmt.Errorf("score: truth: header: %w", err)
	}
	col := map[string]int{}
	for i, h := range head {
		col[strings.ToLower(strings.TrimSpace(strings.TrimPrefix(h, "\ufeff")))] = i
	}
	var at [5]int
	for i, name := range [...]string{"t", "lat", "lon", "h"} {
		c, ok := col[name]
		if !ok {
			return nil, fmt.Errorf("score: truth: header %q has no column %q, want t, lat, lon, h", strings.Join(head, ","), name)
		}
		at[i] = c
	}
	at[4] = -1
	if c, ok := col["yaw"]; ok {
		at[4] = c
	}
	var tr *Truth
	twice := math.Inf(-1) // host times up to here came before the clock stepped back
	for {
		rec, err := cr.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("score: truth: %w", err)
		}
		line, _ := cr.FieldPos(0)
		v := [5]float64{4: math.NaN()}
		for i, c := range at {
			if c < 0 {
				continue
			}
			if i == 4 && rec[c] == "" {
				continue
			}
			if v[i], err = strconv.ParseFloat(rec[c], 64); err != nil {
				return nil, fmt.Errorf("score: truth: line %d: %q, want a number", line, rec[c])
			}
		}
		p := geodesy.LLA{Lat: v[1] * geodesy.Degree, Lon: v[2] * geodesy.Degree, H: v[3]}
		if tr == nil {
			if !p.Valid() {
				return nil, fmt.Errorf("score: truth: line %d: %g, %g, %g, want degrees, degrees, m", line, v[1], v[2], v[3])
			}
			tr = NewTruth(p)
		}
		if n := len(tr.t); n > 0 && v[0] <= tr.t[n-1] {
			// The old clock ran on to some instant before its next sample.
			next := tr.t[n-1]
			if n > 1 {
				next += tr.t[n-1] - tr.t[n-2]
			}
			twice = math.Max(twice, next)
			tr.cut(sort.SearchFloat64s(tr.t, v[0]))
			tr.torn = append(tr.torn, len(tr.t)-1)
		}
		if v[0] <= twice {
			continue
		}
		if err := tr.Add(v[0], p, v[4], 0); err != nil {
			return nil, fmt.Errorf("score: truth: line %d: %w", line, err)
		}
	}
	if tr == nil || len(tr.t) < 2 {
		return nil, fmt.Errorf("score: truth: fewer than two samples")
	}
	tr.Seal()
	return tr, nil
}

// cut keeps the first n samples.
func (tr *Truth) cut(n int) {
	tr.t, tr.pos = tr.t[:n], tr.pos[:n]
	if tr.yaw != nil {
		tr.yaw = tr.yaw[:n]
	}
	if tr.sigma != nil {
		tr.sigma = tr.sigma[:n]
	}
}

// maxGap returns the longest interval that may be interpolated over: four
// usual sampling intervals.
func (tr *Truth) maxGap() float64 {
	if tr.gap == 0 {
		d := make([]float64, len(tr.t)-1)
		for i := range d {
			d[i] = tr.t[i+1] - tr.t[i]
		}
		sort.Float64s(d)
		tr.gap = 4 * d[len(d)/2]
	}
	return tr.gap
}

// At returns the reference at host time t, between samples by cubic Hermite
// interpolation; ok is false outside the reference and inside its gaps. hint is the
// caller's cursor, zero at first; calls with rising t are cheap.
func (tr *Truth) At(t float64, hint *int) (p Pose, ok bool) {
	n := len(tr.t)
	if n < 2 || !(t >= tr.t[0] && t <= tr.t[n-1]) {
		return Pose{}, false
	}
	i := *hint
	if i < 0 || i > n-2 || tr.t[i] > t || i+8 < n && tr.t[i+8] < t {
		i = sort.SearchFloat64s(tr.t, t) - 1
		i = max(0, min(i, n-2))
	}
	for i < n-2 && tr.t[i+1] < t {
		i++
	}
	*hint = i
	h := tr.t[i+1] - tr.t[i]
	if !tr.whole(i) {
		return Pose{}, false
	}
	u := (t - tr.t[i]) / h
	a, b := tr.pos[i], tr.pos[i+1]
	ma, mb := tr.slope(i), tr.slope(i+1)
	herm := func(a, b, ma, mb float64) (x, v float64) {
		ma, mb = ma*h, mb*h
		c2 := 3*(b-a) - 2*ma - mb
		c3 := 2*(a-b) + ma + mb
		return a + u*(ma+u*(c2+u*c3)), (ma + u*(2*c2+3*u*c3)) / h
	}
	p.Pos.E, p.Vel.E = herm(a.E, b.E, ma.E, mb.E)
	p.Pos.N, p.Vel.N = herm(a.N, b.N, ma.N, mb.N)
	p.Pos.U, p.Vel.U = herm(a.U, b.U, ma.U, mb.U)
	p.Yaw = math.NaN()
	if tr.yaw != nil {
		// In a tight bend a straight line between samples is off by a quarter of a
		// degree.
		d := wrap(tr.yaw[i+1] - tr.yaw[i])
		turn, _ := herm(0, d, tr.turn(i), tr.turn(i+1))
		p.Yaw = wrap(tr.yaw[i] + turn)
	}
	if tr.sigma != nil {
		p.Sigma = math.Max(tr.sigma[i], tr.sigma[i+1])
	}
	return p, true
}

// whole reports whether the reference goes on from sample i to the next.
func (tr *Truth) whole(i int) bool {
	return tr.t[i+1]-tr.t[i] <= tr.maxGap() && !slices.Contains(tr.torn, i)
}

// beside returns the samples before and after i; i itself at the ends and
// beside gaps.
func (tr *Truth) beside(i int) (j, k int) {
	j, k = i, i
	if i > 0 && tr.whole(i-1) {
		j--
	}
	if i < len(tr.t)-1 && tr.whole(i) {
		k++
	}
	return j, k
}

// slope is the velocity at sample i, by the parabola through it and its
// neighbours; one-sided at the ends and beside gaps.
func (tr *Truth) slope(i int) geodesy.ENU {
	j, k := tr.beside(i)
	d := func(a, b int) geodesy.ENU {
		h := tr.t[b] - tr.t[a]
		return geodesy.ENU{E: (tr.pos[b].E - tr.pos[a].E) / h, N: (tr.pos[b].N - tr.pos[a].N) / h, U: (tr.pos[b].U - tr.pos[a].U) / h}
	}
	switch {
	case j == i && k == i:
		return geodesy.ENU{}
	case j == i || k == i:
		return d(j, k)
	}
	l, r := d(j, i), d(i, k)
	w := (tr.t[k] - tr.t[i]) / (tr.t[k] - tr.t[j])
	return geodesy.ENU{E: w*l.E + (1-w)*r.E, N: w*l.N + (1-w)*r.N, U: w*l.U + (1-w)*r.U}
}

// turn is the yaw rate at sample i, rad/s, from its neighbours; NaN when a yaw
// is not known.
func (tr *Truth) turn(i int) float64 {
	j, k := tr.beside(i)
	if j == k {
		return 0
	}
	return wrap(tr.yaw[k]-tr.yaw[j]) / (tr.t[k] - tr.t[j])
}

func wrap(a float64) float64 { return math.Remainder(a, 2*math.Pi) }
