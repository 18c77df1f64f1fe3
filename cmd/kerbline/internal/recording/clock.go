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
//     passed in between no line tells; it is taken as the longest pause of late,
//     since that is when a clock is likeliest to be set.
//
// What the times mean for the position is for the monitor to judge.
type clock struct {
	key   float64 // s, for the merge
	shift float64 // key - host time
	host  float64 // Unix s: the last time believed
	pause float64 // s between lines, longest of late
}

// start sets the clock to the first time of a file that is believed.
func (c *clock) start(t float64) { *c = clock{key: t, host: t} }

// line takes the time of the next line. next tells the time of the line after
// it, NaN when there is none or it has none; it is called only for a step.
func (c *clock) line(t float64, next func() float64) {
	d := t + c.shift - c.key
	if !(d >= -steady && d <= leap) {
		if n := next(); !(math.Abs(n-t) < math.Abs(n-c.host)) {
			return
		}
		if d < 0 {
			c.shift = c.key + c.pause - t
		}
	} else {
		c.pause = max(d, 0.98*c.pause)
	}
	c.host = t
	c.key = max(c.key, t+c.shift)
}
