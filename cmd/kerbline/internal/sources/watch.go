package sources

import (
	"bytes"
	"strconv"

	"kerbline/fusion"
	"kerbline/gnss/nmea"
	"kerbline/gnss/rtcm"
)

// watch looks at the bytes of a source without changing them: do they frame as
// what they should be? A wrong baud rate gives bytes that never do.
type watch struct {
	ch     fusion.Channel
	framer nmea.Framer
	scan   rtcm.Scanner
	line   int // bytes since the last line end
	commas int
	digit  bool // the line begins like a number

	onLine  func(nmea.Line)
	onFrame func(*rtcm.Message)

	good  int64  // lines or frames that are whole
	since int64  // bytes since the last of them
	gga   []byte // last GGA sentence with a position
	fresh bool   // gga changed
}

func newWatch(ch fusion.Channel) *watch {
	w := &watch{ch: ch}
	w.onLine = func(l nmea.Line) {
		if l.Err == nil && checked(l.Text) {
			w.hit()
			if len(l.Text) > 6 && string(l.Text[3:6]) == "GGA" && located(l.Text) {
				w.gga, w.fresh = append(w.gga[:0], l.Text...), true
			}
		}
	}
	w.onFrame = func(*rtcm.Message) { w.hit() }
	return w
}

func (w *watch) hit() { w.good++; w.since = 0 }

func (w *watch) push(t float64, b []byte) {
	w.since += int64(len(b))
	switch w.ch {
	case fusion.ChanNMEA:
		w.framer.Push(t, b, w.onLine)
	case fusion.ChanCorrections, fusion.ChanObservations:
		w.scan.Push(b, w.onFrame, noJunk)
	default: // CSV
		for _, c := range b {
			switch {
			case c == '\n':
				if w.digit && w.commas >= 1 {
					w.hit()
				}
				w.line, w.commas, w.digit = 0, 0, false
				continue
			case c == ',':
				w.commas++
			case w.line == 0:
				w.digit = c >= '0' && c <= '9' || c == '-' || c == 't' // 't': a header line
			case c >= 0x7f || c < ' ' && c != '\r' && c != '\t':
				w.digit = false
			}
			w.line++
		}
	}
}

func noJunk(rtcm.Refusal, int) {}

// expected says what the bytes of a channel should be.
func (w *watch) expected() string {
	switch w.ch {
	case fusion.ChanNMEA:
		return "NMEA sentence"
	case fusion.ChanCorrections, fusion.ChanObservations:
		return "RTCM 3 frame"
	}
	return "line of numbers"
}

// noisy reports that enough came, over long enough, for something to frame.
// quiet is the time in s since the last whole line or frame, or since the
// first byte.
func (w *watch) noisy(quiet float64) bool {
	switch {
	case w.good > 0:
		// It did frame: binary frames among sentences and corrupted stretches
		// are no wrong baud rate.
		return w.since > 4000 && quiet > 3
	case w.ch == fusion.ChanCorrections || w.ch == fusion.ChanObservations:
		// Two of the longest frames, or three seconds of a slow radio.
		return w.since > 2100 && quiet > 0.4 || w.since > 400 && quiet > 3
	}
	return w.since > 120 && quiet > 0.4
}

// checked reports whether the checksum of a sentence fits.
func checked(b []byte) bool {
	star := bytes.LastIndexByte(b, '*')
	if star < 1 || star+3 != len(b) {
		return false
	}
	var x byte
	for _, c := range b[1:star] {
		x ^= c
	}
	sent, err := strconv.ParseUint(string(b[star+1:]), 16, 8)
	return err == nil && byte(sent) == x
}

// located reports whether a GGA sentence holds a position: fields 2 and 6.
func located(b []byte) bool {
	f := bytes.SplitN(b, []byte(","), 8)
	return len(f) == 8 && len(f[2]) > 0 && len(f[6]) == 1 && f[6][0] != '0'
}
