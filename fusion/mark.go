package fusion

import (
	"fmt"
	"math"
	"strings"

	"kerbline/fusion/navigation"
	"kerbline/fusion/trust"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"

	"gonum.org/v1/gonum/spatial/r3"
)

// A check mark is a surveyed point of the map's own survey. With the car standing on
// it, or its antenna over it, the mean of the fixed positions must be there: which
// verifies the fix, and that the map fits the base, until the base changes.

const (
	markNote    = "mark "         // the body origin stands over the mark
	antennaNote = "mark-antenna " // the antenna does

	markStand = 5.0  // s of standing that make a mean
	markFixes = 10   // fixed positions in it
	markLimit = 0.1  // m from the mark. Common practice, no source.
	markMoved = 0.15 // m: the car does not stand. As for a stand-still of setup.
	markWait  = 60.0 // s after which nothing is confirmed
	markGap   = 2.0  // s without a fixed position that end a stand-still
)

// MarkNote is the word of a person that the car stands on a check mark, or that its
// antenna is over it.
func MarkNote(name string, antenna bool) string {
	if antenna {
		return antennaNote + name
	}
	return markNote + name
}

// CheckMark is how a person's word about a check mark stands.
type CheckMark struct {
	Name    string     // asked for last, empty for none yet
	Antenna bool       // it is the antenna that is over it
	Pending bool       // the mean is being taken
	Left    float64    // s of standing that are left
	At      float64    // host Unix s since which the position is verified, NaN where it is not
	Off     [2]float64 // m, east and north of the mark, at the last answer
}

// marking is the procedure.
type marking struct {
	at      *Mark
	antenna bool
	asked   float64 // monitor's s

	since, last float64 // monitor's s, of the present stand-still
	n           float64
	first, sum  r3.Vec // m, ENU

	verified float64      // monitor's s, NaN
	base     geodesy.ECEF // heard then
	heard    bool
}

// onMark takes the word.
func (m *Monitor) onMark(note string) {
	name, antenna := strings.CutPrefix(note, antennaNote)
	if !antenna {
		var ok bool
		if name, ok = strings.CutPrefix(note, markNote); !ok {
			return
		}
	}
	for i := range m.cfg.Marks {
		if m.cfg.Marks[i].Name == name && name != "" {
			m.mark.at, m.mark.antenna, m.mark.asked = &m.cfg.Marks[i], antenna, m.now
			m.snap.Mark.Name, m.snap.Mark.Antenna = name, antenna
			m.answerMark()
		}
	}
}

// standsAt takes a fixed position of the antenna, m, ENU.
func (m *Monitor) standsAt(z r3.Vec) {
	k := &m.mark
	if !(m.now-k.last < markGap) || math.Hypot(z.X-k.first.X, z.Y-k.first.Y) > markMoved {
		k.since, k.n, k.first, k.sum = m.now, 0, z, r3.Vec{}
	}
	k.last = m.now
	k.n++
	k.sum = r3.Add(k.sum, z)
	m.answerMark()
}

// answerMark answers once the mean is there.
func (m *Monitor) answerMark() {
	k := &m.mark
	if k.at == nil {
		return
	}
	left := markStand - (m.now - k.since)
	if !(m.now-k.last < markGap) {
		left = markStand
	}
	ready := left <= 0 && k.n >= markFixes && (k.antenna || m.nav.Phase == navigation.Aligned)
	if !ready && m.now-k.asked < markWait {
		return
	}
	name := k.at.Name
	at := vec(m.frame.FromLLA(geodesy.LLA{Lat: k.at.Lat * geodesy.Degree, Lon: k.at.Lon * geodesy.Degree, H: k.at.H}))
	k.at = nil
	if !ready {
		why := "the car did not stand still with a fixed position"
		if left <= 0 && !k.antenna {
			why = "the heading is not known, so where the body origin stands is not: put the antenna over the mark"
		}
		m.tellMark(math.NaN(), fmt.Sprintf("check mark %q not confirmed: %s within %.0f s", name, why, markWait))
		return
	}
	place := r3.Scale(1/k.n, k.sum)
	what := "the antenna"
	if !k.antenna {
		place = r3.Sub(place, m.nav.BodyArm())
		what = "the car"
	}
	off := r3.Sub(place, at)
	m.snap.Mark.Off = [2]float64{off.X, off.Y}
	size := math.Hypot(off.X, off.Y)
	where := fmt.Sprintf("the receiver has %s %.2f m east and %.2f m north of it (mean of %.0f s)", what, cm(off.X), cm(off.Y), m.now-k.since)
	if size >= markLimit {
		m.tellMark(size, fmt.Sprintf("check mark %q not confirmed: %s, want within %.2f m: a wrong fix, another point, or a base that stands elsewhere than at the map's survey", name, where, markLimit))
		return
	}
	l := m.link.State()
	k.verified, k.base, k.heard = m.now, l.BaseECEF, l.Base != corrections.BaseUnheard
	m.believe(&trust.Evidence{Kind: trust.Mark, Now: m.now})
	keep := ""
	if k.heard {
		keep = fmt.Sprintf("; map.base_ecef_m = [%.4f, %.4f, %.4f] keeps it while the base stands there", k.base.X, k.base.Y, k.base.Z)
	}
	m.tellMark(size, fmt.Sprintf("check mark %q confirmed: %s%s", name, where, keep))
}

// cm rounds to centimetres, without a negative zero.
func cm(x float64) float64 { return math.Round(x*100)/100 + 0 }

func (m *Monitor) tellMark(size float64, detail string) {
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventVerdict, Cause: "mark", Size: size, Where: m.where(), Detail: detail})
}

// expireMark ends what a check mark verified where the base is another.
func (m *Monitor) expireMark(l *corrections.State) {
	k := &m.mark
	if math.IsNaN(k.verified) || k.heard && l.BaseECEF.Dist(k.base) <= m.cfg.Base.Tolerance && !math.IsNaN(l.BaseStep) {
		return
	}
	k.verified = math.NaN()
	m.tellMark(math.NaN(), "what the check mark confirmed ended with the base: confirm it again")
}

// describeMark puts the procedure into the snapshot.
func (m *Monitor) describeMark(s *Snapshot) {
	m.answerMark() // its time may be over
	k := &m.mark
	s.Mark.Pending, s.Mark.Left, s.Mark.At = k.at != nil, 0, m.host(k.verified)
	if k.at != nil {
		s.Mark.Left = markStand
		if m.now-k.last < markGap {
			s.Mark.Left = math.Max(0, markStand-(m.now-k.since))
		}
	}
	s.MapFit, s.MapOff = m.mapFit(&s.Link)
}

// MapFit says whether the map fits the base of today.
type MapFit uint8

// No map, nothing that says, the base where it stood at the map's survey or a mark
// confirmed, the base elsewhere.
const (
	MapNone MapFit = iota
	MapOpen
	MapFits
	MapElsewhere
)

func (m *Monitor) mapFit(l *corrections.State) (fit MapFit, off float64) {
	if m.crs == nil {
		return MapNone, math.NaN()
	}
	at, known := m.crs.Base()
	if b := m.cfg.Map.Base; !known && b != [3]float64{} {
		at, known = geodesy.ECEF{X: b[0], Y: b[1], Z: b[2]}, true
	}
	switch {
	case !math.IsNaN(m.mark.verified):
		return MapFits, math.NaN()
	case !known || l.Base == corrections.BaseUnheard:
		return MapOpen, math.NaN()
	}
	if off = l.BaseECEF.Dist(at); off > m.cfg.Base.Tolerance {
		return MapElsewhere, off
	}
	return MapFits, off
}
