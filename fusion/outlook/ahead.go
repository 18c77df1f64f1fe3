package outlook

import (
	"math"

	"kerbline/gnss/gnsstime"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// Cell is what one place has at one time.
type Cell struct {
	Sats    float64
	Systems int     // constellations with two satellites or more
	HDOP    float64 // +Inf where the satellites give no position
}

// Outlook is the hours ahead.
type Outlook struct {
	Length float64 // m, of the lap; 0 without a map
	Step   float64 // s from row to row
	From   gnsstime.Time
	Rows   [][]Cell // by time, by place
	Sky    []Side   // by place
	Had    []Had    // in the order of time
	Sets   int      // satellites with an ephemeris that are received
	// Known is, by row, the share of the satellites up then whose ephemerides were
	// heard, as far as it can be told: those up beside those up at the end of the
	// recording. What has not risen by then is missing, and a row looks poorer than it
	// will be; below [LeastKnown] it says nothing.
	Known []float64
}

// LeastKnown is the share of the satellites that a row needs.
const LeastKnown = 0.75

// Side is what hides the sky at a place: elevations, rad, left and right of the way.
type Side struct {
	Left, Right float64
	Driven      bool
}

// received tells which satellites the receiver takes at all: of those that stood high,
// by how often it did; of the others, by their constellation.
func (l *Learner) received() (take [satellite.NumIndices]bool) {
	var system [satellite.NSystems]struct{ there, seen int }
	for i := range l.open {
		system[i/satellite.MaxNumber].there += int(l.open[i].there)
		system[i/satellite.MaxNumber].seen += int(l.open[i].seen)
	}
	const share, enough = 0.2, 20
	for i := range take {
		o, s := &l.open[i], &system[i/satellite.MaxNumber]
		take[i] = float64(s.seen) > share*float64(s.there)
		if o.there >= enough {
			take[i] = float64(o.seen) > share*float64(o.there)
		}
	}
	return take
}

// Ahead looks n rows of step s ahead, from the given time. It is nil where no
// satellite is known that the receiver takes.
func (l *Learner) Ahead(from gnsstime.Time, step float64, n int) *Outlook {
	if !l.placed {
		return nil
	}
	o := &Outlook{Length: l.length, Step: step, From: from, Had: l.had}
	take := l.received()
	sets := l.latest(&take, l.rover)
	if o.Sets = len(sets); o.Sets == 0 {
		return nil
	}
	lines := l.skylines()
	now := l.up(sets, l.rover)
	for row := range n {
		t := from.Add(step * float64(row))
		cells := make([]Cell, len(lines))
		sum := make([]geometry, len(lines))
		up := 0
		for i := range sets {
			sets[i] = sets[i].Ahead(t)
			var d direction
			if d.az, d.el = orbit.Look(&l.frame, sets[i].At(t).Pos); d.el <= horizon {
				continue
			}
			up++
			for p := range lines {
				if !lines[p].hides(&d) {
					sum[p].add(&d, int(sets[i].Sat.System))
				}
			}
		}
		for p := range cells {
			cells[p] = Cell{Sats: float64(sum[p].n), Systems: sum[p].systems(), HDOP: sum[p].hdop()}
		}
		o.Rows = append(o.Rows, cells)
		o.Known = append(o.Known, min(1, float64(up)/float64(max(1, now))))
	}
	for p := range lines {
		yaw := math.Atan2(l.places[p].n, l.places[p].e)
		o.Sky = append(o.Sky, Side{Left: lines[p].side(yaw + math.Pi/2), Right: lines[p].side(yaw - math.Pi/2), Driven: l.places[p].driven})
	}
	return o
}

// up counts the satellites above the horizon at t.
func (l *Learner) up(sets []orbit.Ephemeris, t gnsstime.Time) (n int) {
	for i := range sets {
		moved := sets[i].Ahead(t)
		if _, el := orbit.Look(&l.frame, moved.At(t).Pos); el > horizon {
			n++
		}
	}
	return n
}

// Share gives l the ephemerides that o heard: those of another recording tell of other
// hours, and of the next day, since orbits come round.
func (l *Learner) Share(o *Learner) {
	for sys := range satellite.NSystems {
		for n := 1; n <= satellite.MaxNumber; n++ {
			list := o.sets.Sets(satellite.ID{System: sys, Number: uint8(n)})
			for i := range list {
				l.Set(&list[i])
			}
		}
	}
}

// Begin returns the time of the first look, false before any.
func (l *Learner) Begin() (gnsstime.Time, bool) { return l.first, l.placed }

// latest returns the sound sets nearest to t of the satellites taken.
func (l *Learner) latest(take *[satellite.NumIndices]bool, t gnsstime.Time) (out []orbit.Ephemeris) {
	for sys := range satellite.NSystems {
		for n := 1; n <= satellite.MaxNumber; n++ {
			id := satellite.ID{System: sys, Number: uint8(n)}
			if !take[id.Index()] {
				continue
			}
			if best := l.nearest(id, t); best != nil {
				out = append(out, *best)
			}
		}
	}
	return out
}

// nearest returns the sound set of a satellite that is nearest to t, nil without one.
func (l *Learner) nearest(id satellite.ID, t gnsstime.Time) (best *orbit.Ephemeris) {
	list := l.sets.Sets(id)
	for i := range list {
		if e := &list[i]; e.Healthy() && (best == nil || math.Abs(e.Toe.Sub(t)) < math.Abs(best.Toe.Sub(t))) {
			best = e
		}
	}
	return best
}
