package parameters

import (
	"math"

	"kerbline/fusion/navigation"
)

// Progress is how far a drive has come in showing that the settings fit it.
type Progress struct {
	Stood       float64 // s, longest stand-still with the receiver fixed
	Left, Right float64 // rad, turned so far by the receiver's course
	Driven      float64 // m

	// What turns have shown of where the antenna is from the sensor, forward and
	// left: 1 sigma, m, infinite before anything shows, and from which on it is enough.
	Lever  [2]float64
	Enough float64
	Held   float64 // s for which settings and drive have agreed
	Hold   float64 // s for which they must

	Confirmed bool // the settings are confirmed now
	Open      bool // they never were since the start
}

const (
	enough = 0.09 // m, 1 sigma of the lever arm by turns alone
	// hold is how long they must agree: after 3 s a lever arm of the wrong sign was
	// confirmed for one line in 1 of 19 drives, in a bend where latency made up for it.
	hold = 5.0 // s

	standMost = 0.15 // m that a fix of a car at rest wanders. RTK class statement, with its multipath.
	chord     = 5.0  // m between the places that tell a direction
	turnMost  = 2.0  // rad between two chords; more is a car that reverses
	fixGap    = 3.0  // s without a fix that break a stand-still and a path
)

// driven gathers what the receiver alone tells of the drive.
type driven struct {
	ok          bool
	last        float64    // s, of the newest fix
	since       float64    // s, from which on the car stands
	rest        [2]float64 // m, where
	point       [2]float64 // m, end of the last chord
	heading     float64    // rad, of it, NaN without one
	stood       float64    // s
	left, right float64    // rad
	metres      float64
}

// fix takes a fixed position, m, at t.
func (d *driven) fix(t, e, n float64) {
	if !d.ok || !(t-d.last < fixGap) || t < d.last {
		*d = driven{ok: true, last: t, since: t, rest: [2]float64{e, n}, point: [2]float64{e, n}, heading: math.NaN(),
			stood: d.stood, left: d.left, right: d.right, metres: d.metres}
		return
	}
	d.last = t
	if math.Hypot(e-d.rest[0], n-d.rest[1]) > standMost {
		d.since, d.rest = t, [2]float64{e, n}
	}
	d.stood = math.Max(d.stood, t-d.since)
	x, y := e-d.point[0], n-d.point[1]
	if x*x+y*y < chord*chord {
		return
	}
	heading := math.Atan2(y, x)
	if turn := math.Remainder(heading-d.heading, 2*math.Pi); math.Abs(turn) < turnMost {
		d.left += math.Max(0, turn)
		d.right -= math.Min(0, turn)
	}
	d.metres += math.Hypot(x, y)
	d.point, d.heading = [2]float64{e, n}, heading
}

// Progress returns how far the drive has come, the filter being where d has it.
func (u *Watch) Progress(d *navigation.Driver) Progress {
	w := &u.way
	p := Progress{Stood: w.stood, Left: w.left, Right: w.right, Driven: w.metres,
		Lever: [2]float64{math.Inf(1), math.Inf(1)}, Enough: enough, Hold: hold}
	if d.Phase == navigation.Aligned {
		p.Confirmed = u.placesAgree(d)
		_, p.Lever = u.Shown(d)
		p.Held = math.Max(0, math.Min(hold, d.Filter.T-u.agreed))
	}
	u.everShown = u.everShown || p.Confirmed
	p.Open = !u.everShown
	return p
}
