package fusion

import (
	"fmt"
	"strconv"
	"strings"
)

// BaseLog is what the base's end reports of a stretch of time: every frame of
// observations that the base sent in it. It may come long after, in the order of
// time. Times are s before the note that brings it, by this host's clock.
type BaseLog struct {
	From, To float64
	Began    bool // the base's computer, or the program there, began at From
	Frames   []BaseFrame
}

// BaseFrame is one frame that the base sent.
type BaseFrame struct {
	Ago float64 // s before the note
	CRC uint32  // CRC-24Q of the frame
}

const (
	baseLogNote = "base: sent "
	baseBegan   = "began"
	// longestAgo is how old a report may be, s: older ones are of no use to an outage
	// that is still open, or damaged.
	longestAgo = 300.0
)

// Note is the word that brings a monitor b.
func (b BaseLog) Note() string {
	var s strings.Builder
	fmt.Fprintf(&s, "%s%.3f %.3f", baseLogNote, b.From, b.To)
	if b.Began {
		s.WriteString(" " + baseBegan)
	}
	for _, f := range b.Frames {
		fmt.Fprintf(&s, " %06x@%.3f", f.CRC, f.Ago)
	}
	return s.String()
}

// onBaseLog takes a report of the base's end. What of it cannot be read is left out.
func (m *Monitor) onBaseLog(text string) {
	ago := func(s string) (float64, bool) {
		x, err := strconv.ParseFloat(s, 64)
		return x, err == nil && x >= -1 && x <= longestAgo
	}
	a, text, _ := strings.Cut(text, " ")
	b, text, _ := strings.Cut(text, " ")
	from, okFrom := ago(a)
	to, okTo := ago(b)
	if !okFrom || !okTo || from < to {
		return
	}
	began := false
	for text != "" {
		var word string
		word, text, _ = strings.Cut(text, " ")
		if word == baseBegan {
			began = true
			continue
		}
		c, t, _ := strings.Cut(word, "@")
		crc, err := strconv.ParseUint(c, 16, 24)
		if at, ok := ago(t); ok && err == nil {
			m.link.BaseSentFrame(m.now-at, uint32(crc))
		}
	}
	m.link.BaseKnown(m.now-from, m.now-to, began)
}
