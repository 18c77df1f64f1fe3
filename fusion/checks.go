package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/navigation"
	"kerbline/fusion/symptoms"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"
)

// checks are the symptoms that need no comparison of motions: what the decoder could
// not read, positions in steps, a gate that a good receiver never passes, a map or a
// base of another place, clocks of the link.
type checks struct {
	found [symptoms.NumIDs]symptoms.Finding
	next  float64 // host s of the next look

	coarse, fine int     // moving epochs in a row that do and do not lie on a grid
	step         float64 // m, of that grid
	lastPos      geodesy.LLA

	gated    [numGates]gate
	refused  int     // fixed epochs that the gate refused
	passed   int     // and that it did not
	since    float64 // host s of the first of them
	onMap    bool    // was on the map once
	offMap   float64 // m driven beside it
	within   float64 // m driven by a usable position between its edges
	beyond   float64 // m driven so outside them
	damaged  int     // sentences that arrived damaged
	broken   string  // why the first of them was refused
	narrow   float64 // host s since which everything but the levels holds, NaN
	least    float64 // m or deg, least level since
	axis     int     // of which
	linkBad  int     // refused lines of the link
	linkWhy  string
	linkLate int // looks in a row at which the link's clock is off
	imuHeard float64
}

// gates are the limits of the fix gate that a receiver may fail.
const (
	gateAge = iota
	gateSats
	gateHDOP
	gateSigma
	numGates
)

type gate struct {
	n           int
	least, most float64
}

func (g *gate) add(v float64) {
	if g.n == 0 {
		g.least, g.most = v, v
	}
	g.n++
	g.least, g.most = math.Min(g.least, v), math.Max(g.most, v)
}

// raise takes a finding; one that was there already is only said anew.
func (c *checks) raise(m *Monitor, f symptoms.Finding) {
	was := &c.found[f.ID]
	if was.ID == symptoms.None || was.Set == "" && f.Set != "" {
		m.suspect(f)
	}
	// A clock that was found is what lines could not be read for.
	switch f.ID {
	case symptoms.IMUClock:
		c.found[symptoms.IMUUnread] = symptoms.Finding{}
	case symptoms.WheelClock:
		c.found[symptoms.WheelUnread] = symptoms.Finding{}
	}
	*was = f
}

func (c *checks) drop(id symptoms.ID) { c.found[id] = symptoms.Finding{} }

// first returns the most basic finding, with those of the comparison of motions.
func (c *checks) first(f symptoms.Finding) symptoms.Finding {
	for id := range c.found {
		if g := c.found[id]; g.ID != symptoms.None && (f.ID == symptoms.None || g.ID < f.ID) {
			return g
		}
	}
	return f
}

// stops reports whether one of them does.
func (c *checks) stops() bool {
	for id := range c.found {
		if g := &c.found[id]; g.ID != symptoms.None && symptoms.Of(g.ID).Stops {
			return true
		}
	}
	return false
}

const (
	lookInterval = 1.0  // s
	gridRow      = 40   // moving epochs in a row on a grid that are no chance
	gateHold     = 20.0 // s that a gate refuses a fixed receiver throughout
	narrowHold   = 30.0 // s
	offMapLeast  = 200.0
	nowhereNear  = 100e3 // m from the base: no RTK reaches so far
	slowIMU      = 40.0  // Hz
	slowFix      = 3.0   // Hz
	damagedLeast = 50    // sentences
	damagedShare = 10    // epochs for one damaged sentence, from which on the line is bad
	beyondLeast  = 100.0 // m driven outside the map's edges, and
	beyondShare  = 0.25  // the share of all, that are no excursion. Common practice, no source.
)

// onEpoch looks at one epoch.
func (c *checks) onEpoch(m *Monitor, e *gnss.Epoch) {
	if e.HasPos {
		c.grid(m, e)
	}
	c.gate(m, e)
}

