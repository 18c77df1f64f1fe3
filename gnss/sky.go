package gnss

import (
	"math"

	"kerbline/gnss/nmea"
	"kerbline/gnss/satellite"
)

// skyLife is how long, in s, a complete list of satellites counts; receivers
// send them every second to every ten.
const skyLife = 12

// sky keeps the last complete GSV cycle of every constellation (talker) and
// signal.
type sky struct {
	lists [24]skyList
	n     int
}

type skyList struct {
	talker [2]byte
	signal int

	next  int // message expected, 0 outside a cycle
	total int
	count int // tracked so far in this cycle
	of    [satellite.NSystems]int8
	sum   float64

	done    bool
	doneT   float64
	tracked int
	split   [satellite.NSystems]int8 // of tracked
	cn0     float64                  // sum
}

// add takes one GSV at host time t. A cycle with a message missing is dropped.
func (k *sky) add(t float64, s *nmea.Sentence) {
	l := k.list(s)
	if s.Index == 1 {
		l.next, l.total, l.count, l.sum, l.of = 1, s.Messages, 0, 0, [satellite.NSystems]int8{}
	}
	if l.next == 0 || s.Index != l.next || s.Messages != l.total {
		l.next = 0
		return
	}
	for _, v := range s.Views {
		// A C/N0 of 0 is how some receivers write that they do not track.
		if v.CN0 > 0 {
			l.count++
			if sys := systemOf(s.Talker, v.ID); sys < satellite.NSystems {
				l.of[sys]++
			}
			l.sum += v.CN0
		}
	}
	l.next++
	if l.next > l.total {
		l.done, l.doneT, l.tracked, l.split, l.cn0 = true, t, l.count, l.of, l.sum
		l.next = 0
	}
}

func (k *sky) list(s *nmea.Sentence) *skyList {
	for i := range k.lists[:k.n] {
		if l := &k.lists[i]; l.talker == s.Talker && l.signal == s.Signal {
			return l
		}
	}
	if k.n < len(k.lists) {
		k.n++
	}
	l := &k.lists[k.n-1]
	*l = skyList{talker: s.Talker, signal: s.Signal}
	return l
}

// systemOf returns the constellation of a satellite by the talker of its list and,
// where one talker lists several, by its number (NMEA 0183, GSV: 1-32 GPS, 33-64
// SBAS, 65-96 GLONASS; 193-202 QZSS, common practice, no source).
func systemOf(talker [2]byte, id int) satellite.System {
	switch string(talker[:]) {
	case "GL":
		return satellite.GLONASS
	case "GA":
		return satellite.Galileo
	case "GB", "BD":
		return satellite.BeiDou
	case "GQ", "QZ":
		return satellite.QZSS
	case "GI":
		return satellite.NavIC
	case "GP", "GN":
		switch {
		case id >= 193 && id <= 202:
			return satellite.QZSS
		case id >= 65 && id <= 96:
			return satellite.GLONASS
		case id >= 33 && id <= 64:
			return satellite.SBAS
		case id >= 1 && id <= 32:
			return satellite.GPS
		}
	}
	return satellite.NoSystem
}

// state returns the satellites tracked, those of each constellation, and their
// mean C/N0 (dB-Hz) at host time t: -1 and NaN when nothing complete is known. Of a constellation that
// is listed once per signal the lowest signal counts, or every satellite would
// count twice.
func (k *sky) state(t float64) (tracked int, of [satellite.NSystems]int8, cn0 float64) {
	sum, known := 0.0, false
	for i := range k.lists[:k.n] {
		l := &k.lists[i]
		if !l.done || math.Abs(t-l.doneT) > skyLife {
			continue
		}
		lowest := true
		for j := range k.lists[:k.n] {
			o := &k.lists[j]
			if o.talker == l.talker && o.signal < l.signal && o.done && math.Abs(t-o.doneT) <= skyLife {
				lowest = false
				break
			}
		}
		if lowest {
			known = true
			tracked += l.tracked
			for i, n := range l.split {
				of[i] += n
			}
			sum += l.cn0
		}
	}
	switch {
	case !known:
		return -1, of, math.NaN()
	case tracked == 0:
		return 0, of, math.NaN()
	}
	return tracked, of, sum / float64(tracked)
}
