package columns

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Reference is what the receiver reports of the same drive: the times of its
// epochs, how fast its course turned and how fast it was. The slices are of one
// length and may be empty.
type Reference struct {
	From, To float64   // Unix s, first and last epoch
	T        []float64 // Unix s
	Rate     []float64 // rad/s, of the course, counter-clockwise
	Speed    []float64 // m/s
}

// left and forward return the accelerations of the drive, m/s².
func (r *Reference) left() []float64 {
	a := make([]float64, len(r.T))
	for i := range a {
		a[i] = r.Speed[i] * r.Rate[i]
	}
	return a
}

func (r *Reference) forward() []float64 {
	a := make([]float64, len(r.T))
	for i := 1; i < len(a); i++ {
		a[i] = (r.Speed[i] - r.Speed[i-1]) / (r.T[i] - r.T[i-1])
	}
	return a
}

// Recognised is what the numbers of a table say of its columns.
type Recognised struct {
	List   string  // for the settings
	Offset float64 // s, to be added to the times to make them Unix s
	Sure   bool    // the turns of the drive confirm it; else it rests on sizes alone
	Clock  string  // in words: what the times count
	Rough  bool    // the clock has no date: the offset is known to a tenth of a second
}

const (
	leastRows  = 50
	evenShare  = 0.9  // of steps in time within a factor of two of the median
	leastCorr  = 0.8  // correlation of yaw rate and course rate that confirms
	lagSearch  = 30.0 // s, by which a clock of another computer may be off
	lagStep    = 0.05 // s
	bin        = 0.5  // s, over which rates are compared
	gpsEpoch   = 315964800.0
	leapNow    = 18.0 // s, GPS minus UTC since 2017-01-01 (IERS Bulletin C 52)
	week       = 604800.0
	clockSlack = 3600.0 // s: closer than this two clocks mean the same
)

// RecogniseIMU finds time, rates and specific forces among the columns of some
// lines of an inertial sensor, spread over the recording. The error says what
// could not be found.
func RecogniseIMU(lines [][]byte, ref Reference) (Recognised, error) {
	m, err := matrixOf(lines)
	if err != nil {
		return Recognised{}, err
	}
	clk, err := m.clock(ref)
	if err != nil {
		return Recognised{}, err
	}
	yaw := m.yaw(clk, &ref)
	clk.offset += yaw.lag
	force, unit, up, err := m.force(clk, &ref)
	if err != nil {
		return Recognised{}, err
	}
	gyro := m.gyro(clk, force, up, yaw)
	if gyro < 0 {
		return Recognised{}, fmt.Errorf("columns: no three columns besides the specific force at %d read like turn rates", force+1)
	}
	list := make([]string, m.cols)
	for i := range list {
		list[i] = "-"
	}
	list[clk.col] = "t" + bracket(clk.unit, "s")
	for i, axis := range []string{"x", "y", "z"} {
		list[force+i], list[gyro+i] = "f"+axis, "w"+axis
	}
	list[force] += bracket(unit, "m/s^2")
	list[gyro] += bracket(yaw.unit, "rad/s")
	return Recognised{List: strings.Join(list, ","), Offset: clk.offset, Sure: yaw.col >= 0, Clock: clk.words, Rough: clk.rough || yaw.lag != 0}, nil
}

func bracket(unit, own string) string {
	if unit == own {
		return ""
	}
	return "[" + unit + "]"
}

// matrix is a table of numbers, NaN where a field is none.
type matrix struct {
	cols int
	rows [][]float64
}

func matrixOf(lines [][]byte) (*matrix, error) {
	count := map[int]int{}
	var all [][]float64
	for _, line := range lines {
		sep := separator(line)
		var row []float64
		good := 0
		for f := range split(line, sep, len(line)+1) {
			x, ok := value(f, Speed, sep)
			if !ok {
				x, ok = value(f, Time, sep)
			}
			if !ok {
				x = math.NaN()
			} else if !math.IsNaN(x) {
				good++
			}
			row = append(row, x)
		}
		if good >= 2 {
			all = append(all, row)
			count[len(row)]++
		}
	}
	m := &matrix{}
	for n, c := range count {
		if c > count[m.cols] || c == count[m.cols] && n > m.cols {
			m.cols = n
		}
	}
	for _, row := range all {
		if len(row) == m.cols {
			m.rows = append(m.rows, row)
		}
	}
	if len(m.rows) < leastRows {
		return nil, fmt.Errorf("columns: %d lines of numbers, want %d or more to tell what they hold", len(m.rows), leastRows)
	}
	return m, nil
}

