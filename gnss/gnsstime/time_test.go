package gnsstime

import (
	"math"
	"testing"
)

func TestTime(t *testing.T) {
	// Week and second in the table of times in gnsstime_test.go: 2019-01-25 02:55:03 UTC is 2037, 442521.
	a := AtUTC(1548384903)
	if a != (Time{2037, 442521}) || a.UTC() != 1548384903 {
		t.Errorf("%+v, UTC %f", a, a.UTC())
	}
	for _, c := range []struct {
		t    Time
		s    float64
		want Time
	}{
		{Time{2037, 604799.5}, 1, Time{2038, 0.5}},
		{Time{2038, 0.5}, -1, Time{2037, 604799.5}},
		{Time{2038, 10}, -3 * Week, Time{2035, 10}},
		{Time{2038, 0}, -1e-13, Time{2038, 0}},
	} {
		got := c.t.Add(c.s)
		if got.Week != c.want.Week || math.Abs(got.TOW-c.want.TOW) > 1e-9 {
			t.Errorf("%+v + %g is %+v, want %+v", c.t, c.s, got, c.want)
		}
		if d := got.Sub(c.t); math.Abs(d-c.s) > 1e-9 {
			t.Errorf("back: %g, want %g", d, c.s)
		}
	}
	for _, c := range []struct {
		tow  float64
		near Time
		want int
	}{{604700, Time{2038, 100}, 2037}, {100, Time{2037, 604700}, 2038}, {300000, Time{2037, 10}, 2037}} {
		if got := Nearest(c.tow, c.near); got.Week != c.want || got.TOW != c.tow {
			t.Errorf("%g near %+v is %+v", c.tow, c.near, got)
		}
	}
}
