package tune

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Axis is one key and the values it takes.
type Axis struct {
	Key    string
	Values []string // as the settings file writes them
}

// maxSettings bounds a grid.
const maxSettings = 1_000_000

// ParseAxis reads key=a..b/n, n values from a to b evenly; with "log" behind
// it, evenly in ratio; or key=a,b,c, the values themselves. Both ends belong to it.
func ParseAxis(s string) (Axis, error) {
	key, spec, ok := strings.Cut(s, "=")
	key = strings.TrimSpace(key)
	bad := func(format string, args ...any) error {
		return fmt.Errorf("tune: vary %q: %s, want key=from..to/number, key=from..to/numberlog or key=value,value", s, fmt.Sprintf(format, args...))
	}
	if !ok || key == "" {
		return Axis{}, bad("no key=")
	}
	ends, count, ranged := strings.Cut(spec, "/")
	if !ranged {
		if strings.Contains(spec, "..") {
			return Axis{}, bad("no number of values")
		}
		a := Axis{Key: key}
		for v := range strings.SplitSeq(spec, ",") {
			if _, err := strconv.ParseFloat(strings.TrimSpace(v), 64); err != nil {
				return Axis{}, bad("%q is no number", v)
			}
			a.Values = append(a.Values, strings.TrimSpace(v))
		}
		return a, nil
	}
	count, log := strings.CutSuffix(count, "log")
	n, err := strconv.Atoi(count)
	if err != nil || n < 2 || n > 10_000 {
		return Axis{}, bad("number %q is not 2 to 10000", count)
	}
	from, to, ok := strings.Cut(ends, "..")
	lo, e1 := strconv.ParseFloat(from, 64)
	hi, e2 := strconv.ParseFloat(to, 64)
	switch {
	case !ok || e1 != nil || e2 != nil || math.IsNaN(lo+hi) || math.IsInf(lo, 0) || math.IsInf(hi, 0):
		return Axis{}, bad("ends %q are no numbers", ends)
	case lo == hi:
		return Axis{}, bad("both ends are %g", lo)
	case log && !(lo > 0 && hi > 0):
		return Axis{}, bad("even ratios need ends above 0")
	}
	a := Axis{Key: key}
	for i := range n {
		u := float64(i) / float64(n-1)
		v := lo + u*(hi-lo)
		if log {
			v = lo * math.Pow(hi/lo, u)
		}
		if i == n-1 {
			v = hi
		}
		t := strconv.FormatFloat(v, 'g', 6, 64)
		if k := len(a.Values); k > 0 && a.Values[k-1] == t {
			continue // ends closer than six digits
		}
		a.Values = append(a.Values, t)
	}
	return a, nil
}

// Grid is every combination of the values of its axes.
type Grid []Axis

// Check refuses a grid without axes, with one key twice, or too large.
func (g Grid) Check() error {
	n := 1
	for i, a := range g {
		for _, b := range g[:i] {
			if a.Key == b.Key {
				return fmt.Errorf("tune: vary: key %s twice, want once", a.Key)
			}
		}
		if n *= len(a.Values); n > maxSettings {
			return fmt.Errorf("tune: vary: more than %d settings, want fewer values", maxSettings)
		}
	}
	if len(g) == 0 {
		return fmt.Errorf("tune: vary: no key, want one or more")
	}
	return nil
}

// Len returns the number of settings.
func (g Grid) Len() int {
	n := 1
	for _, a := range g {
		n *= len(a.Values)
	}
	return n
}

// Place returns the value numbers of setting i, one for each axis; the last
// axis turns fastest.
func (g Grid) Place(i int) []int {
	p := make([]int, len(g))
	for k := len(g) - 1; k >= 0; k-- {
		p[k] = i % len(g[k].Values)
		i /= len(g[k].Values)
	}
	return p
}

// Assign returns setting i as key=value, one for each axis.
func (g Grid) Assign(i int) []string {
	out := make([]string, len(g))
	for k, v := range g.Place(i) {
		out[k] = g[k].Key + "=" + g[k].Values[v]
	}
	return out
}
