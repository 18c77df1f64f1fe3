package tune

import (
	"fmt"
	"math"
	"sort"

	"kerbline/fusion/score/bounds"
)

// Goal is one of the figures that settings are weighed by; less is better.
type Goal int

const (
	GoalMisleading  Goal = iota // s
	GoalUnavailable             // share of the driving time
	GoalDelay                   // s, time to alert, 95th percentile
	GoalFalse                   // false alarms an hour
	NumGoals
)

// String returns the words used in print.
func (g Goal) String() string { return goalNames[g] }

var goalNames = [NumGoals]string{"misleading s", "unavailable share", "time to alert p95 s", "false alarms 1/h"}

// Goals returns the figures as goals. What could not be judged is NaN and
// weighs for nobody.
func (f *Figures) Goals() (g [NumGoals]float64) {
	g[GoalMisleading] = f.Misleading
	if !(f.Judged > 0) && !(f.UsableJudged > 0) {
		g[GoalMisleading] = math.NaN()
	}
	g[GoalUnavailable] = 1 - f.Availability()
	g[GoalDelay] = f.DelayP95()
	g[GoalFalse] = f.FalseRate()
	return g
}

// Ranked is one setting with what it was worth.
type Ranked struct {
	Index   int     // of the grid; -1 for the settings the sweep started from
	Steps   float64 // from those settings: sum over the axes of value numbers apart, nearest value counted as 0
	Figures Figures
	// Undominated: no setting is as good in every goal and better in one.
	Undominated bool
	// By is the index of a setting that dominates it.
	By int
}

// Rank marks the undominated settings and puts them first; among them, and
// among the rest, fewest misleading seconds, then availability, then time to alert,
// then false alarms, then fewest steps from the start, then the grid's order.
func Rank(all []Ranked) {
	goals := make([][NumGoals]float64, len(all))
	for i := range all {
		goals[i] = all[i].Figures.Goals()
	}
	order := make([]int, len(all))
	for i := range order {
		order[i] = i
	}
	less := func(a, b int) bool {
		for k := range NumGoals {
			x, y := goals[a][k], goals[b][k]
			if x != y && !(math.IsNaN(x) && math.IsNaN(y)) {
				return x < y || math.IsNaN(y)
			}
		}
		if all[a].Steps != all[b].Steps {
			return all[a].Steps < all[b].Steps
		}
		return all[a].Index < all[b].Index
	}
	sort.SliceStable(order, func(i, j int) bool { return less(order[i], order[j]) })
	// Whoever dominates a setting stands before it, and some undominated one
	// dominates it too: it is enough to look at the front found so far.
	var front []int
	for _, i := range order {
		all[i].Undominated, all[i].By = true, 0
		for _, j := range front {
			if dominates(&goals[j], &goals[i]) {
				all[i].Undominated, all[i].By = false, all[j].Index
				break
			}
		}
		if all[i].Undominated {
			front = append(front, i)
		}
	}
	out := make([]Ranked, 0, len(all))
	for _, want := range []bool{true, false} {
		for _, i := range order {
			if all[i].Undominated == want {
				out = append(out, all[i])
			}
		}
	}
	copy(all, out)
}

func dominates(a, b *[NumGoals]float64) bool {
	better := false
	for k := range a {
		if a[k] > b[k] {
			return false
		}
		better = better || a[k] < b[k]
	}
	return better
}

// Near says how a setting compares with a better one, and whether the
// difference may be chance.
type Near struct {
	Misleading   float64 // p of equal rates of misleading runs
	Availability float64 // p of equal mean availability over the recordings
	False        float64 // p of equal rates of false alarms
}

// significance is the p below which a difference is called beyond chance.
const significance = 0.05

// BeyondChance reports whether any of the differences is beyond chance, at 5 %
// together (Bonferroni over the three).
func (n Near) BeyondChance() bool {
	for _, p := range []float64{n.Misleading, n.Availability, n.False} {
		if p < significance/3 {
			return true
		}
	}
	return false
}

// Compare tests two figures against one another: rates of misleading runs and
// of false alarms by the exact conditional test of two Poisson counts,
// availability by exchanging recordings. Figures of the same recordings are not
// independent, which makes the test shy, never bold; what cannot be tested has
// p 1.
func Compare(a, b *Figures) Near {
	n := Near{Misleading: 1, Availability: 1, False: 1}
	if a.UsableJudged > 0 && b.UsableJudged > 0 {
		n.Misleading = bounds.SameRate(a.Runs, a.UsableJudged, b.Runs, b.UsableJudged)
	}
	if a.AlarmHours > 0 && b.AlarmHours > 0 {
		n.False = bounds.SameRate(a.FalseAlarms, a.AlarmHours, b.FalseAlarms, b.AlarmHours)
	}
	n.Availability = bounds.SameMean(a.Each, b.Each)
	return n
}

// Words says the outcome of a comparison of chosen figures a with held-out
// figures b.
func (n Near) Words() string {
	if n.BeyondChance() {
		return fmt.Sprintf("differ beyond chance (p: misleading %.3f, availability %.3f, false alarms %.3f)", n.Misleading, n.Availability, n.False)
	}
	return fmt.Sprintf("do not differ beyond chance (p: misleading %.3f, availability %.3f, false alarms %.3f)", n.Misleading, n.Availability, n.False)
}