// grid notices positions that stand on a grid of thousandths of a minute.
func (c *checks) grid(m *Monitor, e *gnss.Epoch) {
	if e.Pos == c.lastPos {
		return
	}
	c.lastPos = e.Pos
	decimals := -1
	for k, by := 0, 1.0; k <= 4; k, by = k+1, by*10 {
		lat, lon := e.Pos.Lat/geodesy.Degree*60*by, e.Pos.Lon/geodesy.Degree*60*by
		if math.Abs(lat-math.Round(lat)) < 1e-4 && math.Abs(lon-math.Round(lon)) < 1e-4 {
			decimals = k
			break
		}
	}
	if decimals < 0 {
		c.coarse = 0
		if c.fine++; c.fine >= gridRow {
			c.drop(symptoms.FixDecimals)
		}
		return
	}
	c.fine = 0
	step := 1852 / math.Pow10(decimals) // a minute of latitude, by the definition of the nautical mile
	if c.coarse == 0 || step < c.step {
		c.step = step
	}
	// At a crawl a step is an epoch apart from the next, and few come.
	if c.coarse++; c.coarse >= gridRow || c.coarse >= 8 && c.step > 10 {
		c.raise(m, symptoms.Finding{ID: symptoms.FixDecimals, Seen: fmt.Sprintf("positions come in steps of %.2g m: %.0f decimals of a minute", c.step, math.Round(math.Log10(1852/c.step)))})
	}
}

// gate notices limits of the settings that a fixed receiver never meets.
func (c *checks) gate(m *Monitor, e *gnss.Epoch) {
	if e.Quality != gnss.QualityFixed || !e.HasPos {
		return
	}
	if c.refused+c.passed == 0 || m.now < c.since {
		c.since, c.gated, c.refused, c.passed = m.now, [numGates]gate{}, 0, 0
	}
	if m.rcv.class == navigation.ClassFixed {
		if c.passed++; c.passed > 4*gridRow && c.passed > c.refused {
			c.drop(symptoms.FixGate)
			c.refused, c.passed = 0, 0
		}
		return
	}
	c.refused++
	g := &m.cfg.GNSS
	if e.Age > g.MaxAge {
		c.gated[gateAge].add(e.Age)
	}
	if e.Sats >= 0 && e.Sats < g.MinSats {
		c.gated[gateSats].add(float64(e.Sats))
	}
	if e.HDOP > g.MaxHDOP {
		c.gated[gateHDOP].add(e.HDOP)
	}
	if h := math.Hypot(e.SigmaN, e.SigmaE) / math.Sqrt2; h > g.MaxSigma {
		c.gated[gateSigma].add(h)
	}
	if m.now-c.since < gateHold || c.passed > c.refused {
		return
	}
	own := DefaultConfig().GNSS
	for i, k := range [numGates]struct {
		key, unit      string
		limit, usual   float64 // of the settings, by default
		seen, proposed float64
		strict         bool
	}{
		{"gnss.max_age_s", "s", g.MaxAge, own.MaxAge, c.gated[gateAge].most, own.MaxAge, g.MaxAge < own.MaxAge},
		{"gnss.min_sats", "", float64(g.MinSats), float64(own.MinSats), c.gated[gateSats].least, float64(own.MinSats), g.MinSats > own.MinSats},
		{"gnss.max_hdop", "", g.MaxHDOP, own.MaxHDOP, c.gated[gateHDOP].most, own.MaxHDOP, g.MaxHDOP < own.MaxHDOP},
		{"gnss.max_sigma_m", "m", g.MaxSigma, own.MaxSigma, c.gated[gateSigma].most, own.MaxSigma, g.MaxSigma < own.MaxSigma},
	} {
		if k.strict && 2*c.gated[i].n > c.refused {
			c.refused, c.passed = 0, 0
			c.raise(m, symptoms.Finding{ID: symptoms.FixGate, Set: fmt.Sprintf("%s = %g", k.key, k.proposed),
				Seen: fmt.Sprintf("it is %g %s, and the fixed receiver had up to %.3g", k.limit, k.unit, k.seen)})
			return
		}
	}
}

