package orbit

import (
	"fmt"
	"math"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/satellite"
)

const bdtMinusGPS = gnsstime.BDTMinusGPS

// At returns the satellite at t, GPS time. It extrapolates without limit: whom
// the set still serves is for [Ephemeris.Serves] to say.
func (e *Ephemeris) At(t gnsstime.Time) State {
	dc := t.Sub(e.Toc)
	clock := e.Af0 + dc*(e.Af1+dc*e.Af2)
	drift := e.Af1 + 2*dc*e.Af2
	dt := t.Sub(e.Toe)
	if e.inertial() {
		pos, vel := e.Inertial.at(math.Max(-maxIntegrate, math.Min(maxIntegrate, dt)))
		return State{Pos: pos, Vel: vel, Clock: clock, Drift: drift}
	}
	s := e.kepler(dt)
	s.Clock += clock
	s.Drift += drift
	return s
}

// Ahead returns a set for looking hours ahead of what e was made for, at t: where a
// satellite stands in the sky, not how far it is. An orbit of GLONASS is moved to t,
// without the Sun's and Moon's pull, which the set holds for a quarter of an hour only:
// after 12 h a few km, a hundredth of a degree. Other orbits go on as they are.
func (e *Ephemeris) Ahead(t gnsstime.Time) Ephemeris {
	out := *e
	if e.inertial() {
		out.Inertial.Acc = geodesy.ECEF{}
		out.Inertial.Pos, out.Inertial.Vel = out.Inertial.at(t.Sub(e.Toe))
		out.Toe = t
	}
	return out
}

// maxIntegrate bounds the work on a set that is asked far outside its time.
const maxIntegrate = 4 * 3600 // s

func (e *Ephemeris) inertial() bool { return e.Sat.System == satellite.GLONASS }

// Transmitted returns when a signal was sent that a receiver received at its
// own time tag with a pseudorange in m, and the satellite then. The receiver's
// clock error is in both and cancels. delay is the group delay of the signal in
// s (see [Ephemeris.Delay]); it moves the time by nanoseconds only, and 0 will
// do for the position.
func (e *Ephemeris) Transmitted(tag gnsstime.Time, pseudorange, delay float64) (gnsstime.Time, State) {
	// The code shows the satellite's own clock; its error is a slow function,
	// so that two rounds settle it.
	raw := tag.Add(-pseudorange / satellite.SpeedOfLight)
	t := raw
	for range 2 {
		dc := t.Sub(e.Toc)
		t = raw.Add(-(e.Af0 + dc*(e.Af1+dc*e.Af2)))
	}
	s := e.At(t)
	// The relativistic part, to 70 ns, moves the satellite by 0.3 mm.
	dc := t.Sub(e.Toc)
	rel := s.Clock - (e.Af0 + dc*(e.Af1+dc*e.Af2))
	shift := -(rel - delay)
	s.Pos.X += s.Vel.X * shift
	s.Pos.Y += s.Vel.Y * shift
	s.Pos.Z += s.Vel.Z * shift
	s.Clock += s.Drift * shift
	return t.Add(shift), s
}

// Rotate returns p, fixed to the Earth when a signal left, in the axes of the
// Earth at its arrival travel seconds later (the Sagnac effect).
func Rotate(p geodesy.ECEF, travel float64) geodesy.ECEF { return turn(p, earthGPS*travel) }

// Delay returns the group delay in s of a signal against the clock of the set:
// a single-frequency user subtracts it from the satellite's clock. ok is false
// where the set does not hold what the signal needs: of GPS L5 and of BeiDou B1C and
// B2a the civil messages alone tell it.
func (e *Ephemeris) Delay(sig satellite.Signal) (s float64, ok bool) {
	d := e.GroupDelay
	// ratio (f1/f)^2 of a carrier in MHz.
	ratio := func(f1, f float64) float64 { return f1 * f1 / (f * f) }
	switch e.Sat.System {
	case satellite.GPS, satellite.QZSS: // T_GD of L1 P(Y), scaled to the others
		switch sig.Band {
		case '1':
			return d[0], true
		case '2':
			return d[0] * ratio(1575.42, 1227.60), true
		}
	case satellite.Galileo:
		switch {
		case sig.Band == '1' && e.Source == INAV:
			return d[1], true
		case sig.Band == '1' && e.Source == FNAV:
			return d[0], true
		case sig.Band == '5' && e.Source == FNAV:
			return d[0] * ratio(1575.42, 1176.45), true
		case sig.Band == '7' && e.Source == INAV:
			return d[1] * ratio(1575.42, 1207.14), true
		case sig.Band == '5' && e.Source == INAV: // the two pairs share E1
			return d[1] - d[0] + d[0]*ratio(1575.42, 1176.45), true
		}
	case satellite.BeiDou: // clock of B3I
		switch sig.Band {
		case '2':
			return d[0], true
		case '7':
			return d[1], true
		case '6':
			return 0, true
		}
	case satellite.GLONASS:
		switch sig.Band {
		case '1':
			return 0, true
		case '2':
			return d[0], true
		}
	}
	return 0, false
}

