package fusion

import (
	"fmt"
	"strconv"
	"strings"
)

// LateNote is the word that says by how much, in s, the computer was late: for so long
// it handed nothing on, whatever came. A live run measures it and puts it among its
// records before what it took afterwards, so that a replay knows it too.
func LateNote(seconds float64) string { return fmt.Sprintf("%s%.3f", lateNote, seconds) }

const lateNote = "computer late "

// lateAfter is how long a computer that was late may still be why inputs are silent or
// late, s: what waited arrives at once, an epoch is due within a second. Common
// practice, no source.
const lateAfter = 1.0

// lateness is when the computer was last late, and by how much.
type lateness struct {
	at, size float64 // s of the monitor's clock, s; zero before
	told     float64 // of the last event
}

// onLate takes the computer's word that it was late.
func (m *Monitor) onLate(text string) {
	size, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil || !(size > 0) || size > 3600 {
		return
	}
	m.late.at, m.late.size = m.now, size
	// Shorter delays cost nothing that anybody notices; one a second tells of a series.
	if size < m.cfg.GNSS.Silence || m.late.told > 0 && m.now-m.late.told < 1 {
		return
	}
	m.late.told = m.now
	t := m.host(m.now)
	m.event(Event{T: t - size, End: t, Kind: EventComputer, Size: size, Where: m.where(),
		Detail: fmt.Sprintf("This computer was %.1f s late: for so long it took nothing that came. Nothing else need be broken.", size)})
}

// computerLate returns by how much the computer was late just now, 0 where it was not.
func (m *Monitor) computerLate() float64 {
	if m.late.size > 0 && m.now-m.late.at < lateAfter {
		return m.late.size
	}
	return 0
}