// look looks at what changes slowly, once a second.
func (c *checks) look(m *Monitor, s *Snapshot) {
	if m.now < c.next && m.now > c.next-2*lookInterval {
		return
	}
	c.next = m.now + lookInterval
	if s.IMUAge < lookInterval && s.Counts.IMU > 0 {
		if c.imuHeard++; c.imuHeard > 10 {
			c.drop(symptoms.IMUUnread)
		}
		if r := s.IMURate; r < slowIMU && c.imuHeard > 20 {
			c.raise(m, symptoms.Finding{ID: symptoms.IMURate, Seen: fmt.Sprintf("the inertial sensor sends at %.0f Hz, want 100 Hz", r)})
		} else if r > 1.2*slowIMU {
			c.drop(symptoms.IMURate)
		}
	} else {
		c.imuHeard = 0
	}
	if s.EpochRate < slowFix && s.Counts.Epochs > 20 {
		c.raise(m, symptoms.Finding{ID: symptoms.FixRate, Seen: fmt.Sprintf("the receiver sends %.1f epochs a second, want 5 or more", s.EpochRate)})
	} else if s.EpochRate > 1.5*slowFix {
		c.drop(symptoms.FixRate)
	}
	c.place(m, s)
	if n := int(s.Counts.Epochs); c.damaged > damagedLeast && damagedShare*c.damaged > n {
		c.raise(m, symptoms.Finding{ID: symptoms.FixDamaged, Seen: fmt.Sprintf("of some %d sentences %d are damaged, the first: %s", c.damaged+n, c.damaged, c.broken)})
	}
	c.level(m, s)
	c.link(m, s)
}

// place notices a base, or a map, that is nowhere near.
func (c *checks) place(m *Monitor, s *Snapshot) {
	e := &s.Epoch
	if !e.HasPos {
		return
	}
	if far := s.Link.Baseline; far > nowhereNear {
		c.raise(m, symptoms.Finding{ID: symptoms.FixPlace, Seen: fmt.Sprintf("the positions, latitude %.3f and longitude %.3f deg, are %.0f km from the base: look at the hemisphere, and whether latitude and longitude are exchanged",
			e.Pos.Lat/geodesy.Degree, e.Pos.Lon/geodesy.Degree, far/1e3)})
	} else if far <= nowhereNear {
		c.drop(symptoms.FixPlace)
	}
	if m.crs == nil || !s.HasPos {
		return
	}
	if s.HasCourse {
		c.onMap, c.offMap = true, 0
		c.drop(symptoms.MapElsewhere)
		if math.IsNaN(s.HalfWidth) {
			c.raise(m, symptoms.Finding{ID: symptoms.MapWidth, Seen: "the map holds no half_width_m here"})
		} else {
			c.drop(symptoms.MapWidth)
			c.edges(m, s)
		}
		return
	}
	if s.Speed > 1 {
		c.offMap += s.Speed * lookInterval
	}
	if c.onMap || c.offMap < offMapLeast {
		return
	}
	o := m.crs.Origin()
	off := enu(vec(m.frame.FromLLA(o)))
	dist := math.Hypot(off.E-s.ENU.E, off.N-s.ENU.N)
	seen := fmt.Sprintf("%.0f m were driven and never on the map, whose line begins %.1f km from the car", c.offMap, dist/1e3)
	o.Lat, o.Lon = o.Lon, o.Lat
	if x := m.frame.FromLLA(o); math.Hypot(x.E-s.ENU.E, x.N-s.ENU.N) < 0.1*dist {
		seen += "; with longitude and latitude exchanged it begins near the car: a map holds [longitude, latitude]"
	}
	c.raise(m, symptoms.Finding{ID: symptoms.MapElsewhere, Seen: seen})
}

// edges notices a car that drives outside the map's edges again and again.
func (c *checks) edges(m *Monitor, s *Snapshot) {
	if s.Verdict != Usable || !(s.Speed > 1) {
		return
	}
	if d := s.Speed * lookInterval; math.Abs(s.Cross) > s.HalfWidth {
		c.beyond += d
	} else {
		c.within += d
	}
	if all := c.within + c.beyond; c.beyond > beyondLeast && c.beyond > beyondShare*all {
		c.raise(m, symptoms.Finding{ID: symptoms.MapShifted, Seen: fmt.Sprintf("%.0f of %.0f m were driven outside the map's edges", c.beyond, all)})
	} else if c.beyond < beyondShare/2*all {
		c.drop(symptoms.MapShifted)
	}
}

// onSentenceRefused counts sentences that were damaged on their way.
func (c *checks) onSentenceRefused(why Refusal, note string) {
	switch why {
	case RefusedChecksum, RefusedCut, RefusedNoChecksum, RefusedTooLong, RefusedNoStart:
		if c.damaged++; c.broken == "" {
			c.broken = note
		}
	}
}