func (m *matrix) col(i int) []float64 {
	c := make([]float64, len(m.rows))
	for k, r := range m.rows {
		c[k] = r[i]
	}
	return c
}

func median(x []float64) float64 {
	s := slices.DeleteFunc(slices.Clone(x), math.IsNaN)
	if len(s) == 0 {
		return math.NaN()
	}
	slices.Sort(s)
	return s[len(s)/2]
}

// clockOf is the column of the times.
type clockOf struct {
	col    int
	unit   string
	scale  float64 // to s
	offset float64 // s, to Unix s
	rough  bool    // the offset is only near: a clock without a date
	words  string
	score  float64
}

// clock finds the times: a column that rises evenly and, in one of the units,
// covers about the time that the receiver does.
func (m *matrix) clock(ref Reference) (clockOf, error) {
	best := clockOf{col: -1}
	for i := range m.cols {
		c := m.col(i)
		span := c[len(c)-1] - c[0]
		rises := 0
		for k := 1; k < len(c); k++ {
			if c[k] >= c[k-1] {
				rises++
			}
		}
		if !(span > 0) || float64(rises) < 0.99*float64(len(c)-1) {
			continue
		}
		for _, u := range []struct {
			name  string
			scale float64
		}{{"s", 1}, {"ms", 1e-3}, {"us", 1e-6}, {"ns", 1e-9}} {
			cand := clockOf{col: i, unit: u.name, scale: u.scale}
			cand.place(c[0]*u.scale, c[len(c)-1]*u.scale, ref)
			if cand.score > best.score {
				best = cand
			}
		}
	}
	if best.col < 0 {
		return best, fmt.Errorf("columns: no column rises like a time that covers the receiver's %.0f s", ref.To-ref.From)
	}
	return best, nil
}

// place finds which clock has first and last, s, at the ends of the drive. The
// score says how well they fit: best where the clock has a date.
func (c *clockOf) place(first, last float64, ref Reference) {
	known := ref.To > ref.From
	span, want := last-first, ref.To-ref.From
	if known && !(span > 0.2*want && span < 5*want) {
		return // another unit, or a counter
	}
	like := 1.0
	if known {
		like = 1 - math.Abs(math.Log(span/want))/2
	}
	inside := func(offset float64) bool {
		return known && first+offset < ref.To+clockSlack && last+offset > ref.From-clockSlack
	}
	toGPS := gpsEpoch - leapNow
	ofWeek := math.Floor((ref.From+leapNow-gpsEpoch)/week)*week + toGPS
	ofDay := math.Floor(ref.From/86400) * 86400
	for _, k := range []struct {
		offset float64
		words  string
		score  float64
	}{
		{0, "Unix time", 4}, {toGPS, "seconds of GPS time", 4},
		{ofWeek, "seconds of the GPS week", 3}, {ofDay, "seconds of the day", 3},
	} {
		if inside(k.offset) && like+k.score > c.score {
			c.offset, c.words, c.score, c.rough = k.offset, k.words, like+k.score, false
		}
	}
	if c.score == 0 && !known && first > 1e9 && first < 4e9 {
		c.words, c.score = "Unix time", 4
	}
	if c.score == 0 && known {
		c.offset, c.words, c.score, c.rough = ref.From-first, "a clock of its own", like, true
	}
}

// times returns the time of each row, Unix s.
func (m *matrix) times(clk clockOf) []float64 {
	t := m.col(clk.col)
	for k := range t {
		t[k] = t[k]*clk.scale + clk.offset
	}
	return t
}

