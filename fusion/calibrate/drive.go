package calibrate

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion/eskf"
	"kerbline/fusion/navigation"
)

const (
	startSpeed = 2.0           // m/s, from which the course gives the heading to begin with
	startYaw   = 4 * perDegree // rad, 1 sigma of it: the car may slide and turn
	leastMoves = 300           // epochs on the move
	restLevel  = 20.0          // s of rest to level on
	mostDrive  = 1800.0        // s of driving that are used: more says little more
	letGo      = 100.0         // m, 1 sigma of a position that is not known
)

// aid is an instant at which wheel, tyres or rest speak.
type aid struct {
	t     float64
	rest  bool
	wheel float64 // m/s, NaN without one
}

// drive is what a pass runs over: the part of the recording with motion, in
// body axes but for the parameters.
type drive struct {
	rec   navigation.Recording
	nav   *navigation.Driver
	aids  []aid
	mount quat.Number      // sensor to body to begin with
	use   navigation.Class // least class of epoch that is used
	fit   fit
	late  float64 // s added to the times of the aids

	from         float64 // s, where the filter starts when it starts at rest
	rest         bool
	restW, restF r3.Vec // means over that rest
	first        int    // epoch that gives the heading
}

// start readies the driver and returns what feeds it: levelled and at rest where
// the car stood before it drove off, else on the move with the attitude of a
// level road. Heading is the course of the first epoch that has one, turned back
// to the start by the gyro.
func (d *drive) start(x *params) (q navigation.Feed) {
	set := &d.rec.Settings
	set.Lever = [3]float64{x[pLever], x[pLever+1], x[pLever+2]}
	d.nav.Init(*set, nil)
	f := &d.nav.Filter
	q0 := &f.Params
	q0.ScaleWalk, q0.SlipWalk, q0.LatencyWalk, q0.GainWalk, q0.MountWalk, q0.LagWalk = 0, 0, 0, 0, 0, 0
	f.Params.CovEvery = math.MaxInt
	e := &d.rec.Epochs[d.first]
	d.nav.SetPlace(e.Pos)
	at := e.T - x[pLatency]
	yaw := math.Pi/2 - e.Course
	mount := d.mounted(x)
	// The position is that of an antenna, and the lever arm is not known; it
	// does not matter where the car is, only how it moves.
	sig := eskf.Sigmas{PosH: letGo, PosV: letGo, Vel: 0.5, Tilt: 4 * perDegree, Yaw: startYaw,
		GyroBias: set.IMU.GyroBias, AccBias: set.IMU.AccBias}
	if d.rest {
		m := r3.Rotation(mount)
		bias := m.Rotate(d.restW).Z
		last := d.from
		for k := after(d.rec.IMU, d.from); k < len(d.rec.IMU) && last < at; k++ {
			t := math.Min(d.rec.IMU[k].T, at)
			yaw -= (m.Rotate(d.rec.IMU[k].W).Z - bias) * (t - last)
			last = t
		}
		sig.Vel, sig.Tilt, sig.GyroBias = 0.02, 0.003, 3e-4
		f.InitAtRest(d.from, e.Z, m.Rotate(d.restF), m.Rotate(d.restW), yaw, sig)
		q = d.rec.Feed(d.from, mount)
	} else {
		vel := r3.Vec{X: e.Speed * math.Sin(e.Course), Y: e.Speed * math.Cos(e.Course)}
		f.InitMoving(at, e.Z, vel, 0, 0, yaw, sig)
		q = d.rec.Feed(at, mount)
	}
	d.nav.Phase = navigation.Aligned
	f.WheelScale, f.Slip, f.Latency = 1+x[pScale], x[pSlip], x[pLatency]
	return q
}

// after returns the index of the first sample later than t.
func after(imu []navigation.Sample, t float64) int {
	return sort.Search(len(imu), func(i int) bool { return imu[i].T > t })
}

// prepare cuts out what the passes run over. still is in samples of the
// calibrator, which are in body axes by now. It says why there is nothing to run
// over.
func (c *calibrator) prepare(still []span, r *reading) (*drive, string) {
	d := &drive{rec: navigation.Recording{Settings: c.Settings}, nav: new(navigation.Driver), use: navigation.ClassFixed, fit: fit{1, 1, slideTrust, slideTrust}, mount: quat.Mul(eskf.FromEuler(0, 0, r.yaw), r.tilt)}
	var moving [navigation.ClassFixed + 1]int
	first, last := -1, -1
	for i := range c.Epochs {
		e := &c.Epochs[i]
		if first >= 0 && e.T > c.Epochs[first].T+mostDrive {
			break
		}
		last = i
		if !(e.Speed > startSpeed) || math.IsNaN(e.Course) || e.T-maxLatency < c.IMU[0].T || e.Class == navigation.ClassNone {
			continue
		}
		moving[e.Class]++
		if first < 0 {
			first = i
		}
	}
	switch {
	case first < 0:
		return nil, "the car never moved"
	case moving[navigation.ClassFixed] >= leastMoves:
	case moving[navigation.ClassFixed]+moving[navigation.ClassFloat] >= leastMoves:
		d.use = navigation.ClassFloat
	default:
		return nil, "too few fixed or float epochs on the move"
	}
	d.first = first
	d.rec.Epochs = c.Epochs[:last+1]

	// Start in the last rest before the car moved off: where it stood is known,
	// once it drives, how late the receiver is.
	begin := c.Epochs[first].T - maxLatency
	for _, s := range still {
		if c.IMU[s.to-1].T > c.Epochs[first].T {
			break
		}
		d.rest = true
		begin = math.Max(c.IMU[s.from].T, c.IMU[s.to-1].T-restLevel)
		d.from = begin
		d.restW, d.restF = r3.Vec{}, r3.Vec{}
		n := 0.0
		for _, x := range c.IMU[s.from:s.to] {
			if x.T >= begin {
				d.restW, d.restF = r3.Add(d.restW, x.W), r3.Add(d.restF, x.F)
				n++
			}
		}
		d.restW, d.restF = r3.Scale(1/n, d.restW), r3.Scale(1/n, d.restF)
	}
	within := span{after(c.IMU, begin), after(c.IMU, c.Epochs[last].T)}
	d.rec.IMU, d.rec.Wheel = c.IMU[within.from:within.to], c.Wheel
	return d, ""
}

// listAids finds the instants at which wheel speed and tyres, or rest, speak: where
// the driver takes them when the search begins.
func (d *drive) listAids(x *params) {
	r := runner{d: d, x: x, l: stages[0], out: &trace{}, list: true}
	r.out.size(d)
	q := d.start(x)
	d.nav.Observer = &r
	d.aids = nil
	q.Run(d.nav, func(k int, e *navigation.Epoch) bool {
		if t := e.T - x[pLatency]; d.nav.Reaches(t) && d.nav.AdvanceTo(t) {
			r.epoch(k)
		}
		return true
	})
}

// span returns the length of the drive, s.
func (d *drive) span() float64 { return d.rec.Epochs[len(d.rec.Epochs)-1].T - d.rec.Epochs[d.first].T }
