package carrier

import (
	"math"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

const (
	forget = 60.0 // s after which a satellite's place may go to another
	stale  = 10.0 // s after which a carrier's place may go to another
)

// gather sorts the epoch's phases into the places of their satellites.
func (p *Path) gather(e *observation.Epoch) {
	for i := range p.n {
		b := &p.sats[i]
		b.up = false
		for j := range b.tracks {
			b.tracks[j].now = false
			b.tracks[j].yBefore = b.tracks[j].yTime
		}
	}
	for i := range e.Obs {
		o := &e.Obs[i]
		if !o.Sat.Valid() || !finite(o.Phase) || !finite(o.Code) {
			continue
		}
		hz := p.carrier(o)
		if !(hz > 0) {
			continue
		}
		b := p.find(o.Sat, e.Time)
		if b == nil {
			continue
		}
		if !b.up {
			b.up = true
			b.seen = e.Time
			b.code = o.Code
		}
		b.offer(o, hz, e.Time)
	}
	for i := range p.n {
		b := &p.sats[i]
		if !b.up {
			continue
		}
		b.take(e, p.before)
		b.serve(p.orbits, e.Time)
	}
}

// carrier is the frequency of a signal; that of GLONASS may be known to the ephemeris
// alone.
func (p *Path) carrier(o *observation.Observation) float64 {
	if o.Hz > 0 || o.Sat.System != satellite.GLONASS {
		return o.Hz
	}
	sets := p.orbits.Sets(o.Sat)
	if len(sets) == 0 {
		return 0
	}
	return o.Sat.System.Frequency(o.Signal, sets[len(sets)-1].Inertial.Channel)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// find returns the place of a satellite, nil when all are taken.
func (p *Path) find(id satellite.ID, now gnsstime.Time) *body {
	slot := &p.place[id.Index()]
	if *slot > 0 {
		return &p.sats[*slot-1]
	}
	at := -1
	if p.n < maxSats {
		at = p.n
		p.n++
	} else {
		for i := range p.n {
			if now.Sub(p.sats[i].seen) > forget && (at < 0 || p.sats[i].seen.Sub(p.sats[at].seen) < 0) {
				at = i
			}
		}
		if at < 0 {
			return nil
		}
		p.place[p.sats[at].id.Index()] = 0
	}
	p.sats[at] = body{id: id}
	*slot = uint8(at + 1)
	return &p.sats[at]
}

// rank orders the carriers for a place: the first takes the band that all
// satellites of the system send, the second another one, best the modern signals.
// 0 is not for this place.
func rank(s satellite.System, place int, sig satellite.Signal) int {
	first := sig.Band == '1' || s == satellite.BeiDou && sig.Band == '2'
	if first != (place == 0) {
		return 0
	}
	r := 1
	switch sig.Band {
	case '1', '5':
		r = 9
	case '7':
		r = 7
	case '2':
		r = 5
	}
	switch sig.Attribute {
	case 'W', 'P', 'Y', 'N', 'D': // semi-codeless, or encrypted
		r--
	}
	if s == satellite.BeiDou && place == 0 && sig.Band == '2' { // B1I, of every satellite
		r = 10
	}
	return r
}

// offer puts a carrier forward for one of the satellite's two places. A place keeps
// its signal while it is heard.
func (b *body) offer(o *observation.Observation, hz float64, now gnsstime.Time) {
	for j := range b.tracks {
		r := rank(b.id.System, j, o.Signal)
		if r == 0 {
			continue
		}
		t := &b.tracks[j]
		c := &b.offers[j]
		switch {
		case t.signal == o.Signal:
			r = 100
		case t.signal != (satellite.Signal{}) && now.Sub(t.seen) <= stale:
			r = 0
		}
		if r > c.rank {
			c.rank, c.obs = r, *o
			c.obs.Hz = hz
		}
	}
}

// take makes the carriers put forward those of this epoch.
func (b *body) take(e *observation.Epoch, before gnsstime.Time) {
	for j := range b.tracks {
		c, t := &b.offers[j], &b.tracks[j]
		if c.rank == 0 {
			continue
		}
		o := &c.obs
		c.rank = 0
		gap := e.Time.Sub(t.seen)
		goes := t.signal == o.Signal && !t.seen.IsZero() && gap > 0 && gap <= maxGap && !o.Slip && o.HalfCycle == t.half
		if goes && !math.IsNaN(o.Lock) {
			goes = o.Lock >= gap && !(o.Lock < t.lock)
		}
		t.now = true
		t.goes = goes
		t.kept = t.kept && t.signal == o.Signal
		if t.anchored && !goes {
			t.anchored, t.doubt = false, false
		}
		t.recent = goes && t.yTime == before
		t.turned = math.NaN()
		if t.recent && finite(o.Doppler) && finite(t.doppler) && o.Doppler != 0 {
			// Phase grows as the range; Doppler is minus its rate.
			t.turned = o.Phase - t.phase + (o.Doppler+t.doppler)/2*gap
		}
		t.signal, t.hz, t.seen = o.Signal, o.Hz, e.Time
		t.phase, t.doppler, t.lock, t.half = o.Phase, o.Doppler, o.Lock, o.HalfCycle
	}
}

// serve sees to the ephemeris. An arc keeps the one it began with, as long as the
// satellite calls itself sound: another would move its range by decimetres.
func (b *body) serve(orbits *orbit.Store, now gnsstime.Time) {
	if b.known && (b.held() || b.kept(now)) && b.eph.Serves(now) && sound(orbits.Sets(b.id), b.eph.Toe) {
		return
	}
	if b.known {
		b.end()
		b.tracks[0].kept, b.tracks[1].kept = false, false
	}
	set := orbits.Find(b.id, now)
	if b.known = set != nil && sound(orbits.Sets(b.id), set.Toe); b.known {
		b.eph = *set
	}
}

// sound reports that no set newer than toe says the satellite is not.
func sound(sets []orbit.Ephemeris, toe gnsstime.Time) bool {
	for i := range sets {
		if !sets[i].Healthy() && sets[i].Toe.Sub(toe) >= 0 {
			return false
		}
	}
	return true
}

// held reports whether a phase of the satellite goes on.
func (b *body) held() bool { return b.tracks[0].goes || b.tracks[1].goes }

// end ends the arcs of the satellite.
func (b *body) end() {
	for j := range b.tracks {
		t := &b.tracks[j]
		t.goes, t.recent, t.anchored = false, false, false
	}
}

// look models the ranges of the epoch from a place.
func (p *Path) look(from geodesy.ECEF) {
	zenith := ZenithDelay(from)
	p.blind = 0
	for i := range p.n {
		b := &p.sats[i]
		if !b.up {
			continue
		}
		if !b.known {
			b.up = false
			p.blind++
			continue
		}
		p.see(b, from, zenith)
		if b.Sin < minSine {
			b.up = false
			b.end()
			continue
		}
		for j := range b.tracks {
			if t := &b.tracks[j]; t.now {
				t.last = t.y
				t.yTime = p.time
				t.y = t.phase*satellite.SpeedOfLight/t.hz - b.Model
			}
		}
	}
}

// see models the range of one satellite.
func (p *Path) see(b *body, from geodesy.ECEF, zenith float64) {
	b.Sight = See(&b.eph, p.time, b.code, from, &p.frame, zenith)
	b.ahead = b.code - b.Model
}
