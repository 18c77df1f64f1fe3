package rtcm

import (
	"fmt"
	"math"

	"kerbline/gnss/gnsstime"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// Ephemeris is one of the messages 1019 (GPS), 1020 (GLONASS), 1042 (BeiDou),
// 1044 (QZSS), 1045 and 1046 (Galileo F/NAV and I/NAV): the set, and what the
// message holds besides, so that [Ephemeris.Encode] gives the same bytes.
// Layouts after RTCM 10403.x as pyrtcm has them; scales checked against measured
// streams.
type Ephemeris struct {
	Number int
	Set    orbit.Ephemeris

	CodesOnL2 int  // GPS, QZSS
	L2P       bool // GPS: no data on L2 P
	Fit       bool // GPS, QZSS: fit interval longer than usual
	Reserved  int  // GLONASS, Galileo: bits without a meaning
	Strings   GLONASSStrings
}

// GLONASSStrings are the fields of 1020 that no orbit needs, by the names of
// the GLONASS interface document.
type GLONASSStrings struct {
	AlmanacHealth, AlmanacKnown bool
	P1, Tk                      int
	Bn, P2, P3                  bool
	P                           int
	Ln3                         bool
	P4                          bool
	NT, M                       int
	Additional                  bool
	NA                          int
	TauC                        float64 // s
	N4                          int
	TauGPS                      float64 // s
	Ln5                         bool
}

// ephemerisBits are the lengths of the messages.
var ephemerisBits = map[int]int{1019: 488, 1020: 360, 1042: 511, 1044: 485, 1045: 496, 1046: 504}

// IsEphemeris reports whether a message number is one that [Ephemeris] reads.
func IsEphemeris(number int) bool {
	switch number {
	case 1019, 1020, 1042, 1044, 1045, 1046:
		return true
	}
	return false
}

// Decode reads one whole frame. near (right to three days) resolves the
// rollovers of week and day. An error says what is refused; e is then undefined.
func (e *Ephemeris) Decode(frame []byte, near gnsstime.Time) error {
	if len(frame) < minFrame+2 {
		return fmt.Errorf("rtcm: ephemeris of %d bytes, want a whole frame", len(frame))
	}
	p := frame[headLen : len(frame)-crcLen]
	n := int(bitField(p, 0, 12))
	if !IsEphemeris(n) {
		return fmt.Errorf("rtcm: message %d, want an ephemeris", n)
	}
	if have := len(p) * 8; have < ephemerisBits[n] {
		return fmt.Errorf("rtcm: %d of %d bits, want %d", n, have, ephemerisBits[n])
	}
	*e = Ephemeris{Number: n}
	f := fields{r: reader{b: p, pos: 12}}
	raw := rawTimes{}
	e.walk(&f, &raw)
	if err := e.resolve(&raw, near); err != nil {
		return fmt.Errorf("rtcm: %d of satellite %d: %w", n, e.Set.Sat.Number, err)
	}
	return nil
}

// EncodeSet returns a set as the message of its system.
func EncodeSet(set *orbit.Ephemeris) ([]byte, error) {
	number := 0
	switch set.Sat.System {
	case satellite.GPS:
		number = 1019
	case satellite.GLONASS:
		number = 1020
	case satellite.BeiDou:
		number = 1042
	case satellite.QZSS:
		number = 1044
	case satellite.Galileo:
		if number = 1046; set.Source == orbit.FNAV {
			number = 1045
		}
	}
	return (&Ephemeris{Number: number, Set: *set}).Encode()
}

// Encode returns e as a frame, or an error where a value does not fit.
func (e *Ephemeris) Encode() ([]byte, error) {
	if !IsEphemeris(e.Number) || e.Set.Sat.System != ephemerisSystem(e.Number) {
		return nil, fmt.Errorf("rtcm: ephemeris %d of %v, want 1019, 1020, 1042, 1044, 1045 or 1046 of its system", e.Number, e.Set.Sat)
	}
	var w bitWriter
	w.put(uint64(e.Number), 12)
	c := *e
	raw := c.reduce()
	f := fields{w: &w}
	c.walk(&f, &raw)
	if f.err != nil {
		return nil, fmt.Errorf("%w (%d of %v)", f.err, e.Number, e.Set.Sat)
	}
	return Frame(w.b), nil
}

func ephemerisSystem(number int) System {
	switch number {
	case 1019:
		return GPS
	case 1020:
		return GLONASS
	case 1042:
		return BeiDou
	case 1044:
		return QZSS
	}
	return Galileo
}

// rawTimes are the numbers that a message sends of satellite and time.
type rawTimes struct {
	sat, week, toc, toe int // s of the week, of the Moscow day
	channel             int // as sent: + 7
	accuracy, health    int
	other               int // second word of health
}

func (e *Ephemeris) walk(f *fields, raw *rawTimes) {
	switch e.Number {
	case 1019:
		e.walkGPS(f, raw)
	case 1020:
		e.walkGLONASS(f, raw)
	case 1042:
		e.walkBeiDou(f, raw)
	case 1044:
		e.walkQZSS(f, raw)
	default:
		e.walkGalileo(f, raw)
	}
}

// seconds is a field of n bits in steps of s seconds.
func (f *fields) seconds(v *int, n, step int) {
	k := *v / step
	if f.writing() && *v%step != 0 {
		f.fail(float64(*v), n)
	}
	f.uint(&k, n)
	*v = k * step
}

func (e *Ephemeris) walkGPS(f *fields, raw *rawTimes) {
	s, k := &e.Set, &e.Set.Kepler
	f.uint(&raw.sat, 6)
	f.uint(&raw.week, 10)
	f.uint(&raw.accuracy, 4)
	f.uint(&e.CodesOnL2, 2)
	f.signed(&k.IDot, 14, half(43))
	f.uint(&s.Issue, 8)
	f.seconds(&raw.toc, 16, 16)
	f.signed(&s.Af2, 8, p2(55))
	f.signed(&s.Af1, 16, p2(43))
	f.signed(&s.Af0, 22, p2(31))
	f.uint(&s.IssueClock, 10)
	walkElements(f, k, func() { f.seconds(&raw.toe, 16, 16) }, legacyElements)
	f.signed(&s.GroupDelay[0], 8, p2(31))
	f.uint(&raw.health, 6)
	f.flag(&e.L2P)
	f.flag(&e.Fit)
}

func (e *Ephemeris) walkQZSS(f *fields, raw *rawTimes) {
	s, k := &e.Set, &e.Set.Kepler
	f.uint(&raw.sat, 4)
	f.seconds(&raw.toc, 16, 16)
	f.signed(&s.Af2, 8, p2(55))
	f.signed(&s.Af1, 16, p2(43))
	f.signed(&s.Af0, 22, p2(31))
	f.uint(&s.Issue, 8)
	walkElements(f, k, func() { f.seconds(&raw.toe, 16, 16) }, legacyElements)
	f.signed(&k.IDot, 14, half(43))
	f.uint(&e.CodesOnL2, 2)
	f.uint(&raw.week, 10)
	f.uint(&raw.accuracy, 4)
	f.uint(&raw.health, 6)
	f.signed(&s.GroupDelay[0], 8, p2(31))
	f.uint(&s.IssueClock, 10)
	f.flag(&e.Fit)
}

func (e *Ephemeris) walkBeiDou(f *fields, raw *rawTimes) {
	s, k := &e.Set, &e.Set.Kepler
	f.uint(&raw.sat, 6)
	f.uint(&raw.week, 13)
	f.uint(&raw.accuracy, 4)
	f.signed(&k.IDot, 14, half(43))
	f.uint(&s.Issue, 5)
	f.seconds(&raw.toc, 17, 8)
	f.signed(&s.Af2, 11, p2(66))
	f.signed(&s.Af1, 22, p2(50))
	f.signed(&s.Af0, 24, p2(33))
	f.uint(&s.IssueClock, 5)
	walkElements(f, k, func() { f.seconds(&raw.toe, 17, 8) }, beidouElements)
	f.signed(&s.GroupDelay[0], 10, 1e-10)
	f.signed(&s.GroupDelay[1], 10, 1e-10)
	f.uint(&raw.health, 1)
}

func (e *Ephemeris) walkGalileo(f *fields, raw *rawTimes) {
	s, k := &e.Set, &e.Set.Kepler
	f.uint(&raw.sat, 6)
	f.uint(&raw.week, 12)
	f.uint(&s.Issue, 10)
	f.uint(&raw.accuracy, 8)
	f.signed(&k.IDot, 14, half(43))
	f.seconds(&raw.toc, 14, 60)
	f.signed(&s.Af2, 6, p2(59))
	f.signed(&s.Af1, 21, p2(46))
	f.signed(&s.Af0, 31, p2(34))
	walkElements(f, k, func() { f.seconds(&raw.toe, 14, 60) }, legacyElements)
	f.signed(&s.GroupDelay[0], 10, p2(32))
	if e.Number == 1045 {
		f.uint(&raw.health, 3) // E5a: health, data validity
		f.uint(&e.Reserved, 7)
		return
	}
	f.signed(&s.GroupDelay[1], 10, p2(32))
	f.uint(&raw.health, 3) // E5b
	f.uint(&raw.other, 3)  // E1-B
	f.uint(&e.Reserved, 2)
}

// elementBits are the widths and scales in which the layouts differ.
type elementBits struct {
	radial, angle           int     // width of Crs and Crc; of Cuc, Cus, Cic, Cis
	radialScale, angleScale float64 // m; rad
}

var (
	legacyElements = elementBits{16, 16, p2(5), p2(29)}
	beidouElements = elementBits{18, 18, p2(6), p2(31)}
)

// walkElements walks the elements in the order that all these messages share.
func walkElements(f *fields, k *orbit.Kepler, toe func(), b elementBits) {
	f.signed(&k.Crs, b.radial, b.radialScale)
	f.signed(&k.DeltaN, 16, half(43))
	f.signed(&k.M0, 32, half(31))
	f.signed(&k.Cuc, b.angle, b.angleScale)
	f.unsigned(&k.Ecc, 32, p2(33))
	f.signed(&k.Cus, b.angle, b.angleScale)
	f.unsigned(&k.SqrtA, 32, p2(19))
	toe()
	f.signed(&k.Cic, b.angle, b.angleScale)
	f.signed(&k.Omega0, 32, half(31))
	f.signed(&k.Cis, b.angle, b.angleScale)
	f.signed(&k.I0, 32, half(31))
	f.signed(&k.Crc, b.radial, b.radialScale)
	f.signed(&k.Omega, 32, half(31))
	f.signed(&k.OmegaDot, 24, half(43))
}

func (e *Ephemeris) walkGLONASS(f *fields, raw *rawTimes) {
	s, in, g := &e.Set, &e.Set.Inertial, &e.Strings
	f.uint(&raw.sat, 6)
	f.uint(&raw.channel, 5)
	f.flag(&g.AlmanacHealth)
	f.flag(&g.AlmanacKnown)
	f.uint(&g.P1, 2)
	f.uint(&g.Tk, 12)
	f.flag(&g.Bn)
	f.flag(&g.P2)
	f.seconds(&raw.toe, 7, 900)
	for _, axis := range []struct{ v, p, a *float64 }{
		{&in.Vel.X, &in.Pos.X, &in.Acc.X}, {&in.Vel.Y, &in.Pos.Y, &in.Acc.Y}, {&in.Vel.Z, &in.Pos.Z, &in.Acc.Z},
	} {
		f.magnitude(axis.v, 24, 1000*p2(20))
		f.magnitude(axis.p, 27, 1000*p2(11))
		f.magnitude(axis.a, 5, 1000*p2(30))
	}
	f.flag(&g.P3)
	f.magnitude(&s.Af1, 11, p2(40))
	f.uint(&g.P, 2)
	f.flag(&g.Ln3)
	minusTau := -s.Af0
	f.magnitude(&minusTau, 22, p2(30))
	s.Af0 = -minusTau
	f.magnitude(&s.GroupDelay[0], 5, p2(30))
	f.uint(&in.AgeDays, 5)
	f.flag(&g.P4)
	f.uint(&raw.accuracy, 4)
	f.uint(&g.NT, 11)
	f.uint(&g.M, 2)
	f.flag(&g.Additional)
	f.uint(&g.NA, 11)
	f.magnitude(&g.TauC, 32, p2(31))
	f.uint(&g.N4, 5)
	f.magnitude(&g.TauGPS, 22, p2(30))
	f.flag(&g.Ln5)
	f.uint(&e.Reserved, 7)
}

// resolve turns the numbers as sent into satellite, time and health.
func (e *Ephemeris) resolve(raw *rawTimes, near gnsstime.Time) error {
	s := &e.Set
	sys := ephemerisSystem(e.Number)
	s.Sat = satellite.ID{System: sys, Number: uint8(raw.sat)}
	s.Accuracy = uint8(raw.accuracy)
	s.Health = uint16(raw.health)
	if !s.Sat.Valid() {
		return fmt.Errorf("satellite number %d, want 1 to 64", raw.sat)
	}
	if sys == GLONASS {
		return e.resolveGLONASS(raw, near)
	}
	if raw.toe >= gnsstime.Week || raw.toc >= gnsstime.Week {
		return fmt.Errorf("reference time %d s, clock %d s, want less than a week", raw.toe, raw.toc)
	}
	if err := s.Plausible(); err != nil {
		return err
	}
	bits, first, shift := weekCount(sys)
	own := near.Add(shift)
	s.Week = raw.week + int(math.Round(float64(own.Week-first-raw.week)/float64(int(1)<<bits)))<<bits
	// The week is that of the transmission; the reference time may lie beyond
	// its end.
	at := func(tow int) gnsstime.Time {
		t := gnsstime.Nearest(float64(tow), own)
		if w := s.Week + first; t.Week < w-1 || t.Week > w+1 { // near is wrong
			t.Week = w
		}
		return t.Add(-shift)
	}
	s.Toe, s.Toc = at(raw.toe), at(raw.toc)
	switch {
	case e.Number == 1045:
		s.Source = orbit.FNAV
		s.Health = galileoHealth(raw.health) << 3
	case e.Number == 1046:
		s.Source = orbit.INAV
		s.Health = galileoHealth(raw.health)<<6 | galileoHealth(raw.other)
	}
	if sys == GPS || sys == QZSS {
		s.FitHours = fitHours(sys, e.Fit)
	}
	return nil
}

// weekCount returns the width of a system's week number, the GPS week of its
// week 0, and its time - GPS time in s.
func weekCount(sys System) (bits, first int, shift float64) {
	switch sys {
	case Galileo:
		return 12, 1024, 0
	case BeiDou:
		return 13, 1356, gnsstime.BDTMinusGPS
	}
	return 10, 0, 0
}

// fitHours is the curve fit interval that the flag stands for (IS-GPS-200,
// IS-QZSS; from memory).
func fitHours(sys System, longer bool) float64 {
	switch {
	case sys == QZSS && longer:
		return 4
	case sys == QZSS:
		return 2
	case longer:
		return 6
	}
	return 4
}

// galileoHealth turns two bits of signal health and one of data validity, as
// sent, into the order of RINEX: data validity lowest.
func galileoHealth(sent int) uint16 { return uint16(sent>>1&3<<1 | sent&1) }

func galileoSent(health uint16) int { return int(health & 7) }

func (e *Ephemeris) resolveGLONASS(raw *rawTimes, near gnsstime.Time) error {
	s := &e.Set
	s.Inertial.Channel = raw.channel - 7
	if raw.channel > 20 {
		return fmt.Errorf("frequency channel %d, want -7 to 13", s.Inertial.Channel)
	}
	if raw.toe >= gnsstime.Day {
		return fmt.Errorf("reference time %d s, want less than a day", raw.toe)
	}
	if err := s.Plausible(); err != nil {
		return err
	}
	s.Issue = raw.toe / 900
	s.Toe = epochTime(GLONASS, -1, int64(raw.toe)*1000, near)
	s.Toc = s.Toe
	// l_n stands set on sound satellites in measured streams: B_n alone counts.
	if e.Strings.Bn {
		s.Health = 1
	}
	return nil
}

// reduce is the inverse of resolve.
func (e *Ephemeris) reduce() (raw rawTimes) {
	s := &e.Set
	raw.sat, raw.accuracy, raw.health = int(s.Sat.Number), int(s.Accuracy), int(s.Health)
	if s.Sat.System == GLONASS {
		raw.channel, raw.toe = s.Inertial.Channel+7, s.Issue*900
		return raw
	}
	bits, _, shift := weekCount(s.Sat.System)
	raw.week = s.Week & (1<<bits - 1)
	raw.toe, raw.toc = int(math.Round(s.Toe.Add(shift).TOW)), int(math.Round(s.Toc.Add(shift).TOW))
	switch e.Number {
	case 1045:
		raw.health = galileoSent(s.Health >> 3)
	case 1046:
		raw.health, raw.other = galileoSent(s.Health>>6), galileoSent(s.Health)
	}
	return raw
}