// Plausible returns an error that names a number no navigation satellite has:
// an orbit inside the Earth, a clock off by a second. What the messages can hold
// is wider in no field but the size of the orbit; files can hold anything.
func (e *Ephemeris) Plausible() error {
	radius := e.Kepler.SqrtA * e.Kepler.SqrtA
	if e.inertial() {
		radius = e.Inertial.Pos.Dist(geodesy.ECEF{})
	}
	if !(radius > 1e7 && radius < 1e8) {
		return fmt.Errorf("orbit of %.0f m, want 10 000 to 100 000 km", radius)
	}
	k, in := &e.Kepler, &e.Inertial
	for _, c := range [...]struct {
		what     string
		limit, v float64
	}{
		{"clock", 0.1, e.Af0}, {"clock rate", 1e-6, e.Af1}, {"clock rate", 1e-6, e.Af2},
		{"group delay", 1e-5, e.GroupDelay[0]}, {"group delay", 1e-5, e.GroupDelay[1]}, {"eccentricity", 0.9, k.Ecc},
		{"angle", 100, k.M0}, {"angle", 100, k.Omega0}, {"angle", 100, k.I0}, {"angle", 100, k.Omega},
		{"rate of an angle", 1e-5, k.DeltaN}, {"rate of an angle", 1e-5, k.OmegaDot}, {"rate of an angle", 1e-5, k.IDot},
		{"harmonic", 1e-3, k.Cuc}, {"harmonic", 1e-3, k.Cus}, {"harmonic", 1e-3, k.Cic}, {"harmonic", 1e-3, k.Cis},
		{"harmonic of the radius", 1e5, k.Crc}, {"harmonic of the radius", 1e5, k.Crs},
		{"velocity", 1e4, in.Vel.X}, {"velocity", 1e4, in.Vel.Y}, {"velocity", 1e4, in.Vel.Z},
		{"acceleration", 1e-3, in.Acc.X}, {"acceleration", 1e-3, in.Acc.Y}, {"acceleration", 1e-3, in.Acc.Z},
	} {
		if !(math.Abs(c.v) <= c.limit) {
			return fmt.Errorf("%s %g, want at most %g", c.what, c.v, c.limit)
		}
	}
	if k.Ecc < 0 || in.Channel < -7 || in.Channel > 13 {
		return fmt.Errorf("eccentricity %g, channel %d", k.Ecc, in.Channel)
	}
	return nil
}

// Healthy reports whether the satellite calls its signals sound.
func (e *Ephemeris) Healthy() bool {
	switch e.Sat.System {
	case satellite.Galileo:
		// Bits as in RINEX: E1-B DVS 0, HS 1-2; E5a DVS 3, HS 4-5; E5b DVS 6, HS 7-8.
		if e.Source == FNAV {
			return e.Health&0x38 == 0
		}
		return e.Health&0x1C7 == 0
	case satellite.QZSS:
		return e.Health&0x20 == 0 // bit of the summary, L1 C/A
	}
	return e.Health == 0
}

// MaxAge returns how far from its reference time in s a set serves.
func (e *Ephemeris) maxAge() float64 {
	switch e.Sat.System {
	case satellite.GLONASS:
		return 1800 // tb +-15 min, and one set late
	case satellite.Galileo:
		return 4 * 3600
	case satellite.GPS, satellite.QZSS:
		return math.Max(2*3600, e.FitHours/2*3600)
	}
	return 2 * 3600
}

// Serves reports whether the set is sound and made for t.
func (e *Ephemeris) Serves(t gnsstime.Time) bool {
	return e.Healthy() && math.Abs(t.Sub(e.Toe)) <= e.maxAge()
}

// Look returns azimuth (rad, clockwise from north, 0 to 2 pi) and elevation
// (rad) at which p is seen from the origin of a local frame.
func Look(from *geodesy.Frame, p geodesy.ECEF) (azimuth, elevation float64) {
	v := from.FromECEF(p)
	azimuth = math.Atan2(v.E, v.N)
	if azimuth < 0 {
		azimuth += 2 * math.Pi
	}
	return azimuth, math.Atan2(v.U, math.Hypot(v.E, v.N))
}
