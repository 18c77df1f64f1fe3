package crosscheck

import (
	"fmt"
	"math"
	"strings"

	"kerbline/fusion/columns"
	"kerbline/fusion/symptoms"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Told is what the settings say of what is compared.
type Told struct {
	IMU, Wheel             string      // columns, as the settings or the lines of names have them
	IMUOffset, WheelOffset float64     // s
	Mount                  quat.Number // of the samples' axes to the body's
	Latency                float64     // s, of the receiver, as used for the times of fixes
}

const (
	leastRows  = 40   // stretches of driving that say anything
	leastTurns = 0.04 // rad/s, root mean square, that show a gyro
	alike      = 0.85 // correlation of turns of one and the same motion
	sharp      = 0.95 // the same, where a lag of a fraction of a second is read from it
	// far is how far the clocks may be apart to be found, bins: 100 s, half of what is
	// kept.
	far  = 500
	near = 6
)

const gravity = 9.80665 // m/s², CGPM 1901

// fit is what the drive shows on the sensor's axes.
type fit struct {
	rows       int
	turns      float64    // rad/s, root mean square of the receiver's
	lag        float64    // s, of the samples behind the receiver
	sLag       float64    // s, 1 sigma of it
	offset     float64    // s, mean of the fixes' times after the begin of their stretch less the samples'
	corr       float64    // of the axis that follows the turns best, at that lag
	gyro       [3]float64 // of each gyro per rad/s of turn
	over       [3]float64 // of each gyro, correlation with the turns
	up         [3]float64 // force with no acceleration, m/s²
	fwd, left  [3]float64 // force per m/s² of acceleration
	sFwd, sLft float64    // 1 sigma of those, each axis
	banking    float64    // share of gravity that banked bends put on the side, per m/s² of acceleration to the left
	slack      float64    // s, by which clocks may be apart
	meanW      float64    // size of the mean of the rates
	meanF      float64
	forceTurns float64 // best correlation of a force with the turns
}

// Explain says which setting would make receiver and sensors agree; None where
// they do or nothing shows. wide also looks for clocks that are up to half a minute
// apart.
//
// Clocks that are apart by less than slack, s, are left alone.
func (h *History) Explain(told *Told, wide bool, slack float64) symptoms.Finding {
	half := h.half()
	if h.same > 500 {
		return symptoms.Finding{ID: symptoms.IMUStuck, Seen: fmt.Sprintf("%.0f samples of the inertial sensor in a row were the same", h.same)}
	}
	h.gather(half)
	h.gatherSamples(half)
	lag, corr, rows, turns := h.bestLag(near)
	if wide && (rows < leastRows || corr < 0.9 || math.Abs(lag) > slack) {
		if l, c, n, w := h.bestLag(far); n >= leastRows && c >= sharp {
			lag, corr, rows, turns = l, c, n, w
			h.apart = int64(math.Round(lag / binLength))
		}
	}
	if rows < leastRows || turns < leastTurns {
		return symptoms.Finding{}
	}
	x := &h.x
	h.fit(x, int64(math.Round(lag/binLength)))
	x.lag, x.corr, x.turns = lag-x.offset, corr, turns
	x.sLag = h.lagSigma(lag, corr)
	if x.rows < leastRows {
		return symptoms.Finding{}
	}
	x.slack = slack
	for _, ask := range [...]func(*fit, *Told) (symptoms.Finding, bool){exchanged, units, signs, clock, mounting} {
		if f, ok := ask(x, told); ok {
			return f
		}
	}
	return symptoms.Finding{}
}

// alikeOdds is the log-likelihood ratio up to which two lags explain the motion
// alike, 1 in 1000. Laps repeat: of lags that do the least one counts.
const alikeOdds = 7.0

const (
	// leastNoise is the share of the variance that no lag explains, of motions taken
	// over stretches, and leastTimes the factor between two of them that is no work of
	// lags between the stretches. Common practice, no source.
	leastNoise = 2e-3
	leastTimes = 2.5
)

// worse returns the log-likelihood ratio of correlation top to c, of n stretches: what
// a correlation leaves of the variance is noise.
func worse(c, top float64, n int) float64 {
	left := func(c float64) float64 { return math.Max(leastNoise, 1-c*c) }
	times := left(c) / left(top)
	if times < leastTimes {
		return 0
	}
	return float64(n) / correlated / 2 * math.Log(times)
}

// peak returns the top of the parabola through the correlation c at l and its
// neighbours, and where it is, as far as half a step away.
func peak(l int64, c float64, corr func(l int64) (c float64, n int)) (at, top float64) {
	before, n1 := corr(l - 1)
	after, n2 := corr(l + 1)
	d := before - 2*c + after
	if n1 < leastRows || n2 < leastRows || !(d < 0) {
		return float64(l), c
	}
	x := math.Max(-1, math.Min(1, (before-after)/(2*d)))
	return float64(l) + x, math.Min(1, c+math.Abs((before-after)*x/4))
}

// least returns the lag of the least size within most bins that explains the motion
// as well as any, or kept where that does, and whether one does at all.
func least(most, kept int64, corr func(l int64) (c float64, n int)) (at int64, best float64, ok bool) {
	// hill is the lag at the top of the hill that l is at the foot of or on; within the
	// range only tops count.
	hill := func(l int64) (top int64, c float64, ok bool) {
		c, n := corr(l)
		if n < leastRows {
			return l, c, false
		}
		for step := int64(-1); step <= 1; step += 2 {
			if up, n := corr(l + step); n >= leastRows && up > c {
				if l > -most && l < most {
					return l, c, false
				}
				for n >= leastRows && up > c {
					l, c = l+step, up
					up, n = corr(l + step)
				}
			}
		}
		return l, c, true
	}
	top := -1.0
	for l := -most; l <= most; l++ {
		if at, c, ok := hill(l); ok {
			_, t := peak(at, c, corr)
			top = math.Max(top, t)
		}
	}
	if top < 0 {
		return 0, 0, false
	}
	alike := func(l int64) bool {
		at, best, ok = hill(l)
		if !ok {
			return false
		}
		_, t := peak(at, best, corr)
		_, n := corr(at)
		return worse(t, top, n) < alikeOdds
	}
	for d := int64(-1); d <= 1 && kept != 0; d++ {
		if alike(kept + d) {
			return at, best, true
		}
	}
	for size := int64(0); size <= most; size++ {
		if alike(size) || alike(-size) {
			return at, best, true
		}
	}
	return 0, 0, false
}

// bestLag returns by how much the samples lag the receiver's turns, s, at the lag
// within most bins at which one of their axes follows them best.
func (h *History) bestLag(most int64) (lag, corr float64, rows int, turns float64) {
	kept := h.apart
	if most < far {
		kept = 0
	}
	at, best, ok := least(most, kept, func(l int64) (float64, int) {
		c, _, n, _ := h.follow(l, -1)
		return c, n
	})
	if !ok {
		return 0, 0, 0, 0
	}
	_, axis, rows, turns := h.follow(at, -1)
	x, _ := peak(at, best, func(l int64) (float64, int) {
		c, _, n, _ := h.follow(l, axis)
		return c, n
	})
	return x * binLength, best, rows, turns
}

// lagSigma returns how well a lag is known: the correlation of a motion with itself
// falls by ω²/2 a second squared, and what it is short of one is noise.
func (h *History) lagSigma(lag, corr float64) float64 {
	at := int64(math.Round(lag / binLength))
	_, axis, n, _ := h.follow(at, -1)
	before, _, _, _ := h.follow(at-2, axis)
	after, _, _, _ := h.follow(at+2, axis)
	fall := (2*corr - before - after) / (2 * binLength * 2 * binLength)
	return math.Sqrt((1-corr*corr)*correlated/float64(n)/math.Max(fall, 1e-6)) / corr
}

// follow correlates the gyros, or one of them, with the receiver's turns at a lag in
// bins.
func (h *History) follow(l int64, only int) (corr float64, axis, n int, rms float64) {
	var k, sx, sxx float64
	var sy, sxy, syy [3]float64
	for i := range h.rows[:h.nRows] {
		r := &h.rows[i]
		s, ok := h.near(r.key + l)
		if !ok {
			continue
		}
		k, sx, sxx = k+1, sx+r.rate, sxx+r.rate*r.rate
		for a, w := range s.w {
			sy[a] += w
			sxy[a] += r.rate * w
			syy[a] += w * w
		}
	}
	for a := range 3 {
		c := math.Abs(sxy[a]-sx*sy[a]/k) / math.Sqrt((sxx-sx*sx/k)*(syy[a]-sy[a]*sy[a]/k))
		if (only < 0 || a == only) && c > corr {
			corr, axis = c, a
		}
	}
	return corr, axis, int(k), math.Sqrt(sxx / math.Max(k, 1))
}

// fit regresses rates on turns, and forces on accelerations, at a lag in bins.
func (h *History) fit(x *fit, l int64) {
	*x = fit{}
	var n normal // of 1, forward, left
	var y [3][3]float64
	var sr, srr, yy float64
	var sw, srw, sww, sf, srf, sff, mw [3]float64
	for i := range h.rows[:h.nRows] {
		r := &h.rows[i]
		s, ok := h.near(r.key + l)
		if !ok {
			continue
		}
		w, f := s.w, s.f
		x.rows++
		b := &h.bins[uint64(r.key+l)%numBins]
		x.offset += r.since - float64(b.after/b.n)
		a := [3]float64{1, r.fwd, r.left}
		n.add(a)
		sr, srr = sr+r.rate, srr+r.rate*r.rate
		for k := range 3 {
			for j := range 3 {
				y[k][j] += a[j] * f[k]
			}
			yy += f[k] * f[k]
			sw[k], srw[k], sww[k] = sw[k]+w[k], srw[k]+r.rate*w[k], sww[k]+w[k]*w[k]
			sf[k], srf[k], sff[k] = sf[k]+f[k], srf[k]+r.rate*f[k], sff[k]+f[k]*f[k]
			mw[k] += w[k]
		}
	}
	inv, ok := n.inverse()
	if !ok || x.rows < leastRows {
		x.rows = 0
		return
	}
	k := float64(x.rows)
	x.offset /= k
	explained := 0.0
	for a := range 3 {
		var b [3]float64
		for i := range 3 {
			for j := range 3 {
				b[i] += inv[i][j] * y[a][j]
			}
			explained += b[i] * y[a][i]
		}
		x.up[a], x.fwd[a], x.left[a] = b[0], b[1], b[2]
		vr := srr - sr*sr/k
		x.gyro[a] = (srw[a] - sr*sw[a]/k) / vr
		x.over[a] = (srw[a] - sr*sw[a]/k) / math.Sqrt(vr*(sww[a]-sw[a]*sw[a]/k))
		x.forceTurns = math.Max(x.forceTurns, math.Abs(srf[a]-sr*sf[a]/k)/math.Sqrt(vr*(sff[a]-sf[a]*sf[a]/k)))
		mw[a] /= k
	}
	x.banking = gravity * h.rolls(x, l)
	noise := math.Max(0, yy-explained) / (3 * k)
	x.sFwd, x.sLft = math.Sqrt(noise*inv[1][1]*correlated), math.Sqrt(noise*inv[2][2]*correlated)
	x.meanW, x.meanF = norm(mw), norm(x.up)
}

// rolls returns how far the car rolls for a leftward acceleration, rad per m/s², of
// either sign: what the gyros other than the turning one read while it changes.
func (h *History) rolls(x *fit, l int64) float64 {
	var jj float64
	var jw [3]float64
	for i := 1; i < h.nRows-1; i++ {
		after, r, before := &h.rows[i-1], &h.rows[i], &h.rows[i+1]
		s, ok := h.near(r.key + l)
		if !ok || after.key != r.key+1 || before.key != r.key-1 {
			continue
		}
		j := (after.left - before.left) / (2 * binLength)
		jj += j * j
		for a, w := range s.w {
			jw[a] += j * w
		}
	}
	if jj == 0 {
		return 0
	}
	turn := unit(x.gyro)
	along := dot(jw, turn)
	for a := range jw {
		jw[a] = (jw[a] - along*turn[a]) / jj
	}
	return norm(jw)
}

// correlated is how many stretches tell as much as one: they overlap.
const correlated = 4

func norm(v [3]float64) float64 { return math.Sqrt(v[0]*v[0] + v[1]*v[1] + v[2]*v[2]) }

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func unit(v [3]float64) [3]float64 {
	n := norm(v)
	return [3]float64{v[0] / n, v[1] / n, v[2] / n}
}

func cross(a, b [3]float64) [3]float64 {
	return [3]float64{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

// exchanged finds rates where forces should be.
func exchanged(x *fit, told *Told) (symptoms.Finding, bool) {
	_, g := nearest(x.meanW, gravity, forceFactors)
	if g == "" || x.meanF > x.meanW/3 || x.corr > x.forceTurns {
		return symptoms.Finding{}, false
	}
	list, ok := columns.Rewrite(told.IMU, func(c *columns.Column) {
		switch c.Of {
		case columns.GyroX, columns.GyroY, columns.GyroZ:
			c.Of += columns.ForceX - columns.GyroX
		case columns.ForceX, columns.ForceY, columns.ForceZ:
			c.Of -= columns.ForceX - columns.GyroX
		}
		c.Scale = 1
	})
	f := symptoms.Finding{ID: symptoms.IMUColumns, Seen: fmt.Sprintf("gravity shows where the turn rates should be, %.2f on average", x.meanW)}
	if ok {
		f.Set = fmt.Sprintf("columns.imu = %q", list)
	}
	return f, true
}

// factor is what a wrong unit makes of a number.
type factor struct {
	by   float64 // what is read, of what it should be
	name string
}

var (
	forceFactors = []factor{{1 / gravity, "g"}, {1e3 / gravity, "mg"}, {gravity, "m/s^2 read as g"}, {1 / gravity / 1e3, "m/s^2 read as mg"}, {1, "m/s^2"}}
	rateFactors  = []factor{{180 / math.Pi, "deg/s"}, {180e3 / math.Pi, "mdeg/s"}, {1e3, "mrad/s"}, {math.Pi / 180, "rad/s read as deg/s"}, {1, "rad/s"}}
)

// nearest returns the factor by which size differs from what it should be.
func nearest(size, should float64, of []factor) (by float64, name string) {
	for _, f := range of {
		if math.Abs(math.Log(size/should/f.by)) < 0.15 {
			return f.by, f.name
		}
	}
	return 0, ""
}

// units finds gravity or turns of another size.
func units(x *fit, told *Told) (symptoms.Finding, bool) {
	byF, nameF := nearest(x.meanF, gravity, forceFactors)
	size := 0.0
	for a := range 3 {
		if math.Abs(x.over[a]) > 0.5 {
			size += x.gyro[a] * x.gyro[a]
		}
	}
	size = math.Sqrt(size)
	byW, nameW := nearest(size, 1, rateFactors)
	var seen []string
	switch {
	case nameF == "" && x.meanF < 0.2*gravity:
		return symptoms.Finding{ID: symptoms.IMUUnits, Set: "",
			Seen: fmt.Sprintf("gravity is missing: specific force is %.2f m/s^2 on average, want 9.8: let the sensor send the whole specific force, gravity not taken off", x.meanF)}, true
	case nameF == "":
		seen = append(seen, fmt.Sprintf("specific force is %.2f m/s^2 on average, want 9.8", x.meanF))
	case byF != 1:
		seen = append(seen, fmt.Sprintf("specific force is %.2f on average, want 9.8 m/s^2: it looks like %s", x.meanF, nameF))
	}
	switch {
	case x.corr < alike:
	case nameW == "" && (size/(x.corr*x.corr) < 0.8 || size > 1.25):
		// Noise of the course makes the slope smaller, by no more than the correlation
		// squared: what lies between may be nothing but noise.
		seen = append(seen, fmt.Sprintf("the gyros turn %.2f times as fast as the course, want 1", size))
	case nameW != "" && byW != 1:
		seen = append(seen, fmt.Sprintf("the gyros turn %.1f times as fast as the course: it looks like %s", size, nameW))
	}
	if len(seen) == 0 {
		return symptoms.Finding{}, false
	}
	f := symptoms.Finding{ID: symptoms.IMUUnits, Seen: strings.Join(seen, "; ")}
	if nameF != "" && (nameW != "" || x.corr < alike) {
		if byW == 0 {
			byW = 1
		}
		list, ok := columns.Rewrite(told.IMU, func(c *columns.Column) {
			switch {
			case c.Of >= columns.GyroX && c.Of <= columns.GyroZ:
				c.Scale /= byW
			case c.Of >= columns.ForceX && c.Of <= columns.ForceZ:
				c.Scale /= byF
			}
		})
		if ok {
			f.Set = fmt.Sprintf("columns.imu = %q", list)
		}
	}
	return f, true
}

// axes are the body's axes in those of the samples, as the forces show them, and
// whether they show at all.
func (x *fit) axes() (fwd, left, up [3]float64, fwdOK, leftOK bool) {
	const (
		clear = 8.0 // sigmas
		// flat is the share of gravity up to which bends are not banked: a soft car rolls
		// by 5 deg per g, 0.09. Common practice, no source. Where they are, a slow car is
		// pulled into them, and left reads as right.
		flat = 0.15
	)
	up = unit(x.up)
	fwdOK = norm(x.fwd) > clear*x.sFwd && norm(x.fwd) > 0.5
	leftOK = norm(x.left) > clear*x.sLft && norm(x.left) > 0.5 && x.banking < flat
	return unit(x.fwd), unit(x.left), up, fwdOK, leftOK
}

// signs finds axes that no turn of the sensor explains: turned round one by one,
// or in each other's place.
func signs(x *fit, told *Told) (symptoms.Finding, bool) {
	none := symptoms.Finding{}
	if x.corr < alike {
		return none, false
	}
	fwd, left, up, fwdOK, leftOK := x.axes()
	turn := unit(x.gyro)
	along := dot(turn, up)
	mirrored := fwdOK && leftOK && dot(cross(fwd, left), up) < -0.5
	var how func(c *columns.Column)
	seen := ""
	switch {
	case mirrored:
		seen = "the axes are left-handed: forward and left show with gravity as in a mirror"
		if axis, ok := largest(left); ok {
			how = func(c *columns.Column) {
				if c.Of == columns.ForceX+columns.Quantity(axis) || c.Of == columns.GyroX+columns.Quantity(axis) {
					c.Scale = -c.Scale
				}
			}
			if along < 0 { // as vectors of turns are in a mirror
				how = func(c *columns.Column) {
					if c.Of == columns.ForceX+columns.Quantity(axis) || c.Of >= columns.GyroX && c.Of <= columns.GyroZ && c.Of != columns.GyroX+columns.Quantity(axis) {
						c.Scale = -c.Scale
					}
				}
			}
		}
	case along < -0.9:
		seen = "the yaw gyro turns against the course while gravity shows upwards"
		if axis, ok := largest(turn); ok {
			how = func(c *columns.Column) {
				if c.Of == columns.GyroX+columns.Quantity(axis) {
					c.Scale = -c.Scale
				}
			}
		}
	case math.Abs(along) < 0.6:
		g, ok1 := largest(turn)
		u, ok2 := largest(up)
		seen = fmt.Sprintf("the turns show on the %c gyro, gravity on the %c accelerometer: their axes are crossed", 'x'+rune(g), 'x'+rune(u))
		if ok1 && ok2 {
			how = func(c *columns.Column) {
				if c.Of >= columns.GyroX && c.Of <= columns.GyroZ {
					c.Of = columns.GyroX + columns.Quantity((int(c.Of-columns.GyroX)+u-g+3)%3)
				}
			}
		}
	default:
		return none, false
	}
	f := symptoms.Finding{ID: symptoms.IMUColumns, Seen: seen}
	if how != nil {
		if list, ok := columns.Rewrite(told.IMU, how); ok {
			f.Set = fmt.Sprintf("columns.imu = %q", list)
		}
	}
	return f, true
}

// largest returns the axis that a direction is on, and whether it is near it.
func largest(v [3]float64) (axis int, ok bool) {
	for i := range v {
		if math.Abs(v[i]) > math.Abs(v[axis]) {
			axis = i
		}
	}
	return axis, math.Abs(v[axis]) > 0.9
}

const (
	// ClockSlack is how far apart clocks may seem whose difference the filter's own
	// latency takes up, s.
	ClockSlack = 0.15
	lagSigmas  = 4
	// LeastClock is the least difference of clocks that the turns show for sure, s.
	LeastClock = 0.06
)

// clock finds stamps of another clock.
func clock(x *fit, told *Told) (symptoms.Finding, bool) {
	if x.corr < sharp || math.Abs(x.lag) < x.slack+lagSigmas*x.sLag {
		return symptoms.Finding{}, false
	}
	// Either the samples are late by the lag, or the fixes were placed early by it:
	// a receiver needs 30 to 200 ms, common practice, no source.
	if latency := told.Latency - x.lag; latency > 0.02 && latency < 0.35 {
		return symptoms.Finding{ID: symptoms.GNSSLatency, Set: fmt.Sprintf("gnss.latency_s = %.2f", latency),
			Seen: fmt.Sprintf("the receiver's turns come %.2f s %s those of the inertial sensor", math.Abs(x.lag), sooner(-x.lag))}, true
	}
	return symptoms.Finding{ID: symptoms.IMUClock, Set: fmt.Sprintf("columns.imu_offset_s = %.2f", told.IMUOffset-x.lag),
		Seen: fmt.Sprintf("the turns show on the inertial sensor %.2f s %s on the receiver", math.Abs(x.lag), sooner(x.lag))}, true
}

func sooner(lag float64) string {
	if lag > 0 {
		return "later than"
	}
	return "sooner than"
}

// mountSigmas is how far beyond its own sigma a turn must be: hills and the car's own
// pitch and roll are in it.
const mountSigmas = 6

// mountSlack is the turn of a sensor in the car that the filter copes with, rad.
const mountSlack = 9 * math.Pi / 180

// mounting finds a sensor that is turned in the car.
func mounting(x *fit, told *Told) (symptoms.Finding, bool) {
	fwd, left, up, fwdOK, leftOK := x.axes()
	if !fwdOK && !leftOK || x.corr < alike {
		return symptoms.Finding{}, false
	}
	// Gravity is sharpest; of the others the one that shows better.
	if leftOK && (!fwdOK || x.sLft/norm(x.left) < x.sFwd/norm(x.fwd)) {
		fwd = unit(cross(left, up))
		left = cross(up, fwd)
	} else {
		left = unit(cross(up, fwd))
		fwd = cross(left, up)
	}
	turned := (fwd[0] + left[1] + up[2] - 1) / 2 // cosine of the angle
	sigma := math.Min(x.sFwd/norm(x.fwd), x.sLft/norm(x.left))
	if tilt := math.Acos(max(-1, min(1, up[2]))); math.Acos(max(-1, min(1, turned))) < mountSlack+mountSigmas*sigma && tilt < mountSlack {
		return symptoms.Finding{}, false
	}
	// The settings' mounting, and then the turn from what they call the body to it.
	m := [3]r3.Vec{{X: 1}, {Y: 1}, {Z: 1}}
	var total [3][3]float64
	for j := range m {
		v := r3.Vec(r3.Rotation(told.Mount).Rotate(m[j]))
		for i, row := range [3][3]float64{fwd, left, up} {
			total[i][j] = row[0]*v.X + row[1]*v.Y + row[2]*v.Z
		}
	}
	const degree = math.Pi / 180
	square(&total)
	yaw, pitch, roll := math.Atan2(total[1][0], total[0][0]), math.Asin(-max(-1, min(1, total[2][0]))), math.Atan2(total[2][1], total[2][2])
	if math.Abs(total[2][0]) > 0.9999 { // nose up or down: yaw and roll are one
		yaw, roll = math.Atan2(-total[0][1], total[1][1]), 0
	}
	return symptoms.Finding{ID: symptoms.IMUMounting,
		Set:  fmt.Sprintf("imu.mount_yaw_deg = %s, imu.mount_pitch_deg = %s, imu.mount_roll_deg = %s", angle(yaw/degree), angle(pitch/degree), angle(roll/degree)),
		Seen: fmt.Sprintf("gravity and the car's accelerations show the sensor turned by %.0f deg from what the settings say", math.Acos(max(-1, min(1, turned)))/degree)}, true
}

// square takes a rotation that is nearly one by right angles for that: people mount
// sensors so, and the drive shows no more.
func square(m *[3][3]float64) {
	const close = 0.98 // cosine of 11 deg
	var r [3][3]float64
	for i := range 3 {
		for j := range 3 {
			if math.Abs(m[i][j]) > close {
				r[i][j] = math.Copysign(1, m[i][j])
			}
		}
		if norm(r[i]) != 1 {
			return
		}
	}
	*m = r
}

// angle writes an angle in whole degrees, 180 without a sign.
func angle(deg float64) string {
	a := math.Round(deg)
	if a == -180 {
		a = 180
	}
	return fmt.Sprintf("%.1f", a+0)
}

// normal is a sum of products of three columns.
type normal [3][3]float64

func (n *normal) add(a [3]float64) {
	for i := range 3 {
		for j := range 3 {
			n[i][j] += a[i] * a[j]
		}
	}
}

// inverse returns the inverse, and whether there is one.
func (n *normal) inverse() (inv [3][3]float64, ok bool) {
	det := 0.0
	for i := range 3 {
		for j := range 3 {
			a, b, c, d := (j+1)%3, (j+2)%3, (i+1)%3, (i+2)%3
			inv[i][j] = n[a][c]*n[b][d] - n[a][d]*n[b][c]
		}
	}
	for j := range 3 {
		det += n[0][j] * inv[j][0]
	}
	if !(math.Abs(det) > 1e-9*n[0][0]*n[1][1]*n[2][2]) {
		return inv, false
	}
	for i := range 3 {
		for j := range 3 {
			inv[i][j] /= det
		}
	}
	return inv, true
}

// ExplainWheel says which setting would make the wheel agree with the receiver's
// speed; None where it does or nothing shows.
func (h *History) ExplainWheel(told *Told) symptoms.Finding {
	half := h.half()
	h.gather(half)
	const clear = 0.05 // of correlation
	here, _ := h.followSpeed(half, 0)
	if here > 1-clear { // no lag can be better by that much
		return symptoms.Finding{}
	}
	at, best, ok := least(far, 0, func(l int64) (float64, int) { return h.followSpeed(half, l) })
	if lag := float64(at) * binLength; ok && best > 0.95 && math.Abs(lag) > 2*binLength && best-here > clear {
		return symptoms.Finding{ID: symptoms.WheelClock, Set: fmt.Sprintf("columns.wheel_offset_s = %.1f", told.WheelOffset-lag),
			Seen: fmt.Sprintf("the wheel's speed comes %.1f s %s the receiver's", math.Abs(lag), sooner(lag))}
	}
	return symptoms.Finding{}
}

// followSpeed correlates the wheel with the receiver's speed at a lag in bins.
func (h *History) followSpeed(half, l int64) (corr float64, n int) {
	var k, sx, sy, sxx, sxy, syy float64
	for i := range h.rows[:h.nRows] {
		r := &h.rows[i]
		v, ok := h.wheel(r.key+l, half)
		if !ok {
			continue
		}
		k, sx, sy, sxx, sxy, syy = k+1, sx+r.speed, sy+v, sxx+r.speed*r.speed, sxy+r.speed*v, syy+v*v
	}
	if vx := sxx/k - sx*sx/(k*k); !(vx > 0.3*0.3) {
		return 0, 0
	}
	return (sxy - sx*sy/k) / math.Sqrt((sxx-sx*sx/k)*(syy-sy*sy/k)), int(k)
}
