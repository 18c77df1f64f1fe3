package recording

import "math"

// How far the times of one file may run back or leap ahead from line to line
// without a second line to confirm it, s.
const (
	steady = 0.2
	leap   = 1.0
)

// clock orders the lines of one file. Lines stay in file order; their keys never
// fall, so files can be merged by key:
//
//   - a line a little out of order takes the key of the line before;
//   - a gap is believed when the next line lies behind it too, so that one
//     damaged digit does not throw the rest of the file into the future;
//   - a clock that is set back does not hold up the file until it has caught up:
//     the keys go on from where they are, by a shift that stays. Of the time that
//     passed in between no line says; it is taken as the longest pause of late,
//     since that is when a clock is likeliest to be set.
//
// What the times mean for the position is for the monitor to judge.
//
// One computer's clock stamps all files, so it is set back by the same in all:
// the file whose lines lie closest sets the others.
type clock struct {
	key   float64 // s, for the merge
	shift float64 // key - host time
	host  float64 // Unix s: the last time believed
	pause float64 // s between lines, longest of late

	others []*clock // of the files beside it
	set    float64  // key at which it was last set back, NaN before
	slack  float64  // s, to which the shift was known then
	give   float64  // s by which the next lines may lie behind the key since
}

// sameSet is how far apart, s of key, two files may place one setting.
const sameSet = 2.0

// start sets the clock to the first time of a file that is believed.
func (c *clock) start(t float64) {
	*c = clock{key: t, host: t, others: c.others, set: math.NaN()}
}

// line takes the time of the next line. next gives the time of the line after
// it, NaN when there is none or it has none; it is called only for a step.
func (c *clock) line(t float64, next func() float64) {
	d := t + c.shift - c.key
	if !(d >= -steady-c.give && d <= leap) {
		if n := next(); !(math.Abs(n-t) < math.Abs(n-c.host)) {
			return
		}
		if d < 0 {
			c.shift = c.key + c.pause - t
			c.set, c.slack, c.give = c.key, c.pause, 0
			c.agree()
		}
	} else {
		c.pause = max(d, 0.98*c.pause)
	}
	c.host = t
	if k := t + c.shift; k >= c.key {
		c.key, c.give = k, 0
	}
}

// agree gives c and the others that were set back with it the shift of the one
// that knows it best.
func (c *clock) agree() {
	with := func(o *clock) bool {
		return math.Abs(o.set-c.set) < sameSet && math.Abs(o.shift-c.shift) <= o.slack+c.slack
	}
	best := c
	for _, o := range c.others {
		if with(o) && o.slack < best.slack {
			best = o
		}
	}
	shift, slack := best.shift, best.slack
	take := func(o *clock) {
		o.give = max(0, o.give+o.shift-shift)
		o.shift, o.slack = shift, slack
	}
	for _, o := range c.others {
		if with(o) {
			take(o)
		}
	}
	take(c)
}
