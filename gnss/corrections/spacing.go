package corrections

import "math"

// Station messages come every so many epochs. Their absence while observations
// go on makes a sparse link that no observation shows: a receiver that
// starts again, or meets a base that moved, would wait for them in vain.

const (
	learnSpacings = 4   // spacings heard before a message type can be missed
	missedTimes   = 2.5 // spacings without it after which it is missing
	missedMore    = 4   // or epochs beyond one spacing, whichever is later
)

// spacing follows one type of station message, counted in whole epochs, so that
// no silence of the link counts against it.
type spacing struct {
	epochs  int     // since it came
	n       int     // spacings learned
	usual   float64 // epochs from one to the next
	dev     float64 // epochs, mean deviation
	last    float64 // host Unix s at which it came
	due     float64 // host Unix s of the first epoch that should have brought it, NaN before
	missing bool
}

// watched reports whether the absence of a message type is reported: base
// coordinates and GLONASS code-phase biases. Text, antenna descriptions and
// ephemerides are nothing that a receiver at work misses.
func watched(number int) bool { return number == 1005 || number == 1006 || number == 1230 }

// forget starts anew: another base may send at other times.
func (s *spacing) forget() { *s = spacing{last: math.NaN(), due: math.NaN()} }

// came notes the message at t and reports whether it ends an absence.
func (s *spacing) came(t float64) bool {
	was := s.missing
	if s.epochs > 0 {
		if d := float64(s.epochs) - s.usual; s.n == 0 {
			s.n, s.usual = 1, float64(s.epochs)
		} else if !was {
			s.n++
			s.usual += 0.2 * d
			s.dev += 0.2 * (math.Abs(d) - s.dev)
		}
	}
	s.epochs, s.last, s.due, s.missing = 0, t, math.NaN(), false
	return was
}

// epoch notes a whole epoch due at the time given, and reports whether the
// message is overdue.
func (s *spacing) epoch(due float64) bool {
	s.epochs++
	n := float64(s.epochs)
	if math.IsNaN(s.due) && n > s.usual-0.5 {
		s.due = due
	}
	return s.n >= learnSpacings && s.dev <= 0.3*s.usual+0.5 && n > max(missedTimes*s.usual, s.usual+missedMore)
}

// stationMessage notes a watched message of type i in the list of types.
func (l *Link) stationMessage(t float64, i int) {
	number, o := l.st.Types[i].Number, &l.thin
	if !watched(number) {
		return
	}
	for k := range l.st.Types[:l.st.NTypes] {
		// 1006 is 1005 with the antenna height: either will do.
		if n := l.st.Types[k].Number; n != number && (n == 1230 || number == 1230 || !watched(n)) {
			continue
		}
		s := &l.flow.spacings[k]
		usual := s.usual * l.flow.interval
		if !s.came(t) || !o.open {
			continue
		}
		// It was sent again at some moment within one spacing; all that came back
		// count together.
		l.back.from, l.back.to = max(l.back.from, t-usual), min(l.back.to, t)
		if l.back.from > l.back.to {
			l.back = span{t - usual, t}
		}
	}
	if o.open && l.absent() == 0 {
		e := &o.ep
		e.FaultEnd = max(e.Start, finite((l.back.from+l.back.to)/2, t))
		e.Flowing, e.Requalified = t, t
		l.finish(o, t)
	}
}

// span is a stretch of host time.
type span struct{ from, to float64 }

// absent counts the types that are missing.
func (l *Link) absent() (n int) {
	for i := range l.st.Types[:l.st.NTypes] {
		if l.flow.spacings[i].missing {
			n++
		}
	}
	return n
}

// wholeEpoch counts an epoch that came whole and on time, due at the time given,
// for the messages that should come between; t is now.
func (l *Link) wholeEpoch(due, t float64) {
	o := &l.thin
	// Beside another outage none begins: that shows the cause.
	may := l.armed && (o.open || !l.out.open)
	for i := range l.st.Types[:l.st.NTypes] {
		s := &l.flow.spacings[i]
		if !watched(l.st.Types[i].Number) || !s.epoch(due) || s.missing || !may {
			continue
		}
		s.missing = true
		if !o.open {
			l.open(o, t)
			o.ep.Facts = Tapped | TypesMissing
			o.ep.Cause = Decide(o.ep.Facts)
			l.gone = span{math.Inf(-1), math.Inf(1)}
			l.back = span{math.Inf(-1), math.Inf(1)}
		}
		// It stopped between the last that came and the first that did not.
		if from, to := max(l.gone.from, s.last), min(l.gone.to, s.due); from <= to {
			l.gone = span{from, to}
		}
		e := &o.ep
		e.Start, e.Slack = (l.gone.from+l.gone.to)/2, (l.gone.to-l.gone.from)/2
		if math.IsNaN(e.Start) { // no time that fits all that is missing
			e.Start, e.Slack = finite(s.last, t), 0
		}
		if ev := &e.Evidence; ev.NTypes < len(ev.Types) {
			ev.Types[ev.NTypes] = l.st.Types[i].Number
			ev.NTypes++
		}
		l.situate(e)
	}
	if o.open && t-o.ep.Start > newUsualAfter {
		l.forgetMessages(t) // what is missing for so long is not usual any more
	}
}

// forgetMessages learns the spacing of station messages anew.
func (l *Link) forgetMessages(t float64) {
	for i := range l.flow.spacings {
		l.flow.spacings[i].forget()
	}
	if o := &l.thin; o.open {
		o.ep.FaultEnd, o.ep.Flowing, o.ep.Requalified = t, t, t
		l.finish(o, t)
	}
}