// force finds three columns beside one another whose size is gravity in one of
// the units; of several, those on which the drive's accelerations show. up is
// which of the three gravity is on.
func (m *matrix) force(clk clockOf, ref *Reference) (at int, unit string, up int, err error) {
	shows := make([]float64, m.cols)
	if len(ref.T) >= leastRows {
		t := m.times(clk)
		for _, a := range [][]float64{ref.left(), ref.forward()} {
			by := Reference{From: ref.From, To: ref.To, T: ref.T, Rate: a}
			best, col := 0.3, -1
			for i := range shows {
				if _, corr, _ := follow(t, m.col(i), &by, 0); i != clk.col && math.Abs(corr) > best {
					best, col = math.Abs(corr), i
				}
			}
			if col >= 0 {
				shows[col] += best
			}
		}
	}
	best := math.Inf(-1)
	at = -1
	for i := 0; i+2 < m.cols; i++ {
		if clk.col >= i && clk.col <= i+2 {
			continue
		}
		n := m.norms(i)
		size := median(n)
		dev := make([]float64, len(n))
		for k := range n {
			dev[k] = math.Abs(n[k] - size)
		}
		spread := median(dev) / size
		for _, u := range []string{"m/s^2", "g", "mg"} {
			off := math.Abs(math.Log(size * forceUnits[u] / standardGravity))
			if fit := shows[i] + shows[i+1] + shows[i+2] - off - spread; off < 0.2 && spread < 0.3 && fit > best {
				best, at, unit = fit, i, u
			}
		}
	}
	if at < 0 {
		return at, "", 0, fmt.Errorf("columns: no three columns have the size of gravity, 9.8 m/s^2 or 1 g or 1000 mg, want specific forces")
	}
	for axis := range 3 {
		if math.Abs(median(m.col(at+axis))) > math.Abs(median(m.col(at+up))) {
			up = axis
		}
	}
	return at, unit, up, nil
}

func (m *matrix) norms(i int) []float64 {
	n := make([]float64, len(m.rows))
	for k, r := range m.rows {
		n[k] = math.Sqrt(r[i]*r[i] + r[i+1]*r[i+1] + r[i+2]*r[i+2])
	}
	return n
}

// yawOf is the column that turns with the course.
type yawOf struct {
	col  int // -1 when none does
	unit string
	lag  float64 // s, to be added to the times
}

func (m *matrix) yaw(clk clockOf, ref *Reference) yawOf {
	if y := m.yawWithin(clk, ref, 0); y.col >= 0 && !clk.rough {
		return y
	}
	return m.yawWithin(clk, ref, lagSearch)
}

func (m *matrix) yawWithin(clk clockOf, ref *Reference, reach float64) yawOf {
	y := yawOf{col: -1, unit: "rad/s"}
	t := m.times(clk)
	best := leastCorr
	for i := range m.cols {
		if i == clk.col {
			continue
		}
		lag, corr, slope := follow(t, m.col(i), ref, reach)
		if math.Abs(corr) <= best {
			continue
		}
		for _, u := range []string{"rad/s", "deg/s", "mdeg/s", "mrad/s"} {
			if math.Abs(math.Log(math.Abs(slope)*rateUnits[u])) < 0.25 {
				best, y = math.Abs(corr), yawOf{i, u, lag}
			}
		}
	}
	return y
}

// gyro finds three columns beside one another that are not the forces: with the
// yaw rate on the axis that gravity is on, or anywhere among them; without turns
// those whose medians are nearest to zero.
func (m *matrix) gyro(clk clockOf, force, up int, yaw yawOf) int {
	free := func(i int) bool {
		return i >= 0 && i+2 < m.cols && (clk.col < i || clk.col > i+2) && (i+2 < force || i > force+2)
	}
	if yaw.col >= 0 {
		for _, axis := range []int{up, 2, 1, 0} {
			if at := yaw.col - axis; free(at) {
				return at
			}
		}
		return -1
	}
	at, least := -1, math.Inf(1)
	for i := range m.cols {
		if !free(i) {
			continue
		}
		off := 0.0
		for axis := range 3 {
			off = math.Max(off, math.Abs(median(m.col(i+axis))))
		}
		if median(m.norms(i)) > 0 && off < least {
			least, at = off, i
		}
	}
	return at
}

