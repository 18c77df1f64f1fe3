package outlook

import (
	"math"

	"kerbline/gnss/geodesy"
)

// skyline is the ring of elevation below which each sector is hidden.
type skyline [sectors]int

// edge is where a skyline lies as far as the satellites tell: from ring lo, above what
// was hidden, to ring hi, the lowest that was received.
type edge struct{ lo, hi int }

// tight reports whether the edge is known to 10 degrees.
func (e edge) tight() bool { return e.hi-e.lo <= 10*rings/90 }

func (e edge) middle() int { return (e.lo + e.hi) / 2 }

// fit finds the ring that parts what was received from what was not with the fewest
// exceptions, and how far it could be moved without touching a satellite.
func fit(looks *[rings]look) edge {
	best, least := 0, math.MaxInt
	cost := 0 // of hiding nothing: all that was not received
	for r := range looks {
		cost += int(looks[r].there - looks[r].seen)
	}
	for r := 0; ; r++ {
		if cost < least {
			best, least = r, cost
		}
		if r == rings {
			break
		}
		cost += 2*int(looks[r].seen) - int(looks[r].there)
	}
	e := edge{0, rings}
	for r := range looks {
		switch {
		case looks[r].there == 0:
		case r < best:
			e.lo = r + 1
		case e.hi == rings:
			e.hi = r
		}
	}
	return e
}

// skylines fits every place. Where the satellites of a sector leave its edge open, it
// is taken as near as they allow to what its surroundings have, else to what hides all
// along the lap. Places that were not
// driven take what the nearest driven one has.
func (l *Learner) skylines() []skyline {
	n := len(l.places)
	var all [rings]look
	for i := range l.places {
		for s := range sectors {
			looks := &l.places[i].looks[s]
			for r := range looks {
				if k := &looks[r]; k.there > 0 {
					all[r].add(2*k.seen > k.there)
				}
			}
		}
	}
	open := fit(&all).middle()
	out := make([]skyline, n)
	for i := range l.places {
		for s := range sectors {
			e := fit(&l.places[i].looks[s])
			k := e.middle()
			if !e.tight() {
				k = max(e.lo, l.around(i, s, open))
			}
			out[i][s] = min(e.hi, max(k, open)) // nowhere is the sky more open than to the receiver's own mask
		}
	}
	for i := range l.places {
		for d := 1; d < n && !l.places[i].driven; d++ {
			if a := (i + d) % n; l.places[a].driven {
				out[i] = out[a]
				break
			}
			if b := (i - d + n) % n; l.places[b].driven {
				out[i] = out[b]
				break
			}
		}
	}
	return out
}

// around pools what the surroundings of a sector at a place tell, ever wider until the
// edge is known: the same sector at the places beside it, then its neighbours, at
// last the whole sky of the place.
func (l *Learner) around(place, s, open int) int {
	n := len(l.places)
	var pool [rings]look
	var e edge
	add := func(place, s int) {
		for r := range pool {
			k := &l.places[(place+n)%n].looks[(s+sectors)%sectors][r]
			pool[r].there, pool[r].seen = pool[r].there+min(k.there, 1000), pool[r].seen+min(k.seen, 1000)
		}
	}
	add(place, s)
	for d := 1; d <= 2 && n > 4; d++ {
		add(place+d, s)
		add(place-d, s)
		if e = fit(&pool); e.tight() {
			return e.middle()
		}
	}
	for d := 1; d <= sectors/2; d++ {
		add(place, s+d)
		if d < sectors/2 {
			add(place, s-d)
		}
		if e = fit(&pool); e.tight() {
			return e.middle()
		}
	}
	if e.lo <= open {
		return min(open, e.hi)
	}
	return e.middle()
}

// hides reports whether the skyline hides a direction.
func (k *skyline) hides(d *direction) bool { return ring(d.el) < k[sector(d.az)] }

// side returns the highest elevation, rad, that hides within 45 degrees of a direction,
// rad from east, counter-clockwise.
func (k *skyline) side(dir float64) float64 {
	top := 0
	for s := range sectors {
		az := (float64(s) + 0.5) * 2 * math.Pi / sectors
		if math.Cos(math.Pi/2-az-dir) > math.Cos(45*geodesy.Degree) {
			top = max(top, k[s])
		}
	}
	return float64(top) * math.Pi / 2 / rings
}
