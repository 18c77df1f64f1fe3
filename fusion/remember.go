package fusion

import (
	"fmt"
	"math"
	"strings"

	"kerbline/fusion/course"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// Memory says where what is remembered of the lap is kept.
type Memory struct {
	File string `toml:"file" doc:"keeps heights and path of the lap, learned while proven, for the next session on the same map with the same base: live reads it at its start, writes it every minute and at its end; a recording holds what was read. Empty for none" src:"where you like"`
}

const (
	memoryNote    = "memory "
	refusedMemory = "refused: "
)

// lapMemory is what other sessions learned of the lap.
type lapMemory struct {
	lap     *course.Memory // until map and base are known to be the same
	refused bool           // it was of another map or base, or not readable
}

// MemoryNote is the word that gives a monitor what was remembered of a lap.
func MemoryNote(text string) string { return memoryNote + text }

// recall takes what was remembered, if it is of this map.
func (m *Monitor) recall(text string) {
	k, err := course.ParseMemory(text)
	switch {
	case err != nil:
		m.tellMemory(refusedMemory + fmt.Sprintf("%v", err))
	case m.crs == nil:
		m.tellMemory(refusedMemory + "there is no map here")
	case k.Map != m.crs.Fingerprint():
		m.tellMemory(refusedMemory + fmt.Sprintf("it is of another map (fingerprint %s, this one %s)", k.Map, m.crs.Fingerprint()))
	default:
		m.lapMemory.lap = k
	}
}

// bindMemory takes what was remembered once the base is known to be the same.
func (m *Monitor) bindMemory() {
	k := m.lapMemory.lap
	if k == nil || !m.hasFrame {
		return
	}
	at, ok := m.baseAt()
	if !ok {
		return
	}
	m.lapMemory.lap = nil
	if off := at.Dist(k.Base); !(off <= m.cfg.Base.Tolerance) {
		m.tellMemory(refusedMemory + fmt.Sprintf("the base stood %.2f m from where it stands now, want %.2f m at most", off, m.cfg.Base.Tolerance))
		return
	}
	m.heights.Recall(k, &m.frame)
	m.path.Recall(k, m.crs.Length())
	m.tellMemory(fmt.Sprintf("taken: heights of %d places, path at %d places, same map and base", len(k.Heights), len(k.Path)))
}

// baseAt returns where the base is: what it broadcasts, without that the settings.
func (m *Monitor) baseAt() (geodesy.ECEF, bool) {
	switch l := m.link.State(); l.Base {
	case corrections.BaseAsSurveyed, corrections.BaseFirstHeard:
		return l.BaseECEF, true
	case corrections.BaseUnheard:
		b := m.cfg.Base.ECEF
		return geodesy.ECEF{X: b[0], Y: b[1], Z: b[2]}, !l.Tapped && b != [3]float64{}
	}
	return geodesy.ECEF{}, false
}

func (m *Monitor) tellMemory(what string) {
	m.lapMemory.refused = strings.HasPrefix(what, refusedMemory)
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventVerdict, Cause: "memory", Size: math.NaN(), Where: m.where(), Detail: "what was remembered of the lap is " + what})
}

// Remember returns what is known of the lap by now, as text, for the next session;
// ok is false without a map, a base or anything learned, and where what was given
// is of another lap, which is not to be lost.
func (m *Monitor) Remember() (text string, ok bool) {
	at, ok := m.baseAt()
	if !ok || m.crs == nil || !m.hasFrame || m.lapMemory.refused || m.lapMemory.lap != nil {
		return "", false
	}
	k := course.Memory{Map: m.crs.Fingerprint(), Base: at}
	m.heights.Keep(&k, &m.frame)
	m.path.Keep(&k, m.crs.Length())
	text = k.Text()
	return text, len(k.Heights) > 0 && text != ""
}
