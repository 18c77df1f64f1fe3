package columns

import (
	"math"
	"strings"
)

// Column is one column of a list of names.
type Column struct {
	Of    Quantity
	Scale float64 // to SI, negative where its axis is turned round
}

// Rewrite returns a list of column names, empty for that of the inertial sensor's
// own files, with every known column as change leaves it, and whether there are
// names for all of that. Other columns stay as they are.
func Rewrite(list string, change func(c *Column)) (string, bool) {
	if list == "" {
		list = "t,wx,wy,wz,fx,fy,fz"
	}
	want := []Quantity{Time, GyroX, GyroY, GyroZ, ForceX, ForceY, ForceZ, Speed}
	line := []byte(list)
	sep := separator(line)
	l, _, err := read(list, want)
	if err != nil {
		return "", false
	}
	out := []string{}
	n := 0
	first := map[Quantity]string{} // units said with the first axis
	for f := range split(line, sep, len(line)+1) {
		token := string(f)
		for i, q := range want {
			if l.at[i] != n {
				continue
			}
			c := Column{q, l.scale[i]}
			change(&c)
			unit, ok := unitName(c.Of, math.Abs(c.Scale))
			if !ok {
				return "", false
			}
			token = c.Of.Name()
			if c.Scale < 0 {
				token = "-" + token
			}
			if lead := firstAxis(c.Of); first[lead] == "" || lead == c.Of {
				first[lead] = unit
				if unit != siUnits[lead] {
					token += "[" + unit + "]"
				}
			} else if first[lead] != unit {
				token += "[" + unit + "]"
			}
		}
		out = append(out, token)
		n++
	}
	return strings.Join(out, ","), true
}

// siUnits are the units that need not be said.
var siUnits = map[Quantity]string{Time: "s", GyroX: "rad/s", ForceX: "m/s^2", Speed: "m/s"}

// unitName returns the unit of a quantity with a factor to SI.
func unitName(q Quantity, scale float64) (string, bool) {
	for _, u := range []string{"s", "ms", "us", "ns", "rad/s", "deg/s", "mdeg/s", "mrad/s", "m/s^2", "g", "mg", "m/s", "km/h", "mph", "kn", "cm/s", "mm/s"} {
		if k, ok := unitsOf(q)[u]; ok && math.Abs(math.Log(scale/k)) < 0.01 {
			return u, true
		}
	}
	return "", false
}
