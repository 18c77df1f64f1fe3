package calibrate

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion/eskf"
	"kerbline/fusion/navigation"
)

// Verdict says whether a value may be used.
type Verdict uint8

const (
	NoData     Verdict = iota // the recording holds nothing about it
	NotExcited                // it holds too little: the value is not better than a guess
	Measured
)

// String returns the words for reports.
func (v Verdict) String() string {
	return [...]string{"no data", "not excited", "measured"}[v]
}

// Item is one value found, or not.
type Item struct {
	Name       string
	Unit       string  // of the numbers below
	Key        string  // the setting it belongs to, "" where there is none
	Index      int     // which number of the setting
	Value      float64 // NaN without data
	Sigma      float64 // 1 sigma
	Configured float64 // what the settings say; NaN where there is no setting
	Verdict    Verdict
	Note       string // what stands in the way, or what the value rests on
}

// Curve is the Allan deviation of one axis while still.
type Curve struct {
	Name   string // gyro x ... acc z
	Unit   string // rad/s or m/s^2
	Points []AllanPoint
	Noise  Noise
}

// Result is what a recording says.
type Result struct {
	Items    []Item
	Findings []string // what is wrong, in words
	Curves   []Curve  // six, or none where the car never stood
	Still    float64  // s
	Driven   float64  // s, of the part the motion is judged by
	Epochs   int      // used
}

// Item returns the item of that name, nil where there is none.
func (r *Result) Item(name string) *Item {
	for i := range r.Items {
		if r.Items[i].Name == name {
			return &r.Items[i]
		}
	}
	return nil
}

// Largest standard deviations of a value called measured: beyond them a tape, a
// data sheet or the filter's own learning is as good.
const (
	maxLever    = 0.03            // m
	maxLatencyS = 0.010           // s
	maxMount    = 0.3 * perDegree // rad
	maxTurned   = 1.5 * perDegree // rad, when the settings are tens of degrees off
	maxScale    = 0.002
	maxSlip     = 0.001 // rad/(m/s^2)
	maxGyroBias = 5e-4  // rad/s
	maxAccBias  = 0.02  // m/s^2
	maxNoise    = 0.2   // share of the value
)

const (
	levelGround = 1 * perDegree // rad, 1 sigma of the ground's tilt where the car stands
	unsettled   = "the search did not settle"
)

var axisName = [3]string{"x", "y", "z"}

// Run calibrates by a recording, whose settings are where the search begins and
// what the results are compared with. progress, which may be nil, takes how far it has come. The
// error says why nothing at all can be found; what cannot be found singly is said
// in the items.
func Run(rec *navigation.Recording, progress func(done, total int)) (*Result, error) {
	c := &calibrator{Recording: rec}
	if len(c.IMU) < 100 {
		return nil, fmt.Errorf("calibrate: %d inertial samples, want 100 or more", len(c.IMU))
	}
	res := &Result{}
	c.Place()
	c.even()
	still := c.still()
	for _, s := range still {
		res.Still += c.IMU[s.to-1].T - c.IMU[s.from].T
	}

	configured := c.Settings.IMU.Mounting()
	m := r3.Rotation(configured)
	for i := range c.IMU {
		x := &c.IMU[i]
		x.W, x.F = m.Rotate(x.W), m.Rotate(x.F)
	}
	r := c.inspect(still)
	res.Findings = r.findings
	for i := range c.IMU {
		x := &c.IMU[i]
		x.W, x.F = r3.Scale(r.scaleW, r.body(x.W)), r3.Scale(r.scaleF, r.body(x.F))
	}
	for i := range c.Wheel {
		c.Wheel[i].V *= r.scaleV
	}

	c.noise(res, still)
	var d *drive
	why := "the findings come first"
	if r.sound {
		d, why = c.prepare(still, &r)
	}
	var est *estimate
	if d != nil {
		e := d.estimate(&r, progress)
		if e.axes != "" {
			res.Findings = append(res.Findings, e.axes)
		}
		est = &e
		res.Driven, res.Epochs = d.span(), est.used
	}
	c.biases(res, still, d, est, why)
	c.geometry(res, d, est, &r, configured, why)
	return res, nil
}

