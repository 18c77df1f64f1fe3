package rinex

import (
	"fmt"
	"io"
	"math"
	"strings"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

// ObservationHeader is what the head of an observation file says.
type ObservationHeader struct {
	Version  float64
	Marker   string
	Approx   geodesy.ECEF // m, of the marker; zero where not given
	Antenna  geodesy.ENU  // m, from the marker to the antenna's reference point
	Interval float64      // s, 0 where not given
	// Channels holds the GLONASS frequency channel by slot, satellite.NoChannel
	// where it is not given.
	Channels [satellite.MaxNumber + 1]int8
	Refused  Refused // satellites and epochs

	scale  scale
	system byte
	types  [satellite.NSystems][]column
	more   satellite.System // whose list goes on in the next line
	wanted int              // and how many types it has
}

// column is one observation type: where a value of a line goes.
type column struct {
	kind   byte // 'C', 'L', 'D', 'S', 0 for what is not read
	signal int  // index in the list of signals
	sig    satellite.Signal
}

// Observations reads an observation file epoch by epoch.
type Observations struct {
	ObservationHeader
	l *lines
	e observation.Epoch
}

// NewObservations reads the head of an observation file.
func NewObservations(r io.Reader) (*Observations, error) {
	o := &Observations{l: newLines(r), e: observation.Epoch{Station: -1, Complete: true}}
	h := &o.ObservationHeader
	h.more = satellite.NoSystem
	for i := range h.Channels {
		h.Channels[i] = satellite.NoChannel
	}
	var err error
	if h.Version, h.system, err = version(o.l, 'O'); err != nil {
		return nil, err
	}
	return o, h.read(o.l)
}

// Next returns the next epoch, valid until the next call; nil at the end, and
// with an error where the file could not be read on.
func (o *Observations) Next() (*observation.Epoch, error) {
	read := o.epoch3
	if o.Version < 3 {
		read = o.epoch2
	}
	for o.l.next() {
		if ok, err := read(o.l, &o.e); err != nil {
			return nil, err
		} else if ok {
			return &o.e, nil
		}
	}
	return nil, o.l.err
}

// ReadObservations reads a whole observation file. emit gets each epoch, valid
// during the call; an error of its stops the reading.
func ReadObservations(r io.Reader, emit func(*observation.Epoch) error) (*ObservationHeader, error) {
	o, err := NewObservations(r)
	if err != nil {
		return nil, err
	}
	for {
		e, err := o.Next()
		if e != nil {
			err = emit(e)
		}
		if e == nil || err != nil {
			return &o.ObservationHeader, err
		}
	}
}

// read reads the header to its end.
func (h *ObservationHeader) read(l *lines) error {
	for l.next() {
		s := l.text
		switch label(s) {
		case "END OF HEADER":
			for sys := range h.types {
				h.types[sys] = h.merge(satellite.System(sys), h.types[sys])
			}
			return nil
		case "MARKER NAME":
			h.Marker = columns(s, 0, 60)
		case "APPROX POSITION XYZ":
			for i, v := range []*float64{&h.Approx.X, &h.Approx.Y, &h.Approx.Z} {
				*v, _ = number(columns(s, 14*i, 14*i+14))
			}
		case "ANTENNA: DELTA H/E/N":
			for i, v := range []*float64{&h.Antenna.U, &h.Antenna.E, &h.Antenna.N} {
				*v, _ = number(columns(s, 14*i, 14*i+14))
			}
		case "INTERVAL":
			h.Interval, _ = number(columns(s, 0, 10))
		case "TIME OF FIRST OBS":
			h.scale = timeScale(columns(s, 48, 51), h.system)
		case "SYS / # / OBS TYPES":
			if err := h.types3(s, l.n); err != nil {
				return err
			}
		case "# / TYPES OF OBSERV":
			if err := h.types2(s, l.n); err != nil {
				return err
			}
		case "GLONASS SLOT / FRQ #":
			for i := 4; i+7 <= len(s) && i < 60; i += 7 {
				id, err := satellite.Parse(strings.ReplaceAll(columns(s, i, i+3), " ", "0"))
				if n, ok := whole(columns(s, i+4, i+6), -7, 13); err == nil && ok && id.System == satellite.GLONASS {
					h.Channels[id.Number] = int8(n)
				}
			}
		}
	}
	if l.err != nil {
		return l.err
	}
	return fmt.Errorf("rinex: line %d: the file ends in its header", l.n)
}

// types3 reads a list of observation types by system, which may go on over
// several lines.
func (h *ObservationHeader) types3(s string, line int) error {
	if s[0] != ' ' {
		h.more = satellite.SystemOf(s[0])
		n, ok := whole(columns(s, 3, 6), 0, 99)
		if h.more == satellite.NoSystem || !ok {
			return fmt.Errorf("rinex: line %d: observation types of %q, want a system and a number to 99", line, columns(s, 0, 6))
		}
		h.types[h.more], h.wanted = nil, n
	}
	if h.more == satellite.NoSystem {
		return fmt.Errorf("rinex: line %d: observation types without a system", line)
	}
	for _, f := range strings.Fields(columns(s, 7, 60)) {
		c := column{}
		if len(f) == 3 {
			if sig, err := satellite.ParseSignal(f[1:]); err == nil && strings.IndexByte("CLDS", f[0]) >= 0 {
				// Version 3.02 calls BeiDou's B1I 1I, all others 2I.
				if h.more == satellite.BeiDou && sig.Band == '1' && strings.IndexByte("IQX", sig.Attribute) >= 0 && h.Version < 3.03 {
					sig.Band = '2'
				}
				c = column{kind: f[0], sig: sig}
			}
		}
		if len(h.types[h.more]) < h.wanted {
			h.types[h.more] = append(h.types[h.more], c)
		}
	}
	return nil
}

// merge numbers the signals of a system, so that the values of one signal come
// together.
func (h *ObservationHeader) merge(sys satellite.System, list []column) []column {
	var seen []satellite.Signal
	for i := range list {
		c := &list[i]
		if c.kind == 0 {
			continue
		}
		c.signal = -1
		for k, s := range seen {
			if s == c.sig {
				c.signal = k
			}
		}
		if c.signal < 0 {
			c.signal = len(seen)
			seen = append(seen, c.sig)
		}
	}
	return list
}

// epochLine reads, from a line of an epoch at hand whose year ends before column at,
// the time and the number of satellites: all but the year stands in both versions
// alike. ok is false where no satellites follow.
func (h *ObservationHeader) epochLine(l *lines, year int, okYear bool, at int) (t gnsstime.Time, n int, okTime, ok bool) {
	s := l.text
	month, ok2 := whole(columns(s, at+1, at+3), 1, 12)
	day, ok3 := whole(columns(s, at+4, at+6), 1, 31)
	hour, ok4 := whole(columns(s, at+7, at+9), 0, 23)
	minute, ok5 := whole(columns(s, at+10, at+12), 0, 59)
	second, ok6 := number(columns(s, at+12, at+23))
	flag, ok7 := whole(columns(s, at+23, at+26), 0, 6)
	n, ok8 := whole(columns(s, at+26, at+29), 0, 999)
	if !(ok7 && ok8) {
		h.Refused.add(l.n, "epoch flag %q and number %q", columns(s, at+23, at+26), columns(s, at+26, at+29))
		return t, 0, false, false
	}
	if flag > 1 { // an event: n lines of something else
		for range n {
			if !l.next() {
				break
			}
		}
		return t, 0, false, false
	}
	t, okTime = clock(h.scale, year, month, day, hour, minute, second)
	if !(okYear && ok2 && ok3 && ok4 && ok5 && ok6 && okTime) {
		h.Refused.add(l.n, "time %q", columns(s, max(0, at-4), at+23))
		okTime = false
	}
	return t, n, okTime, true
}

// epoch3 reads an epoch of version 3 from its first line, which is at hand.
func (h *ObservationHeader) epoch3(l *lines, e *observation.Epoch) (ok bool, err error) {
	s := l.text
	if s == "" {
		return false, nil
	}
	if s[0] != '>' {
		h.Refused.add(l.n, "%.20q, want an epoch that begins with >", s)
		return false, nil
	}
	year, okYear := whole(columns(s, 2, 6), 0, 9999)
	t, n, okTime, ok := h.epochLine(l, year, okYear, 6)
	if !ok {
		return false, nil
	}
	e.Time, e.Obs = t, e.Obs[:0]
	for range n {
		if !l.next() {
			break
		}
		if strings.HasPrefix(l.text, ">") { // fewer satellites than announced
			h.Refused.add(l.n, "an epoch of %d satellites ends early", n)
			l.back()
			break
		}
		id, err := satellite.Parse(l.text[:min(3, len(l.text))])
		if err != nil {
			h.Refused.add(l.n, "%v", err)
			continue
		}
		e.Obs = h.values(e.Obs, id, l.text[3:], l.n)
	}
	return okTime, nil
}

// values appends the observations of one satellite from the columns of its
// line: 14 of value, one of loss of lock, one of strength each.
func (h *ObservationHeader) values(obs []observation.Observation, id satellite.ID, s string, line int) []observation.Observation {
	first := len(obs)
	nan := math.NaN()
	for i, c := range h.types[id.System] {
		text := columns(s, 16*i, 16*i+14)
		if c.kind == 0 || text == "" {
			continue
		}
		v, ok := number(text)
		if !ok {
			h.Refused.add(line, "%v: value %q of %c%v", id, text, c.kind, c.sig)
			continue
		}
		if v == 0 && c.kind != 'D' { // zero stands for none
			continue
		}
		var o *observation.Observation
		for k := first; k < len(obs); k++ {
			if obs[k].Signal == c.sig {
				o = &obs[k]
			}
		}
		if o == nil {
			obs = append(obs, observation.Observation{Sat: id, Signal: c.sig, Hz: id.System.Frequency(c.sig, int(h.Channels[id.Number])),
				Code: nan, Phase: nan, Doppler: nan, CN0: nan, Lock: nan})
			o = &obs[len(obs)-1]
		}
		switch c.kind {
		case 'C':
			o.Code = v
		case 'L':
			o.Phase = v
			if lli := 16*i + 14; lli < len(s) && s[lli] >= '0' && s[lli] <= '7' {
				o.Slip, o.HalfCycle = s[lli]&1 != 0, s[lli]&2 != 0
			}
		case 'D':
			o.Doppler = v
		case 'S':
			o.CN0 = v
		}
	}
	return obs
}
