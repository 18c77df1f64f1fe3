package outlook

import (
	"math"
	"slices"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

const (
	// maxPlaces is how many places a lap is cut into at most.
	maxPlaces   = 60
	placeLength = 8.0 // m, at least

	sectors = 24 // of azimuth, 15 degrees each
	rings   = 90 // of elevation, 1 degree each

	horizon = 5 * geodesy.Degree // lower satellites tell nothing: receivers leave them out
	sample  = 0.5                // s from look to look
	moves   = 10.0               // s in which a satellite moves by less than 0.1 degree
	bucket  = 600.0              // s, for what was had
	old     = 4 * 3600.0         // s: an older set tells no more where its satellite stands
)

// Where is where the car was, as far as that is proven.
type Where struct {
	Pos geodesy.LLA
	Yaw float64 // rad from east, counter-clockwise
	// M is m along the lap, Length of it; 0 and 0 without a map: then all is one place.
	M, Length float64
}

// look is how often a direction held a satellite, and how often that was received.
type look struct{ there, seen uint16 }

// sky is what one place showed.
type sky struct {
	looks  [sectors][rings]look
	e, n   float64 // sum of the directions of travel
	driven bool
}

// Had is what the car received at one place over ten minutes.
type Had struct {
	From   gnsstime.Time
	Place  int
	Epochs int
	Sats   float64 // mean
	dops   []float32
}

// HDOP returns the median, +Inf where most epochs had none.
func (h *Had) HDOP() float64 {
	d := slices.Sorted(slices.Values(h.dops))
	return float64(d[len(d)/2])
}

// Learner learns the sky along a lap. The zero value is ready.
type Learner struct {
	sets   orbit.Store
	nSets  int
	length float64
	places []sky
	frame  geodesy.Frame
	placed bool

	near     [satellite.NumIndices]direction
	nearAt   gnsstime.Time
	rover    gnsstime.Time // of the observations not yet looked at
	got      [satellite.NumIndices]bool
	waiting  bool
	lookedAt gnsstime.Time
	first    gnsstime.Time

	// Of satellites well above all that hides: how often they were there and received.
	open [satellite.NumIndices]look
	had  []Had
}

// direction is where a satellite stands; ok is false below the horizon or without
// a set.
type direction struct {
	az, el float64
	ok     bool
}

// Set takes an ephemeris, from wherever it was heard.
func (l *Learner) Set(e *orbit.Ephemeris) {
	if l.sets.Keep == 0 {
		l.sets.Keep = 4
	}
	if l.sets.Add(e) {
		l.nSets++
		l.nearAt = gnsstime.Time{} // look again
	}
}

// Observed takes what the rover observed.
func (l *Learner) Observed(e *observation.Epoch) {
	l.got = [satellite.NumIndices]bool{}
	for i := range e.Obs {
		if o := &e.Obs[i]; o.Sat.Valid() && !math.IsNaN(o.Phase) && !math.IsNaN(o.Code) {
			l.got[o.Sat.Index()] = true
		}
	}
	l.rover, l.waiting = e.Time, true
}

// At says where the car is proven to be, and looks at what was observed last.
func (l *Learner) At(w Where) {
	if !l.waiting || l.nSets == 0 || !l.lookedAt.IsZero() && math.Abs(l.rover.Sub(l.lookedAt)) < sample {
		return
	}
	l.waiting, l.lookedAt = false, l.rover
	if l.first.IsZero() {
		l.first = l.rover
	}
	if !l.placed {
		l.placed, l.frame, l.length = true, geodesy.NewFrame(w.Pos), w.Length
		l.places = make([]sky, min(maxPlaces, max(1, int(w.Length/placeLength))))
	}
	l.directions(l.rover)
	place := l.place(w.M)
	l.learn(&l.places[place], w.Yaw)
	l.count(place)
}

// place returns the index of m along the lap.
func (l *Learner) place(m float64) int {
	if l.length <= 0 {
		return 0
	}
	return min(len(l.places)-1, max(0, int(m/l.length*float64(len(l.places)))))
}

// directions finds where the satellites stand at t.
func (l *Learner) directions(t gnsstime.Time) {
	if !l.nearAt.IsZero() && math.Abs(t.Sub(l.nearAt)) < moves {
		return
	}
	l.nearAt = t
	for sys := range satellite.NSystems {
		for n := 1; n <= satellite.MaxNumber; n++ {
			id := satellite.ID{System: sys, Number: uint8(n)}
			d := &l.near[id.Index()]
			*d = direction{}
			if e := l.sets.Find(id, t); e != nil {
				d.az, d.el = orbit.Look(&l.frame, e.At(t).Pos)
			} else if e := l.nearest(id, t); e != nil && math.Abs(t.Sub(e.Toe)) < old {
				moved := e.Ahead(t)
				d.az, d.el = orbit.Look(&l.frame, moved.At(t).Pos)
			}
			d.ok = d.el > horizon
		}
	}
}

const highUp = 45 * geodesy.Degree // what is not received there is not received at all

func (l *Learner) learn(p *sky, yaw float64) {
	sin, cos := math.Sincos(yaw)
	p.e, p.n, p.driven = p.e+cos, p.n+sin, true
	for i := range l.near {
		d := &l.near[i]
		if !d.ok {
			continue
		}
		p.looks[sector(d.az)][ring(d.el)].add(l.got[i])
		if d.el > highUp {
			l.open[i].add(l.got[i])
		}
	}
}

func (k *look) add(seen bool) {
	if k.there == math.MaxUint16 { // what counts is the share
		k.there, k.seen = k.there/2, k.seen/2
	}
	k.there++
	if seen {
		k.seen++
	}
}

func sector(az float64) int { return int(az/(2*math.Pi)*sectors) % sectors }

func ring(el float64) int { return min(rings-1, int(el/(math.Pi/2)*rings)) }

// count adds what is received now to what was had at the place.
func (l *Learner) count(place int) {
	var g geometry
	for i := range l.near {
		if l.near[i].ok && l.got[i] {
			g.add(&l.near[i], i/satellite.MaxNumber)
		}
	}
	from := l.first.Add(math.Floor(l.rover.Sub(l.first)/bucket) * bucket)
	var h *Had
	for i := len(l.had) - 1; i >= 0 && l.had[i].From == from; i-- {
		if l.had[i].Place == place {
			h = &l.had[i]
			break
		}
	}
	if h == nil {
		l.had = append(l.had, Had{From: from, Place: place})
		h = &l.had[len(l.had)-1]
	}
	h.Epochs++
	h.Sats += (float64(g.n) - h.Sats) / float64(h.Epochs)
	h.dops = append(h.dops, float32(g.hdop()))
}