// noise fills in the noise items and curves.
func (c *calibrator) noise(res *Result, still []span) {
	const least = 10 // s
	var n [6]Noise
	if res.Still >= least {
		sig := c.signals(still)
		tau0 := c.period()
		for k := range sig {
			pts := sig[k].curve(tau0)
			n[k] = fitNoise(pts)
			name, unit := "gyro "+axisName[k%3], "rad/s"
			if k >= 3 {
				name, unit = "acc "+axisName[k%3], "m/s^2"
			}
			res.Curves = append(res.Curves, Curve{Name: name, Unit: unit, Points: pts, Noise: n[k]})
		}
	}
	i := &c.Settings.IMU
	for _, it := range []struct {
		name, unit, key string
		configured      float64
		of              func(n *Noise) Coefficient
		first           int
	}{
		{"gyro noise", "rad/s/sqrt(Hz)", "imu.gyro_noise", i.Gyro, func(n *Noise) Coefficient { return n.White }, 0},
		{"gyro bias instability", "rad/s", "", math.NaN(), func(n *Noise) Coefficient { return n.Instability }, 0},
		{"gyro rate random walk", "rad/s^2/sqrt(Hz)", "imu.gyro_walk", i.GyroWalk, func(n *Noise) Coefficient { return n.Walk }, 0},
		{"acc noise", "m/s^2/sqrt(Hz)", "imu.acc_noise", i.Acc, func(n *Noise) Coefficient { return n.White }, 3},
		{"acc bias instability", "m/s^2", "", math.NaN(), func(n *Noise) Coefficient { return n.Instability }, 3},
		{"acc rate random walk", "m/s^3/sqrt(Hz)", "imu.acc_walk", i.AccWalk, func(n *Noise) Coefficient { return n.Walk }, 3},
	} {
		out := Item{Name: it.name, Unit: it.unit, Key: it.key, Configured: it.configured, Value: math.NaN(), Sigma: math.NaN()}
		if len(res.Curves) == 0 {
			out.Note = fmt.Sprintf("stood still for %.0f s, want %d s or more", res.Still, least)
			res.Items = append(res.Items, out)
			continue
		}
		out.Verdict = NotExcited
		var c [3]Coefficient
		for k := range c {
			c[k] = it.of(&n[it.first+k])
		}
		out.Value, out.Sigma, out.Note = together(c)
		if out.Sigma < maxNoise*out.Value {
			out.Verdict = Measured
		}
		if out.Verdict == NotExcited {
			out.Note = fmt.Sprintf("stood still for %.0f s: too short to tell", res.Still)
		}
		res.Items = append(res.Items, out)
	}
}

// together makes one number of three axes, as the settings have: their root mean
// square where they agree, else the largest.
func together(c [3]Coefficient) (value, sigma float64, note string) {
	worst := 0
	for k, v := range c {
		value += v.Value * v.Value / 3
		sigma += v.Value * v.Value * v.Sigma * v.Sigma / 9
		if v.Value > c[worst].Value {
			worst = k
		}
	}
	if value = math.Sqrt(value); value > 0 {
		sigma = math.Sqrt(sigma) / value
	}
	if w := c[worst]; value == 0 || w.Value-value > 3*w.Sigma {
		return w.Value, w.Sigma, "largest of three axes, " + axisName[worst]
	}
	return value, sigma, "three axes together"
}