// follow compares a column with the receiver's turn rate: at the lag (s, to be
// added to t) at which they correlate best, the correlation and the slope.
func follow(t, x []float64, ref *Reference, reach float64) (lag, corr, slope float64) {
	if len(ref.T) < leastRows {
		return 0, 0, 0
	}
	from := ref.T[0]
	n := int((ref.T[len(ref.T)-1]-from)/bin) + 1
	rate := means(ref.T, ref.Rate, from, n)
	for l := -reach; l <= reach+1e-9; l += lagStep {
		shifted := from - l
		mine := means(t, x, shifted, n)
		var k, sx, sy, sxx, sxy, syy float64
		for i := range n {
			if y, r := mine[i], rate[i]; !math.IsNaN(y) && !math.IsNaN(r) {
				k, sx, sy, sxx, sxy, syy = k+1, sx+r, sy+y, sxx+r*r, sxy+r*y, syy+y*y
			}
		}
		vx, vy, cov := sxx-sx*sx/k, syy-sy*sy/k, sxy-sx*sy/k
		if c := cov / math.Sqrt(vx*vy); k >= leastRows/2 && vx/k > 0.02*0.02 && math.Abs(c) > math.Abs(corr) {
			lag, corr, slope = l, c, cov/vx
		}
	}
	return lag, corr, slope
}

// means returns the means of x over n intervals from a time on, NaN where there
// is none.
func means(t, x []float64, from float64, n int) []float64 {
	sum, count := make([]float64, n), make([]float64, n)
	for k := range t {
		if i := int(math.Floor((t[k] - from) / bin)); i >= 0 && i < n && !math.IsNaN(x[k]) {
			sum[i] += x[k]
			count[i]++
		}
	}
	for i := range sum {
		sum[i] /= count[i] // NaN for none
	}
	return sum
}

// RecogniseWheel finds time and speed among the columns of some lines of a wheel,
// spread over the recording.
func RecogniseWheel(lines [][]byte, ref Reference) (Recognised, error) {
	m, err := matrixOf(lines)
	if err != nil {
		return Recognised{}, err
	}
	clk, err := m.clock(ref)
	if err != nil {
		return Recognised{}, err
	}
	t := m.times(clk)
	byTime := Reference{From: ref.From, To: ref.To, T: ref.T, Rate: ref.Speed}
	best, at, unit, lag, sign := leastCorr, -1, "", 0.0, ""
	for _, reach := range []float64{0, lagSearch} {
		if at >= 0 && !clk.rough {
			break
		}
		for i := range m.cols {
			if i == clk.col {
				continue
			}
			l, corr, slope := follow(t, m.col(i), &byTime, reach)
			if math.Abs(corr) <= best {
				continue
			}
			for _, u := range []string{"m/s", "km/h", "mph", "kn", "mm/s", "cm/s"} {
				if math.Abs(math.Log(math.Abs(slope)*speedUnits[u])) < 0.04 {
					best, at, unit, lag, sign = math.Abs(corr), i, u, l, ""
					if slope < 0 {
						sign = "-"
					}
				}
			}
		}
	}
	if at < 0 {
		return Recognised{}, fmt.Errorf("columns: none of %d columns follows the receiver's speed in m/s, km/h, mph, kn, cm/s or mm/s", m.cols)
	}
	list := make([]string, m.cols)
	for i := range list {
		list[i] = "-"
	}
	list[clk.col] = "t" + bracket(clk.unit, "s")
	list[at] = sign + "v" + bracket(unit, "m/s")
	return Recognised{List: strings.Join(list, ","), Offset: clk.offset + lag, Sure: true, Clock: clk.words, Rough: clk.rough || lag != 0}, nil
}

// sameClock is how far apart two readings of a time may be and be of one clock:
// the turns decide the rest, s.
const sameClock = 1.0

// SameAs reports whether the table reads a line as what was recognised would.
func (t *Table) SameAs(found Recognised, line []byte) bool {
	other, err := newTable(found.List, found.Offset, t.want)
	if err != nil {
		return false
	}
	a, b := make([]float64, len(t.want)), make([]float64, len(t.want))
	if bad, _ := t.Numbers(line, a); bad >= 0 {
		return false
	}
	if bad, _ := other.Numbers(line, b); bad >= 0 {
		return false
	}
	for i := range a {
		tol := 1e-6 * (1 + math.Abs(b[i]))
		if t.want[i] == Time {
			tol = sameClock
		}
		if !(math.Abs(a[i]-b[i]) <= tol) {
			return false
		}
	}
	return true
}
