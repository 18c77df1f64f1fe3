package rtcm

import (
	"fmt"
	"math"
	"math/bits"

	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

// lightMs is the range light travels in 1 ms, m.
const lightMs = satellite.SpeedOfLight / 1000

// The numbers that stand for "not observed".
const (
	noRough     = 255
	noRate      = -1 << 13
	noFineRate  = -1 << 14
	lockUnused  = 704 // DF407: the last indicator in use
	fineRateLSB = 1e-4
)

// resolution of code and phase in ms by MSM type, as powers of two, and the
// number that stands for none.
func codeScale(typ int) (ms float64, none int32) {
	if typ >= 6 {
		return 1.0 / (1 << 29), -1 << 19 // DF405
	}
	return 1.0 / (1 << 24), -1 << 14 // DF400
}

func phaseScale(typ int) (ms float64, none int32) {
	if typ >= 6 {
		return 1.0 / (1 << 31), -1 << 23 // DF406
	}
	return 1.0 / (1 << 29), -1 << 21 // DF401
}

// lockTime returns the least time of lock in s that an indicator stands for:
// DF402 (types 2 to 5) doubles from 32 ms, DF407 (6 and 7) is piecewise linear.
func lockTime(typ int, indicator uint16) float64 {
	i := int(indicator)
	switch {
	case typ < 6 && i == 0:
		return 0
	case typ < 6:
		return float64(int(32)<<(i-1)) / 1000
	case i < 64:
		return float64(i) / 1000
	case i > lockUnused:
		return math.NaN()
	}
	k := i>>5 - 1
	return float64(int(i-32*k)<<k) / 1000
}

// LockIndicator returns the largest indicator of an MSM type whose least time
// of lock is not above s.
func LockIndicator(typ int, s float64) uint16 {
	last := 15
	if typ >= 6 {
		last = lockUnused
	}
	lo, hi := 0, last
	for lo < hi {
		mid := (lo + hi + 1) / 2
		if lockTime(typ, uint16(mid)) <= s {
			lo = mid
		} else {
			hi = mid - 1
		}
	}
	return uint16(lo)
}

// AppendTo adds what o observed to obs: code in m, phase in cycles, Doppler in
// Hz, C/N0 in dB-Hz, lock in s, NaN for what was not observed. channel gives the
// GLONASS frequency channel of a slot where the message itself does not
// (satellite.NoChannel for unknown); it may be nil. Messages 1 to 3 hold ranges
// modulo 1 ms only: their code and phase are those remainders. A signal id
// without a name in RINEX is left out and counted.
func (o *Observables) AppendTo(obs []observation.Observation, channel func(slot int) int) (all []observation.Observation, unnamed int) {
	codeMs, noCode := codeScale(o.Type)
	phaseMs, noPhase := phaseScale(o.Type)
	w := cellBits[o.Type]
	nan := math.NaN()
	for i := range o.Cells[:o.NCells] {
		c := &o.Cells[i]
		s := &o.Sats[c.Sat]
		sig := signals[o.System][c.Signal]
		if sig.Band == 0 {
			unnamed++
			continue
		}
		id := satellite.ID{System: o.System, Number: s.Number}
		q := observation.Observation{Sat: id, Signal: sig, Code: nan, Phase: nan, Doppler: nan, CN0: nan, Lock: nan}
		q.Hz = o.System.Frequency(sig, o.channel(s, channel))
		rough := float64(s.RoughMs) + float64(s.RoughMod)/1024
		whole := o.Type < 4 || s.RoughMs != noRough
		if whole && w.code > 0 && c.Code != noCode {
			q.Code = (rough + float64(c.Code)*codeMs) * lightMs
		}
		if w.phase > 0 {
			if whole && c.Phase != noPhase && q.Hz > 0 {
				q.Phase = (rough + float64(c.Phase)*phaseMs) * (q.Hz / 1000)
			}
			q.Lock, q.HalfCycle = lockTime(o.Type, c.Lock), c.HalfCycle
		}
		if c.CNR > 0 {
			q.CN0 = float64(c.CNR)
			if o.Type >= 6 {
				q.CN0 /= 16
			}
		}
		if w.rate > 0 && s.Rate != noRate && c.Rate != noFineRate && q.Hz > 0 {
			q.Doppler = -(float64(s.Rate) + float64(c.Rate)*fineRateLSB) * q.Hz / satellite.SpeedOfLight
		}
		obs = append(obs, q)
	}
	return obs, unnamed
}

// channel returns the frequency channel of a GLONASS satellite.
func (o *Observables) channel(s *SatField, known func(slot int) int) int {
	switch {
	case o.System != GLONASS:
		return 0
	case (o.Type == 5 || o.Type == 7) && s.Info <= 13:
		return int(s.Info) - 7
	case known != nil:
		return known(int(s.Number))
	}
	return satellite.NoChannel
}

// Time returns the epoch of o in GPS time, the one nearest to near (right to
// half a week, or to half a day where GLONASS sends no weekday).
func (o *Observables) Time(near gnsstime.Time) gnsstime.Time {
	return epochTime(o.System, o.Day, o.EpochMs, near)
}

func epochTime(sys System, day int, ms int64, near gnsstime.Time) gnsstime.Time {
	s := float64(ms) / 1000
	switch sys {
	case BeiDou:
		return gnsstime.Nearest(s, near.Add(gnsstime.BDTMinusGPS)).Add(-gnsstime.BDTMinusGPS)
	case GLONASS:
		// Whole seconds through UTC, the rest apart: UTC in one float64
		// resolves 0.2 µs only.
		whole := ms / 1000
		t := gnsstime.AtUTC(gnsstime.GLONASSToUTC(day, whole*1000, near.UTC()))
		t.TOW = math.Round(t.TOW)
		return t.Add(float64(ms-whole*1000) / 1000)
	}
	return gnsstime.Nearest(s, near)
}

// Fill makes o the message of an MSM type, 4 to 7, that carries what e observed
// of one system; the epoch is rounded to the ms that a message has. Signals
// without an id, and satellites without any code, are left out. It gives an
// error where the cells do not fit one message, or a signal lies further from
// its satellite's rough range than a field reaches: then the phase is to be
// moved by whole cycles first.
func (o *Observables) Fill(e *observation.Epoch, sys System, typ int, more bool) error {
	if typ < 4 || typ > 7 || sys >= NSystems {
		return fmt.Errorf("rtcm: observations as MSM%d of %v, want types 4 to 7", typ, sys)
	}
	*o = Observables{System: sys, Type: typ, Station: max(0, e.Station), Day: -1, More: more}
	o.setEpoch(e.Time)
	var index [satellite.MaxNumber + 1][33]*observation.Observation
	for i := range e.Obs {
		q := &e.Obs[i]
		if id := signalID(sys, q.Signal); q.Sat.System == sys && id > 0 && q.Code > 0 && q.Hz > 0 {
			index[q.Sat.Number][id] = q
			o.SatMask |= 1 << (64 - q.Sat.Number)
			o.SignalMask |= 1 << (32 - id)
		}
	}
	o.NSats, o.NSignals = bits.OnesCount64(o.SatMask), bits.OnesCount32(o.SignalMask)
	if o.NSats*o.NSignals > 64 {
		return fmt.Errorf("rtcm: %d satellites of %v on %d signals, want at most 64 pairs in a message", o.NSats, sys, o.NSignals)
	}
	at := 63
	for n := 1; n <= satellite.MaxNumber; n++ {
		if o.SatMask>>(64-n)&1 == 0 {
			continue
		}
		for id := 1; id <= 32; id++ {
			if o.SignalMask>>(32-id)&1 == 0 {
				continue
			}
			if index[n][id] != nil {
				o.CellMask |= 1 << at
				o.NCells++
			}
			at--
		}
	}
	o.number()
	for i := range o.Sats[:o.NSats] {
		o.rough(i, &index[o.Sats[i].Number])
	}
	for i := range o.Cells[:o.NCells] {
		c := &o.Cells[i]
		if err := o.fine(c, index[o.Sats[c.Sat].Number][c.Signal]); err != nil {
			return err
		}
	}
	return nil
}

// setEpoch is the inverse of Time.
func (o *Observables) setEpoch(t gnsstime.Time) {
	ms := func(t gnsstime.Time) int64 { return int64(math.Round(t.TOW*1000)) % (gnsstime.Week * 1000) }
	switch o.System {
	case BeiDou:
		o.EpochMs = ms(t.Add(gnsstime.BDTMinusGPS))
	case GLONASS:
		const moscow = 3 * 3600
		leap := float64(gnsstime.LeapSeconds(t.UTC()))
		m := ms(t.Add(moscow - leap))
		o.Day, o.EpochMs = int(m/(gnsstime.Day*1000)), m%(gnsstime.Day*1000)
	default:
		o.EpochMs = ms(t)
	}
}

// rough sets a satellite's rough range and rate from its first signal.
func (o *Observables) rough(i int, signals *[33]*observation.Observation) {
	s := &o.Sats[i]
	s.Rate = noRate
	for _, q := range signals {
		if q == nil {
			continue
		}
		n := int(math.Round(q.Code / lightMs * 1024))
		s.RoughMs, s.RoughMod = uint8(min(n/1024, 254)), uint16(n%1024)
		if v := -q.Doppler * q.Wavelength(); math.Abs(v) < 8000 {
			s.Rate = int16(math.Round(v))
		}
		if o.System == GLONASS {
			s.Info = uint8(math.Round((q.Hz-1602e6)/0.5625e6)) + 7
			if q.Signal.Band != '1' {
				s.Info = uint8(math.Round((q.Hz-1246e6)/0.4375e6)) + 7
			}
		}
		break
	}
	if o.Type != 5 && o.Type != 7 {
		s.Rate, s.Info = 0, 0
	}
}

// fine sets the fields of a cell.
func (o *Observables) fine(c *CellField, q *observation.Observation) error {
	s := &o.Sats[c.Sat]
	w := cellBits[o.Type]
	rough := float64(s.RoughMs) + float64(s.RoughMod)/1024
	field := func(ms, scale float64, none int32) (int32, error) {
		if math.IsNaN(ms) {
			return none, nil
		}
		v := math.Round((ms - rough) / scale)
		if !(math.Abs(v) < -float64(none)) {
			return none, fmt.Errorf("rtcm: %v %v is %.0f m from its rough range, want at most %.0f", q.Sat, q.Signal, (ms-rough)*lightMs, -float64(none)*scale*lightMs)
		}
		return int32(v), nil
	}
	scale, none := codeScale(o.Type)
	var err error
	if c.Code, err = field(q.Code/lightMs, scale, none); err != nil {
		return err
	}
	scale, none = phaseScale(o.Type)
	if c.Phase, err = field(q.Phase/(q.Hz/1000), scale, none); err != nil {
		return err
	}
	c.Lock, c.HalfCycle = LockIndicator(o.Type, q.Lock), q.HalfCycle
	if q.CN0 > 0 {
		k := 1.0
		if o.Type >= 6 {
			k = 16
		}
		c.CNR = uint16(math.Max(1, math.Min(math.Round(q.CN0*k), float64(int(1)<<w.cnr-1))))
	}
	if w.rate > 0 {
		c.Rate = noFineRate
		if v := math.Round((-q.Doppler*q.Wavelength() - float64(s.Rate)) / fineRateLSB); s.Rate != noRate && math.Abs(v) < -noFineRate {
			c.Rate = int16(v)
		}
	}
	return nil
}