// biases fills in the sensors' biases: of the gyro from the still parts, of the
// accelerometer from the turns, for at rest a bias looks like a slope.
func (c *calibrator) biases(res *Result, still []span, d *drive, est *estimate, why string) {
	gyro, sg, note := [3]float64{}, [3]float64{math.NaN(), math.NaN(), math.NaN()}, ""
	switch {
	case len(still) > 0:
		var sum r3.Vec
		n := 0.0
		for _, s := range still {
			for _, x := range c.IMU[s.from:s.to] {
				sum = r3.Add(sum, x.W)
				n++
			}
		}
		sum = r3.Scale(1/n, sum)
		earth := 0.0
		if est != nil {
			sum = r3.Sub(sum, est.begin.ToBody(d.nav.Filter.Params.EarthRate))
			note = "at rest, less the Earth's turn"
		} else {
			earth, note = 7.3e-5, "at rest, the Earth's turn in it" // rad/s
		}
		gyro = [3]float64{sum.X, sum.Y, sum.Z}
		for k := range sg {
			// Noise, and how far the bias has wandered meanwhile.
			q := math.Hypot(c.Settings.IMU.Gyro/math.Sqrt(math.Max(res.Still, 1)), c.Settings.IMU.GyroWalk*math.Sqrt(res.Still/3))
			q = math.Hypot(q, earth)
			if len(res.Curves) > 0 {
				// The still parts' own deviation at half their length.
				q = math.Hypot(q, res.Curves[k].Noise.dev(math.Max(res.Still/2, 1)))
			}
			sg[k] = q
		}
	case est != nil:
		b := est.end.GyroBias
		gyro = [3]float64{b.X, b.Y, b.Z}
		for k := range sg {
			sg[k] = math.Sqrt(est.end.P[eskf.IGyr+k][eskf.IGyr+k])
		}
		note = "from the drive, at its end"
	}
	for k := range gyro {
		it := Item{Name: "gyro bias " + axisName[k], Unit: "rad/s", Value: gyro[k], Sigma: sg[k], Configured: math.NaN(), Note: note}
		it.judge(maxGyroBias)
		if it.Verdict == NoData {
			it.Value, it.Note = math.NaN(), why
		}
		if limit := 3 * c.Settings.IMU.GyroBias; it.Verdict == Measured && math.Abs(it.Value) > limit+3*it.Sigma {
			res.Findings = append(res.Findings, fmt.Sprintf("gyro bias %s is %.3g rad/s: more than 3 times imu.gyro_bias_sigma = %g", axisName[k], it.Value, c.Settings.IMU.GyroBias))
		}
		res.Items = append(res.Items, it)
	}
	for k := range 3 {
		it := Item{Name: "acc bias " + axisName[k], Unit: "m/s^2", Value: math.NaN(), Sigma: math.NaN(), Configured: math.NaN(), Note: why}
		if est != nil {
			b := est.end.AccBias
			it.Value, it.Note = [3]float64{b.X, b.Y, b.Z}[k], "from the drive, at its end"
			it.Sigma = math.Sqrt(est.end.P[eskf.IAcc+k][eskf.IAcc+k])
			it.judge(maxAccBias)
			if limit := 3 * c.Settings.IMU.AccBias; it.Verdict == Measured && math.Abs(it.Value) > limit+3*it.Sigma {
				res.Findings = append(res.Findings, fmt.Sprintf("acc bias %s is %.3g m/s^2: more than 3 times imu.acc_bias_sigma = %g", axisName[k], it.Value, c.Settings.IMU.AccBias))
			}
		}
		res.Items = append(res.Items, it)
	}
}

// judge sets the verdict by the largest standard deviation that is of use.
func (it *Item) judge(most float64) {
	switch {
	case math.IsNaN(it.Sigma):
		it.Verdict = NoData
	case it.Sigma <= most:
		it.Verdict = Measured
	default:
		it.Verdict = NotExcited
	}
}

