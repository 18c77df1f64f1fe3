package navigation

import (
	"math"
	"sort"

	"kerbline/fusion/hostclock"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
)

// Epoch is an epoch of a whole recording.
type Epoch struct {
	gnss.Epoch
	T     float64 // host s of validity for zero latency, from Recording.Zero
	Class Class
	Z     r3.Vec // m, ENU, of the antenna

	Derived bool // speed and course are those of the displacement about it
}

const unknownPos = 100.0 // m, 1 sigma

// Recording is what a whole recording says of the motion, gathered for
// smoothing and calibration.
type Recording struct {
	Settings
	IMU    []Sample      // axes and units as they came
	Wheel  []WheelSample // by time
	Epochs []Epoch       // by time, once placed
	Frame  geodesy.Frame
	Zero   float64 // host Unix s that the times of everything else count from: small numbers keep their digits

	begun bool
}

// since returns host time t counted from the first one that came.
func (r *Recording) since(t float64) float64 {
	if !r.begun {
		r.Zero, r.begun = t, true
	}
	return t - r.Zero
}

func finite(v ...float64) bool {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s-s == 0
}

// AddIMU takes an inertial sample of host time t; what runs back in time or is
// not finite is passed over.
func (r *Recording) AddIMU(t float64, w, f [3]float64) {
	if !finite(t) {
		return
	}
	t = r.since(t) - r.Settings.IMU.Latency
	if n := len(r.IMU); n > 0 && !(t > r.IMU[n-1].T) || !finite(w[:]...) || !finite(f[:]...) {
		return
	}
	r.IMU = append(r.IMU, Sample{T: t, W: r3.Vec{X: w[0], Y: w[1], Z: w[2]}, F: r3.Vec{X: f[0], Y: f[1], Z: f[2]}})
}

// AddWheel takes a wheel speed likewise.
func (r *Recording) AddWheel(t, v float64) {
	if !finite(t, v) {
		return
	}
	t = r.since(t) - r.Settings.Wheel.Latency
	if n := len(r.Wheel); n > 0 && !(t > r.Wheel[n-1].T) {
		return
	}
	r.Wheel = append(r.Wheel, WheelSample{T: t, V: v})
}

// AddEpoch takes an epoch.
func (r *Recording) AddEpoch(e *gnss.Epoch) {
	if finite(e.UTC, e.Arrival) {
		x := Epoch{Epoch: *e, Class: r.GNSS.Classify(e)}
		x.Arrival = r.since(e.Arrival)
		r.Epochs = append(r.Epochs, x)
	}
}

// Place puts every epoch on host time, and their positions into the frame of
// the first; epochs that only another setting of a clock explains are taken
// out.
func (r *Recording) Place() {
	arrival, utc := make([]float64, len(r.Epochs)), make([]float64, len(r.Epochs))
	for i := range r.Epochs {
		arrival[i], utc[i] = r.Epochs[i].Arrival, r.Epochs[i].UTC
	}
	kept := r.Epochs[:0]
	for i, t := range hostclock.Place(arrival, utc) {
		if !math.IsNaN(t) {
			e := r.Epochs[i]
			e.T = t
			kept = append(kept, e)
		}
	}
	r.Epochs = kept
	framed := false
	for i := range kept {
		e := &kept[i]
		if e.Class == ClassNone {
			continue
		}
		if !framed {
			r.Frame, framed = geodesy.NewFrame(e.Pos), true
		}
		q := r.Frame.FromLLA(e.Pos)
		e.Z = r3.Vec{X: q.E, Y: q.N, Z: q.U}
	}
	r.deriveSpeeds()
}

// deriveSpeeds gives epochs without a speed that of the displacement about them.
func (r *Recording) deriveSpeeds() {
	const (
		reach = 0.5 // s to either side; a slower receiver's neighbours count up to most
		most  = 1.1 // s
	)
	near := func(i, way int) int {
		k := i
		for j := i + way; j >= 0 && j < len(r.Epochs); j += way {
			dt := math.Abs(r.Epochs[j].T - r.Epochs[i].T)
			if r.Epochs[j].Class != r.Epochs[i].Class || dt > most || dt > reach && k != i {
				break
			}
			k = j
		}
		return k
	}
	for i := range r.Epochs {
		e := &r.Epochs[i]
		if !math.IsNaN(e.Speed) || e.Class < ClassFloat {
			continue
		}
		a, b := &r.Epochs[near(i, -1)], &r.Epochs[near(i, 1)]
		if a.T == e.T || b.T == e.T {
			continue
		}
		v := r3.Scale(1/(b.T-a.T), r3.Sub(b.Z, a.Z))
		e.Speed, e.Course, e.Derived = math.Hypot(v.X, v.Y), math.Atan2(v.X, v.Y), true
	}
}

