package corrections

import "math"

// BaseEnd is what is known of the base's end while the link is watched.
type BaseEnd uint8

const (
	BaseEndUnheard BaseEnd = iota // nobody watches it, or nothing is heard of it
	BaseSends                     // the base receiver sends
	BaseSilent                    // it sends nothing, its computer runs
)

// heardOf is the base's end from a moment on.
type heardOf struct {
	t   float64 // host Unix s
	end BaseEnd
}

// endReports bounds how many changes of the base's end are remembered.
const endReports = 32

// endHistory is the base's end over time.
type endHistory struct {
	list [endReports]heardOf
	n    int // so far
}

// BaseEnd takes a report of the base's end, which may come by another way than the
// corrections.
func (l *Link) BaseEnd(t float64, end BaseEnd) {
	l.advance(t)
	h := &l.ends
	h.list[h.n%endReports] = heardOf{t, end}
	h.n++
	l.step(t)
}

// during returns how long within a and b the base's end was in each state, s.
func (h *endHistory) during(a, b float64) (s [3]float64) {
	to := math.Inf(1)
	for i := h.n - 1; i >= max(0, h.n-endReports); i-- {
		r := &h.list[i%endReports]
		if d := min(to, b) - max(r.t, a); d > 0 {
			s[r.end] += d
		}
		to = r.t
	}
	return s
}

const (
	// seenLate is how long after the base fell silent its end says so, s: its own limit
	// of silence and the way here.
	seenLate = 4.0
	// endShare is the share of an outage for which the base's end must have said one
	// thing.
	endShare = 0.7
)

// baseEndFacts says what the base's end showed of an outage from a to b.
func (h *endHistory) baseEndFacts(a, b float64) Facts {
	s := h.during(a, b)
	switch {
	case b-a <= seenLate:
		return 0 // over before its end could have said that it is silent
	case s[BaseSilent] >= endShare*(b-a-seenLate) && s[BaseEndUnheard] == 0:
		return BaseQuiet
	case s[BaseSends] >= endShare*(b-a):
		return BaseSent
	}
	return 0
}