// geometry fills in lever arm, latency, mounting and wheel, and says where they
// contradict the settings.
func (c *calibrator) geometry(res *Result, d *drive, est *estimate, r *reading, configured quat.Number, why string) {
	cfg := &c.Settings
	// Each item is that of parameter p, with what is wrong when it is not excited.
	add := func(it Item, p int, most float64, wanting string) *Item {
		it.Value, it.Sigma, it.Note = math.NaN(), math.NaN(), why
		if est != nil {
			it.Value, it.Sigma, it.Note = est.x[p], est.sigma(p), ""
			it.judge(most)
			if !est.settled {
				it.Verdict, it.Note = NotExcited, unsettled
			} else if it.Verdict == NotExcited {
				it.Note = wanting
			}
		}
		res.Items = append(res.Items, it)
		return &res.Items[len(res.Items)-1]
	}
	for k, wanting := range [3]string{"speed is too even: it looks like latency", "too few turns", "too little roll and pitch"} {
		it := add(Item{Name: "antenna " + axisName[k], Unit: "m", Key: "vehicle.antenna_m", Index: k, Configured: cfg.Lever[k]}, pLever+k, maxLever, wanting)
		if it.Verdict == Measured && math.Abs(est.perIMU[pLever+k])*1e-3 > 0.003 {
			it.Note = fmt.Sprintf("1 ms of imu.latency_s is %.1f cm of it", math.Abs(est.perIMU[pLever+k])*0.1)
		}
	}
	if est != nil && est.settled {
		res.Findings = append(res.Findings, leverFindings(res.Items[len(res.Items)-3:])...)
	}
	add(Item{Name: "gnss latency", Unit: "s", Key: "gnss.latency_s", Configured: cfg.GNSS.Latency}, pLatency, maxLatencyS, "too little speeding up and turning")
	c.mounting(res, d, est, r, configured, why)
	scale := Item{Name: "wheel scale", Unit: "1", Value: math.NaN(), Sigma: math.NaN(), Configured: math.NaN(), Note: "no wheel speed"}
	if len(c.Wheel) > 0 {
		it := add(scale, pScale, maxScale, "too little driving")
		it.Value++
		if it.Verdict == Measured {
			it.Note = "reported over true; the filter learns it by itself"
		}
	} else {
		res.Items = append(res.Items, scale)
	}
	add(Item{Name: "side slip", Unit: "rad/(m/s^2)", Configured: math.NaN()}, pSlip, maxSlip, "speed is too even: it looks like the place of the rear axle")
	if est != nil && est.settled {
		if a, s := est.x[pAxle], est.sigma(pAxle); math.Abs(a) > 4*s && math.Abs(a) > 0.15 {
			res.Findings = append(res.Findings, fmt.Sprintf("the car turns about a point %.2f ± %.2f m behind the body origin, which should lie between the wheels that do not steer", a, s))
		}
	}
}

// mounting fills in the mounting angles: what the settings say, turned by the
// axes found and by what the drive shows. The drive shows turns about up and about
// left; about forward there is only gravity at rest, as level as the ground was.
func (c *calibrator) mounting(res *Result, d *drive, est *estimate, r *reading, configured quat.Number, why string) {
	i := &c.Settings.IMU
	items := [3]Item{
		{Name: "mounting yaw", Key: "imu.mount_yaw_deg", Configured: i.MountYaw},
		{Name: "mounting pitch", Key: "imu.mount_pitch_deg", Configured: i.MountPitch},
		{Name: "mounting roll", Key: "imu.mount_roll_deg", Configured: i.MountRoll},
	}
	turned := !r.straight() || r.tilt.Real != 1
	for k := range items {
		it := &items[k]
		it.Unit, it.Value, it.Sigma, it.Note = "deg", math.NaN(), math.NaN(), why
		switch {
		case est == nil:
		case r.mirrored:
			it.Note = "the axes are mirrored: no angle describes them"
		default:
			q := quat.Mul(quat.Mul(eskf.FromEuler(0, est.x[pPitch], est.x[pYaw]), d.mount), quat.Mul(r.turn(), configured))
			angles := euler(q)
			variance := 0.0
			for _, about := range []struct {
				axis  r3.Vec
				sigma float64
			}{{r3.Vec{X: 1}, levelGround}, {r3.Vec{Y: 1}, est.sigma(pPitch)}, {r3.Vec{Z: 1}, est.sigma(pYaw)}} {
				const small = 1e-4
				moved := euler(quat.Mul(eskf.Exp(r3.Scale(small, about.axis)), q))
				by := math.Remainder(moved[k]-angles[k], 2*math.Pi) / small * about.sigma
				variance += by * by
			}
			it.Value, it.Sigma, it.Note = angles[k]/perDegree, math.Sqrt(variance)/perDegree, ""
			most := maxMount
			if turned {
				most, it.Note = maxTurned, "by gravity at rest too: as level as the ground was"
			}
			it.judge(most / perDegree)
			switch {
			case !est.settled:
				it.Verdict, it.Note = NotExcited, unsettled
			case k == 2 && !turned:
				it.Verdict, it.Note = NotExcited, "taken as configured: driving hardly shows it"
			case it.Verdict == NotExcited && it.Note == "":
				it.Note = "too little driving straight"
			}
			if off := math.Abs(math.Remainder(it.Value-it.Configured, 360)); it.Verdict == Measured && off > 1 && off > 4*it.Sigma && r.straight() {
				res.Findings = append(res.Findings, fmt.Sprintf("%s is %.1f deg, the settings say %.1f", it.Name, it.Value, it.Configured))
			}
		}
	}
	res.Items = append(res.Items, items[:]...)
}

