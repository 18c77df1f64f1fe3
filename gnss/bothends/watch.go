package bothends

import "math"

// Watch is the link from both ends while the car drives. What arrives at the car is
// known at once; what the base sent comes by another way, later or never. All times
// are the car's, s. Nothing is allocated after [NewWatch].
type Watch struct {
	sent  [keepSent]sending
	nSent int // so far
	came  [keepCame]arrival
	nCame int
	known [keepKnown]known
	nKnow int
	outs  [keepOuts][2]float64 // outages that are over
	nOuts int
}

// sending is a frame that the base sent.
type sending struct {
	t     float64
	along float64 // m along the lap where the car was, NaN where not known
	crc   uint32
	came  bool
}

// arrival is a frame that the car received.
type arrival struct {
	t   float64
	crc uint32
}

// known is a time of which the base's end has told all.
type known struct {
	from, to float64
	began    bool // its computer, or the program there, began at from
}

const (
	keepSent  = 1 << 13 // half an hour of four constellations a second
	keepCame  = 512
	keepKnown = 64
	keepOuts  = 64

	apart    = 30.0 // s between sending and arrival, as far as both are known, that no link has
	settled  = 3.0  // s after which a frame that has not come counts as lost
	joint    = 0.3  // s that two times known may be apart and are still one
	unknownS = 1.0  // s of an outage that need not be known, or
	unknownP = 0.1  // this share of it
)

// NewWatch returns a watch that knows nothing.
func NewWatch() *Watch { return &Watch{} }

// Arrived takes a frame of observations that arrived at t.
func (w *Watch) Arrived(t float64, crc uint32) {
	for i := w.nSent - 1; i >= max(0, w.nSent-keepSent); i-- {
		s := &w.sent[i%keepSent]
		if t-s.t > apart {
			break
		}
		if s.crc == crc && !s.came {
			s.came = true
			return
		}
	}
	w.came[w.nCame%keepCame] = arrival{t, crc}
	w.nCame++
}

// Sent takes a frame of observations that the base sent at t, with the car at a place
// along the lap, NaN where not known.
func (w *Watch) Sent(t, along float64, crc uint32) {
	s := sending{t: t, along: along, crc: crc}
	for i := w.nCame - 1; i >= max(0, w.nCame-keepCame) && !s.came; i-- {
		a := &w.came[i%keepCame]
		if t-a.t > apart {
			break
		}
		s.came = a.crc == crc && a.t-t <= apart
	}
	w.sent[w.nSent%keepSent] = s
	w.nSent++
}

// Known says that the base's end has told all frames from one time to another; began,
// that its computer or the program there began at the first.
func (w *Watch) Known(from, to float64, began bool) {
	if w.nKnow > 0 && !began {
		if k := &w.known[(w.nKnow-1)%keepKnown]; from <= k.to+joint {
			k.to = max(k.to, to)
			return
		}
	}
	w.known[w.nKnow%keepKnown] = known{from, to, began}
	w.nKnow++
}

// Kept is for how long the base's end keeps what it sent and tells it again, s.
const Kept = 30.0

// Reported returns up to when the base's end has told anything, -Inf before it has.
func (w *Watch) Reported() float64 {
	if w.nKnow == 0 {
		return math.Inf(-1)
	}
	return w.known[(w.nKnow-1)%keepKnown].to
}

// Over takes an outage that is over, for those that follow.
func (w *Watch) Over(from, to float64) {
	w.outs[w.nOuts%keepOuts] = [2]float64{from, to}
	w.nOuts++
}

// Shift moves all times by dt: the host clock was set.
func (w *Watch) Shift(dt float64) {
	for i := range w.sent {
		w.sent[i].t += dt
	}
	for i := range w.came {
		w.came[i].t += dt
	}
	for i := range w.known {
		w.known[i].from += dt
		w.known[i].to += dt
	}
	for i := range w.outs {
		w.outs[i][0] += dt
		w.outs[i][1] += dt
	}
}

// Evidence returns what both ends say of an outage at now.
func (w *Watch) Evidence(now float64, o Outage, r *Radio) Evidence {
	g := Gather(o, w.span(now, o.From, o.To), r)
	for i := max(0, w.nSent-keepSent); i < w.nSent; i++ {
		s := &w.sent[i%keepSent]
		if !s.came && now-s.t < settled {
			continue
		}
		g.Frame(s.t, s.along, s.fate(), w.part(s.t, &o))
	}
	return g.Evidence
}

func (s *sending) fate() Fate {
	if s.came {
		return Received
	}
	return Lost
}

func (w *Watch) part(t float64, o *Outage) Part {
	if t >= o.From && t <= o.To {
		return ThisOutage
	}
	for _, k := range w.outs[:min(w.nOuts, keepOuts)] {
		if t >= k[0] && t <= k[1] {
			return OtherOutage
		}
	}
	return NoOutage
}

// span counts what was sent from a to b, and how long nothing was.
func (w *Watch) span(now, a, b float64) Span {
	s := Span{Length: b - a}
	last := math.Inf(-1)
	for i := max(0, w.nSent-keepSent); i < w.nSent; i++ {
		k := &w.sent[i%keepSent]
		if k.t > b {
			continue
		}
		if k.t >= a {
			s.Silent = max(s.Silent, k.t-max(last, a))
			if k.came || now-k.t >= settled {
				s.Add(k.fate())
			}
		}
		last = max(last, k.t)
	}
	s.Silent = max(s.Silent, b-max(last, a))
	covered, to := 0.0, math.NaN() // end of what is known before
	for i := max(0, w.nKnow-keepKnown); i < w.nKnow; i++ {
		k := &w.known[i%keepKnown]
		covered += max(0, min(k.to, b)-max(k.from, a))
		if k.began {
			if dead := min(k.from, b) - max(to, a); dead > 0 {
				covered += dead
				s.Lifeless = max(s.Lifeless, dead)
			}
		}
		to = k.to
	}
	s.Covered = s.Length-covered <= max(unknownS, unknownP*s.Length)
	return s
}
