package orbit

import (
	"math"

	"kerbline/gnss/gnsstime"
	"kerbline/gnss/satellite"
)

// Store keeps the sets that were heard, by satellite. The zero value is ready
// and keeps all; it allocates when a satellite is new, or grows when Keep is 0.
type Store struct {
	Keep int // sets a satellite, the latest by reference time; 0 is all
	sets [satellite.NumIndices][]Ephemeris
}

// Add keeps e and reports whether it is new: not one that the store holds.
// A set that repeats with another health replaces the one before.
func (s *Store) Add(e *Ephemeris) bool {
	if !e.Sat.Valid() {
		return false
	}
	list := &s.sets[e.Sat.Index()]
	oldest := 0
	for i := range *list {
		o := &(*list)[i]
		if o.Toe == e.Toe && o.Toc == e.Toc && o.Issue == e.Issue && o.Source == e.Source {
			fresh := *o != *e
			*o = *e
			return fresh
		}
		if o.Toe.Sub((*list)[oldest].Toe) < 0 {
			oldest = i
		}
	}
	if s.Keep > 0 && len(*list) >= s.Keep {
		if e.Toe.Sub((*list)[oldest].Toe) < 0 {
			return false
		}
		(*list)[oldest] = *e
		return true
	}
	if *list == nil && s.Keep > 0 {
		*list = make([]Ephemeris, 0, s.Keep)
	}
	*list = append(*list, *e)
	return true
}

// Find returns the set that serves sat best at t: sound, nearest in reference
// time, of Galileo's I/NAV before F/NAV. It is nil where none serves, and valid
// until the next Add: copy what is kept longer.
func (s *Store) Find(sat satellite.ID, t gnsstime.Time) *Ephemeris {
	best, least := (*Ephemeris)(nil), math.Inf(1)
	for i := range s.Sets(sat) {
		e := &s.sets[sat.Index()][i]
		if !e.Serves(t) {
			continue
		}
		far := math.Abs(t.Sub(e.Toe))
		if e.Source == FNAV {
			far += 24 * 3600
		}
		if far < least || far == least && best != nil && e.Toc.Sub(best.Toc) > 0 {
			best, least = e, far
		}
	}
	return best
}

// Sets returns all sets of sat, in the order in which they came.
func (s *Store) Sets(sat satellite.ID) []Ephemeris {
	if !sat.Valid() {
		return nil
	}
	return s.sets[sat.Index()]
}