// euler returns yaw, pitch and roll of q, rad.
func euler(q quat.Number) [3]float64 {
	s := eskf.State{Att: q}
	return [3]float64{s.Yaw(), s.Pitch(), s.Roll()}
}

// turn returns the rotation that the axes are; they must not be mirrored.
func (r *reading) turn() quat.Number {
	var m [3][3]float64
	for i, a := range r.axes {
		m[i][a.col] = a.sign
	}
	// Of the quaternion's components the largest is found first.
	t := [4]float64{1 + m[0][0] + m[1][1] + m[2][2], 1 + m[0][0] - m[1][1] - m[2][2], 1 - m[0][0] + m[1][1] - m[2][2], 1 - m[0][0] - m[1][1] + m[2][2]}
	k := 0
	for i := range t {
		if t[i] > t[k] {
			k = i
		}
	}
	h := math.Sqrt(t[k]) / 2
	d := 1 / (4 * h)
	switch k {
	case 0:
		return quat.Number{Real: h, Imag: d * (m[2][1] - m[1][2]), Jmag: d * (m[0][2] - m[2][0]), Kmag: d * (m[1][0] - m[0][1])}
	case 1:
		return quat.Number{Real: d * (m[2][1] - m[1][2]), Imag: h, Jmag: d * (m[0][1] + m[1][0]), Kmag: d * (m[0][2] + m[2][0])}
	case 2:
		return quat.Number{Real: d * (m[0][2] - m[2][0]), Imag: d * (m[0][1] + m[1][0]), Jmag: h, Kmag: d * (m[1][2] + m[2][1])}
	}
	return quat.Number{Real: d * (m[1][0] - m[0][1]), Imag: d * (m[0][2] + m[2][0]), Jmag: d * (m[1][2] + m[2][1]), Kmag: h}
}

// leverFindings compares the lever arm found with the configured one.
func leverFindings(it []Item) (out []string) {
	differs := func(i int, from float64) bool {
		return math.Abs(it[i].Value-from) > math.Max(4*it[i].Sigma, 0.05)
	}
	if differs(0, it[0].Configured) && differs(1, it[1].Configured) && !differs(0, it[1].Configured) && !differs(1, it[0].Configured) {
		return []string{fmt.Sprintf("antenna_m: x and y are exchanged: the settings say %.2f, %.2f, the recording %.2f, %.2f m", it[0].Configured, it[1].Configured, it[0].Value, it[1].Value)}
	}
	for i := range it {
		q := &it[i]
		if q.Verdict == NoData || !differs(i, q.Configured) {
			continue
		}
		why := ""
		if !differs(i, -q.Configured) {
			why = ": the sign is wrong"
		}
		out = append(out, fmt.Sprintf("antenna_m %s is %.2f m in the settings, %.2f ± %.2f m by the recording%s", axisName[i], q.Configured, q.Value, q.Sigma, why))
	}
	return out
}
