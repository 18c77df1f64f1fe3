package singlepoint

import (
	"math"

	"kerbline/gnss/atmosphere"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

// preferred lists the signals whose code is used by system: those of the first
// frequency, best first, then those of a second one.
var preferred = [satellite.NSystems][2][]satellite.Signal{
	satellite.GPS:     {signals("1C", "1W", "1P", "1X", "1L", "1S"), signals("2W", "2P", "2L", "2X", "2S", "2C", "5Q", "5X", "5I")},
	satellite.GLONASS: {signals("1C", "1P"), signals("2C", "2P")},
	satellite.Galileo: {signals("1C", "1X", "1B"), signals("7Q", "7X", "7I", "5Q", "5X", "5I")},
	satellite.QZSS:    {signals("1C", "1X", "1L", "1S"), signals("2L", "2X", "2S", "5Q", "5X", "5I")},
	satellite.BeiDou:  {signals("2I", "2X", "2Q"), signals("6I", "6X", "7I", "7X")},
}

func signals(codes ...string) (list []satellite.Signal) {
	for _, c := range codes {
		list = append(list, satellite.Signal{Band: c[0], Attribute: c[1]})
	}
	return list
}

// The error model of a code by broadcast ephemeris, m: orbit and clock by
// system; receiver noise and multipath at the zenith; what the models of the air
// leave of their delay. Common practice, no source, but for the ionosphere
// (half of the delay is left, by the model's makers) and the orbits (broadcast
// against precise ones: GPS 1.5 m, GLONASS 3 m median).
var ephemerisSigma = [satellite.NSystems]float64{
	satellite.GPS: 1.5, satellite.GLONASS: 4, satellite.Galileo: 1, satellite.SBAS: 4, satellite.QZSS: 2, satellite.BeiDou: 2, satellite.NavIC: 4,
}

const (
	codeSigma        = 0.6 // at the zenith
	glonassCode      = 2   // times codeSigma: half the chip rate, biases between channels
	ionosphereLeft   = 0.5 // of the modelled delay
	troposphereLeft  = 0.1 // m at the zenith
	ionosphereAbsent = 5.0 // m at the zenith, a day of middling activity
)

// gather makes a row of every satellite that has a code and a set.
func (s *Solver) gather(e *observation.Epoch, sol *Solution) {
	s.n = 0
	for i := range e.Obs {
		id := e.Obs[i].Sat
		if first(e, i) != i || id.System >= satellite.NSystems {
			continue
		}
		one := best(e, i, preferred[id.System][0])
		if one == nil {
			continue
		}
		set := s.Sets.Find(id, e.Time)
		if set == nil {
			sol.Without++
			continue
		}
		delay, ok := set.Delay(one.Signal)
		if !ok || one.Hz == 0 || s.n == maxRows {
			continue
		}
		sent, st := set.Transmitted(e.Time, one.Code, delay)
		r := &s.rows[s.n]
		s.n++
		*r = row{sat: id, sent: st.Pos, hz: one.Hz, tow: sent.TOW, model: Unmodelled}
		clock := st.Clock * satellite.SpeedOfLight
		r.code = one.Code + clock - delay*satellite.SpeedOfLight
		if s.Ionosphere.Known() {
			r.model = Broadcast
			continue
		}
		two := best(e, i, preferred[id.System][1])
		if two == nil || two.Hz == 0 {
			continue
		}
		delay2, ok := set.Delay(two.Signal)
		if !ok {
			continue
		}
		// P = (f1^2 P1 - f2^2 P2) / (f1^2 - f2^2)
		f1, f2 := one.Hz*one.Hz, two.Hz*two.Hz
		second := two.Code + clock - delay2*satellite.SpeedOfLight
		r.code = (f1*r.code - f2*second) / (f1 - f2)
		r.model = DualFrequency
	}
}

// first returns the index of the first observation of the satellite of
// observation i.
func first(e *observation.Epoch, i int) int {
	for k := range i {
		if e.Obs[k].Sat == e.Obs[i].Sat {
			return k
		}
	}
	return i
}

// best returns the observation with a code of the first signal of a list that
// the satellite of observation i has.
func best(e *observation.Epoch, i int, list []satellite.Signal) *observation.Observation {
	for _, sig := range list {
		for k := i; k < len(e.Obs); k++ {
			o := &e.Obs[k]
			if o.Sat == e.Obs[i].Sat && o.Signal == sig && plausible(o.Code) {
				return o
			}
		}
	}
	return nil
}

// plausible reports whether a code is that of a navigation satellite: 5000 km
// are below all, and a re-referenced base's clock adds 1.5 million m at most.
func plausible(code float64) bool { return code > 5e6 && code < 1e8 }

// air takes the delays of the air out of a row's residual and sets its
// variance.
func (s *Solver) air(r *row, at geodesy.LLA) {
	el := math.Max(r.elevation, 3*geodesy.Degree)
	slant := 1 / math.Sin(el)
	r.residual -= atmosphere.Troposphere(at.Lat, at.H, el)
	noise := codeSigma * slant
	if r.sat.System == satellite.GLONASS {
		noise *= glonassCode
	}
	left := 0.0
	switch r.model {
	case Broadcast:
		d := s.Ionosphere.Delay(at, el, r.azimuth, r.tow) * (atmosphere.L1 / r.hz) * (atmosphere.L1 / r.hz)
		r.residual -= d
		left = ionosphereLeft * d
	case DualFrequency:
		noise *= 3 // of the combination
	case Unmodelled:
		left = ionosphereAbsent * (1 + 16*math.Pow(0.53-el/math.Pi, 3)) // the slant factor of IS-GPS-200
	}
	air := troposphereLeft * slant
	eph := ephemerisSigma[r.sat.System]
	r.variance = noise*noise + left*left + air*air + eph*eph
}