// Feed hands the recording to a driver in the order of time.
type Feed struct {
	rec        *Recording
	mount      r3.Rotation // from the axes of the samples to the body's
	imu, wheel int         // next
	Epoch      int         // next
}

// Feed returns a feed that begins after host time from; the samples are turned
// by mount.
func (r *Recording) Feed(from float64, mount quat.Number) Feed {
	return Feed{rec: r, mount: r3.Rotation(mount),
		imu:   sort.Search(len(r.IMU), func(i int) bool { return r.IMU[i].T > from }),
		wheel: sort.Search(len(r.Wheel), func(i int) bool { return r.Wheel[i].T > from }),
		Epoch: sort.Search(len(r.Epochs), func(i int) bool { return r.Epochs[i].T > from }),
	}
}

// Past gives the driver samples until one is not before host time t, and reports
// whether there is one.
func (q *Feed) Past(d *Driver, t float64) bool {
	for ; q.imu < len(q.rec.IMU) && d.IMU.Before(t); q.imu++ {
		q.push(d)
	}
	return !d.IMU.Before(t)
}

// push gives the driver the next inertial sample, and the wheel speeds before it.
func (q *Feed) push(d *Driver) {
	s := q.rec.IMU[q.imu]
	for ; q.wheel < len(q.rec.Wheel) && q.rec.Wheel[q.wheel].T <= s.T; q.wheel++ {
		d.Wheels.Push(q.rec.Wheel[q.wheel])
	}
	s.W, s.F = q.mount.Rotate(s.W), q.mount.Rotate(s.F)
	d.PushIMU(s)
}

// Run drives d to the end of the recording, or until fuse returns false: it is
// called with every epoch, index k, at whose arrival (for the least latency) the
// driver has all samples.
func (q *Feed) Run(d *Driver, fuse func(k int, e *Epoch) bool) {
	for {
		next := math.Inf(1)
		if q.Epoch < len(q.rec.Epochs) {
			next = q.rec.Epochs[q.Epoch].T
		}
		for ; q.imu < len(q.rec.IMU) && q.rec.IMU[q.imu].T <= next; q.imu++ {
			t := q.rec.IMU[q.imu].T
			q.push(d)
			if d.MayLevel() {
				d.Level()
			}
			if d.Phase != Empty {
				d.Advance(t - q.rec.GNSS.Stall)
			}
		}
		if q.Epoch == len(q.rec.Epochs) {
			break
		}
		e := &q.rec.Epochs[q.Epoch]
		if !math.IsNaN(e.Speed) {
			d.Heard(e.T, e.Speed, e.Class >= ClassFloat)
		} else if e.Class != ClassNone {
			d.Seen(e.Class, e.Z, e.T-d.Latency(), e.T)
		}
		q.Epoch++
		if !fuse(q.Epoch-1, e) {
			return
		}
	}
	d.Advance(math.Inf(1))
}

// Start finds where d can be started: it drives d until an epoch aligns it and
// puts it there, back at the rest it was levelled on where there was one, now
// with its yaw. The feed that it returns goes on from there.
func (r *Recording) Start(d *Driver, mount quat.Number) (q Feed, ok bool) {
	q = r.Feed(math.Inf(-1), mount)
	placed := false
	q.Run(d, func(_ int, e *Epoch) bool {
		if e.Class != ClassNone && !placed {
			d.SetPlace(e.Pos)
			placed = true
		}
		ok = e.Class != ClassNone && d.Align(&e.Epoch, e.Class, e.Z, e.T-d.Latency(), e.T)
		return !ok
	})
	if !ok || !d.rest.ok {
		return q, ok
	}
	return d.again(r, mount), true
}

// again starts d at the rest that it was levelled on, with the yaw known since.
func (d *Driver) again(r *Recording, mount quat.Number) Feed {
	rest := d.rest
	q := r.Feed(rest.t, mount)
	at := rest.t + d.Filter.Latency
	k := sort.Search(len(r.Epochs), func(i int) bool { return r.Epochs[i].T >= at })
	for k > 0 && (k == len(r.Epochs) || r.Epochs[k].Class == ClassNone) {
		k--
	}
	d.ResetBuffers()
	d.atRest(rest.t, r.Epochs[k].Z, unknownPos, rest.w, rest.f, rest.yaw, rest.sigma)
	d.Filter.Pos = r3.Sub(d.Filter.Pos, d.Arm())
	return q
}
