package rinex

import (
	"fmt"
	"io"
	"math"
	"strings"

	"kerbline/gnss/atmosphere"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// Navigation is what a navigation file holds besides its sets.
type Navigation struct {
	Version float64
	GPS     atmosphere.Klobuchar // zero where the file does not give it
	BeiDou  atmosphere.Klobuchar
	Sets    int
	Refused Refused // sets
	Skipped int     // sets of systems whose orbit is not computed (SBAS, NavIC)

	system byte
}

// ReadNavigation reads a whole navigation file and gives each set to add.
func ReadNavigation(r io.Reader, add func(*orbit.Ephemeris)) (*Navigation, error) {
	l := newLines(r)
	n := &Navigation{}
	var err error
	if n.Version, n.system, err = version(l, 'N'); err != nil {
		return nil, err
	}
	if err := n.header(l); err != nil {
		return nil, err
	}
	for l.next() {
		n.record(l, add)
	}
	return n, l.err
}

func (n *Navigation) header(l *lines) error {
	for l.next() {
		s := l.text
		four := func(at, width int) (c [4]float64) {
			for i := range c {
				c[i], _ = number(columns(s, at+width*i, at+width*(i+1)))
			}
			return c
		}
		switch label(s) {
		case "END OF HEADER":
			return nil
		case "IONOSPHERIC CORR":
			switch columns(s, 0, 4) {
			case "GPSA":
				n.GPS.Alpha = four(5, 12)
			case "GPSB":
				n.GPS.Beta = four(5, 12)
			case "BDSA":
				n.BeiDou.Alpha = four(5, 12)
			case "BDSB":
				n.BeiDou.Beta = four(5, 12)
			}
		case "ION ALPHA":
			n.GPS.Alpha = four(2, 12)
		case "ION BETA":
			n.GPS.Beta = four(2, 12)
		}
	}
	if l.err != nil {
		return l.err
	}
	return fmt.Errorf("rinex: line %d: the file ends in its header", l.n)
}

// set is one record as numbers: those of the first line from 0, of the lines
// after it from 3 on, four a line.
type set struct {
	sat   satellite.ID
	toc   gnsstime.Time
	v     [35]float64
	given [35]bool
}

// lineCount is how many lines follow the first one of a system's set.
func (n *Navigation) lineCount(s satellite.System) int {
	switch s {
	case satellite.GLONASS:
		if n.Version >= 3.05 {
			return 4
		}
		return 3
	case satellite.SBAS:
		return 3
	}
	return 7
}

// record reads a set from its first line, which is at hand.
func (n *Navigation) record(l *lines, add func(*orbit.Ephemeris)) {
	s := l.text
	if s == "" {
		return
	}
	var r set
	start, shift, seconds := l.n, 0, 23
	name := s[:min(3, len(s))]
	if n.Version < 3 { // no system character, years of two digits
		name = fmt.Sprintf("%c%s", n.system, strings.TrimRight(s[:min(2, len(s))], " "))
		if len(name) == 2 {
			name = name[:1] + "0" + name[1:]
		}
		shift, seconds = -1, 22
	}
	id, err := satellite.Parse(name)
	if err != nil {
		n.Refused.add(start, "%v", err)
		return
	}
	r.sat = id
	okTime := r.readTime(s, n.Version < 3)
	for i := range 3 {
		r.v[i], r.given[i] = number(columns(s, seconds+19*i, seconds+19*i+19))
	}
	for k := range n.lineCount(id.System) {
		if !l.next() {
			n.Refused.add(start, "%v: the file ends in its set", id)
			return
		}
		if len(l.text) > 0 && l.text[0] != ' ' && n.Version >= 3 {
			n.Refused.add(start, "%v: its set ends early", id)
			l.back()
			return
		}
		for i := range 4 {
			j := 3 + 4*k + i
			r.v[j], r.given[j] = number(columns(l.text, 4+shift+19*i, 4+shift+19*i+19))
		}
	}
	switch id.System {
	case satellite.SBAS, satellite.NavIC:
		n.Skipped++
		return
	}
	e, err := r.ephemeris()
	if !okTime && err == nil {
		err = fmt.Errorf("time %q", columns(s, 3, seconds))
	}
	if err != nil {
		n.Refused.add(start, "%v: %v", id, err)
		return
	}
	n.Sets++
	add(&e)
}

// readTime reads the reference time of the clock.
func (r *set) readTime(s string, two bool) (ok bool) {
	var f []string
	if two {
		f = []string{columns(s, 3, 5), columns(s, 6, 8), columns(s, 9, 11), columns(s, 12, 14), columns(s, 15, 17), columns(s, 17, 22)}
	} else {
		f = []string{columns(s, 4, 8), columns(s, 9, 11), columns(s, 12, 14), columns(s, 15, 17), columns(s, 18, 20), columns(s, 21, 23)}
	}
	var n [5]int
	for i := range n {
		v, ok := whole(f[i], 0, 9999)
		if !ok {
			return false
		}
		n[i] = v
	}
	second, ok := number(f[5])
	if !ok {
		return false
	}
	kind := gpsScale
	switch r.sat.System {
	case satellite.BeiDou:
		kind = bdtScale
	case satellite.GLONASS:
		kind = utcScale
	}
	r.toc, ok = clock(kind, n[0], n[1], n[2], n[3], n[4], second)
	return ok
}

// ephemeris turns the numbers of a record into a set.
func (r *set) ephemeris() (e orbit.Ephemeris, err error) {
	e = orbit.Ephemeris{Sat: r.sat, Toc: r.toc, Af0: r.v[0], Af1: r.v[1]}
	last := 25 // what every system must give: to the group delay
	if r.sat.System == satellite.GLONASS {
		last = 14
	}
	for i := range last + 1 {
		if !r.given[i] && !optional(r.sat.System, i) {
			return e, fmt.Errorf("number %d of its set is missing", i+1)
		}
	}
	if r.sat.System == satellite.GLONASS {
		e.Toe, e.Toc = r.toc, r.toc
		const km = 1000
		in := &e.Inertial
		in.Pos = geodesy.ECEF{X: r.v[3] * km, Y: r.v[7] * km, Z: r.v[11] * km}
		in.Vel = geodesy.ECEF{X: r.v[4] * km, Y: r.v[8] * km, Z: r.v[12] * km}
		in.Acc = geodesy.ECEF{X: r.v[5] * km, Y: r.v[9] * km, Z: r.v[13] * km}
		in.Channel, in.AgeDays = int(r.v[10]), int(r.v[14])
		e.Health = health(r.v[6])
		moscow := r.toc.UTC() + 3*3600
		e.Issue = int(math.Mod(moscow, gnsstime.Day) / 900)
		return e, e.Plausible()
	}
	e.Af2 = r.v[2]
	v := r.v[3:]
	e.Kepler = orbit.Kepler{Crs: v[1], DeltaN: v[2], M0: v[3], Cuc: v[4], Ecc: v[5], Cus: v[6], SqrtA: v[7],
		Cic: v[9], Omega0: v[10], Cis: v[11], I0: v[12], Crc: v[13], Omega: v[14], OmegaDot: v[15], IDot: v[16]}
	e.Issue, e.Week = int(v[0]), int(v[18])
	toe := v[8]
	if !(toe >= 0 && toe <= gnsstime.Week) {
		return e, fmt.Errorf("reference time %g s, want less than a week", toe)
	}
	shift := 0.0
	if r.sat.System == satellite.BeiDou {
		shift = gnsstime.BDTMinusGPS
	}
	// The week that files give is that of the reference time or of the
	// transmission: the clock's time decides.
	e.Toe = gnsstime.Nearest(toe, r.toc.Add(shift)).Add(-shift)
	e.Health = health(v[21])
	e.GroupDelay[0] = v[22]
	switch r.sat.System {
	case satellite.GPS, satellite.QZSS:
		e.IssueClock, e.FitHours = int(v[23]), v[25]
		e.Accuracy = uraIndex(v[20])
		if r.sat.System == satellite.GPS && e.FitHours <= 1 { // given as a flag, or not at all
			e.FitHours = 4 + 2*e.FitHours
		}
	case satellite.Galileo:
		e.GroupDelay[1] = v[23]
		e.Week -= galileoFirstWeek
		e.Accuracy = sisaIndex(v[20])
		e.Source = orbit.INAV
		if int(v[17])&(1<<8) != 0 && int(v[17])&(1<<9) == 0 {
			e.Source = orbit.FNAV
		}
	case satellite.BeiDou:
		e.GroupDelay[1] = v[23]
		e.IssueClock = int(v[25])
		e.Accuracy = uraIndex(v[20])
	}
	return e, e.Plausible()
}

const galileoFirstWeek = 1024 // GPS week of Galileo's week 0

// optional reports numbers that writers leave blank: spare fields.
func optional(s satellite.System, i int) bool {
	switch s {
	case satellite.Galileo:
		return i == 22
	case satellite.BeiDou:
		return i == 20 || i == 22
	case satellite.GPS, satellite.QZSS:
		return i == 20 || i == 22
	case satellite.GLONASS:
		return i == 14
	}
	return false
}

func health(v float64) uint16 {
	if !(v >= 0 && v < 65536) {
		return math.MaxUint16
	}
	return uint16(v)
}

// uraIndex returns the index of user range accuracy whose nominal value in m is
// nearest (IS-GPS-200; from memory).
func uraIndex(m float64) uint8 {
	nominal := [...]float64{2, 2.8, 4, 5.7, 8, 11.3, 16, 32, 64, 128, 256, 512, 1024, 2048, 4096}
	for i, v := range nominal {
		if m <= v*1.25 {
			return uint8(i)
		}
	}
	return 15
}

// sisaIndex returns the index of Galileo's signal in space accuracy in m
// (OS SIS ICD; from memory); 255 is none.
func sisaIndex(m float64) uint8 {
	switch {
	case !(m >= 0) || m > 6:
		return 255
	case m < 0.5:
		return uint8(math.Round(m / 0.01))
	case m < 1:
		return uint8(50 + math.Round((m-0.5)/0.02))
	case m < 2:
		return uint8(75 + math.Round((m-1)/0.04))
	}
	return uint8(100 + math.Round((m-2)/0.16))
}
