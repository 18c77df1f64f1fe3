package rinex

import (
	"fmt"
	"strings"

	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

// types2 reads the one list of observation types of a version 2 file.
func (h *ObservationHeader) types2(s string, line int) error {
	if n, ok := whole(columns(s, 0, 6), 1, 99); ok {
		for sys := range h.types {
			h.types[sys] = nil
		}
		h.wanted = n
	} else if columns(s, 0, 6) != "" || h.wanted == 0 {
		return fmt.Errorf("rinex: line %d: %q observation types, want a number to 99", line, columns(s, 0, 6))
	}
	for _, f := range strings.Fields(columns(s, 6, 60)) {
		for sys := range h.types {
			if len(h.types[sys]) < h.wanted {
				h.types[sys] = append(h.types[sys], column2(satellite.System(sys), f))
			}
		}
	}
	return nil
}

// column2 gives a version 2 type the signal of version 3 that it most likely
// is: C1 is the civil code, P1 and P2 the precise ones; phase, Doppler and
// strength go with the civil code on band 1, with the precise one on band 2.
func column2(sys satellite.System, f string) column {
	if len(f) != 2 || f[1] < '1' || f[1] > '8' || strings.IndexByte("CPLDS", f[0]) < 0 {
		return column{}
	}
	sig := satellite.Signal{Band: f[1], Attribute: 'C'}
	precise := byte('W')
	if sys == satellite.GLONASS {
		precise = 'P'
	}
	kind := f[0]
	switch {
	case f[0] == 'P':
		kind, sig.Attribute = 'C', precise
	case f[1] == '2' && f[0] != 'C':
		sig.Attribute = precise
	case f[1] >= '5':
		sig.Attribute = 'X'
	}
	return column{kind: kind, sig: sig}
}

// epoch2 reads an epoch of version 2 from its first line, which is at hand.
func (h *ObservationHeader) epoch2(l *lines, e *observation.Epoch) (ok bool, err error) {
	s := l.text
	if s == "" {
		return false, nil
	}
	year, okYear := whole(columns(s, 1, 3), 0, 99)
	start := l.n
	t, n, okTime, ok := h.epochLine(l, year, okYear, 3)
	if !ok {
		return false, nil
	}
	// The satellites stand in the line, twelve a line.
	sats := make([]string, 0, n)
	for len(sats) < n {
		if k := len(sats); k > 0 && k%12 == 0 {
			if !l.next() {
				return false, nil
			}
		}
		at := 32 + 3*(len(sats)%12)
		name := l.text[min(at, len(l.text)):min(at+3, len(l.text))]
		if strings.HasPrefix(name, " ") && len(name) == 3 { // GPS, by default
			name = "G" + name[1:]
		}
		sats = append(sats, name)
	}
	e.Time, e.Obs = t, e.Obs[:0]
	types := h.wanted
	for _, name := range sats {
		// Five values a line, 80 columns each.
		var all strings.Builder
		for k := 0; k < types; k += 5 {
			if !l.next() {
				return false, nil
			}
			fmt.Fprintf(&all, "%-80.80s", l.text)
		}
		id, err := satellite.Parse(name)
		if err != nil {
			h.Refused.add(start, "%v", err)
			continue
		}
		e.Obs = h.values(e.Obs, id, all.String(), l.n)
	}
	return okTime, nil
}