// level notices limits that the levels never meet while all else holds.
func (c *checks) level(m *Monitor, s *Snapshot) {
	const degree = math.Pi / 180
	axes := [...]struct {
		key, unit  string
		al, pl     float64
		least, set float64 // an alert limit that no level meets by far, common practice; the settings'
	}{
		{"limits.lateral_m", "m", s.ALLat, s.PLLat.Total, 0.25, m.cfg.Limits.Lateral},
		{"limits.along_m", "m", s.ALLon, s.PLLon.Total, 0.35, m.cfg.Limits.Along},
		{"limits.heading_deg", "deg", s.ALYaw / degree, s.PLYaw.Total / degree, 0.8, m.cfg.Limits.Heading},
	}
	at := -1
	for i := range axes {
		if a := &axes[i]; a.al < a.least && a.pl > a.al {
			at = i
			break
		}
	}
	if at < 0 || !s.EpochUsed || s.DwellLeft > 0 || m.params.Wrong() || !(s.Speed > 1) {
		if at < 0 && s.PLLat.Total <= s.ALLat {
			c.narrow = math.NaN()
			c.drop(symptoms.Levels)
		}
		return
	}
	a := &axes[at]
	if !(c.narrow > 0) || c.axis != at {
		c.narrow, c.least, c.axis = m.now, math.Inf(1), at
	}
	c.least = math.Min(c.least, a.pl)
	if m.now-c.narrow < narrowHold {
		return
	}
	name := [...]string{"lateral level", "level along the track", "level of heading"}[at]
	seen := fmt.Sprintf("%s is %.2f %s, and the %s was never below %.2f %s", a.key, a.set, a.unit, name, c.least, a.unit)
	if at == 0 && s.ALLat < m.cfg.Limits.Lateral {
		seen = fmt.Sprintf("half_width_m of the map, %.1f m here, less vehicle.half_width_m, %.2f m, and vehicle.tracking_margin_m, %.2f m, leaves %.2f m for a lateral level that was never below %.2f m",
			s.HalfWidth, m.cfg.Vehicle.HalfWidth, m.cfg.Vehicle.TrackingSigma, s.ALLat, c.least)
	}
	c.raise(m, symptoms.Finding{ID: symptoms.Levels, Seen: seen})
}

// onLinkRefused counts lines of the link that could not be read.
func (c *checks) onLinkRefused(why string) {
	if c.linkBad++; c.linkWhy == "" {
		c.linkWhy = why
	}
}

// link notices corrections that are none, and clocks: a link that is late by more
// than the age of what the receiver uses is late by a clock.
func (c *checks) link(m *Monitor, s *Snapshot) {
	const enough, young, leap = 20, 8.0, 18.0
	if c.linkBad > enough && s.Counts.Frames == 0 {
		c.raise(m, symptoms.Finding{ID: symptoms.LinkUnread, Seen: c.linkWhy})
	} else if s.Counts.Frames > 0 {
		c.drop(symptoms.LinkUnread)
	}
	lat := s.Link.UsualLat
	if !(s.Epoch.Age < young) || !(math.Abs(lat) > young || lat < -1) {
		c.linkLate = 0
		c.drop(symptoms.GNSSClock)
		c.drop(symptoms.LinkClock)
		return
	}
	if c.linkLate++; c.linkLate < 10 {
		return
	}
	set := m.cfg.Columns.GNSSOffset
	switch {
	case lat-leap > -1 && lat-leap < 2 || lat+leap > -1 && lat+leap < 2: // with the link's own latency
		c.raise(m, symptoms.Finding{ID: symptoms.GNSSClock, Set: fmt.Sprintf("columns.gnss_offset_s = %.1f", set-math.Copysign(leap, lat)),
			Seen: fmt.Sprintf("by the sentences' time corrections arrive %.1f s after they were made, and the receiver says that they are %.1f s old: the sentences do not tell UTC", lat, s.Epoch.Age)})
	default:
		c.raise(m, symptoms.Finding{ID: symptoms.LinkClock,
			Seen: fmt.Sprintf("by their stamps corrections arrive %.1f s after they were made, and the receiver says that they are %.1f s old", lat, s.Epoch.Age)})
	}
}
