package main

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"kerbline/fusion"
	"kerbline/gnss/rtcm"
)

// summary counts what went in and what came out of a run.
type summary struct {
	last     float64 // host Unix s of the newest record
	span     float64 // s of host time, steps back not counted
	records  uint64
	kinds    [fusion.NumKinds]uint64
	refused  map[refusalKey]*refusals
	junk     [rtcm.NumRefusals]uint64 // bytes
	verdicts [4]uint64                // by Verdict
	events   map[fusion.EventKind]int
	damage   string
	taken    string // settings taken for this run alone
}

type refusalKey struct {
	ch  fusion.Channel
	why fusion.Refusal
}

type refusals struct {
	n     uint64
	first string
}

// input counts a measurement.
func (s *summary) input(m *fusion.Measurement) {
	// Channels lag one another a little; a larger step back is the clock's.
	if d := m.T - s.last; s.records == 0 || d > 0 || d < -1 {
		if s.records > 0 && d > 0 {
			s.span += d
		}
		s.last = m.T
	}
	s.records++
	s.kinds[m.Kind]++
	switch m.Kind {
	case fusion.KindJunk:
		s.junk[m.Reason] += uint64(m.N)
	case fusion.KindRefused:
		if s.refused == nil {
			s.refused = map[refusalKey]*refusals{}
		}
		k := refusalKey{m.Channel, fusion.Refusal(m.Reason)}
		if s.refused[k] == nil {
			s.refused[k] = &refusals{first: m.Note}
		}
		s.refused[k].n++
	}
}

func (s *summary) event(e *fusion.Event) {
	if s.events == nil {
		s.events = map[fusion.EventKind]int{}
	}
	s.events[e.Kind]++
}

// lines is how many verdict lines there were.
func (s *summary) lines() (n uint64) {
	for _, v := range s.verdicts {
		n += v
	}
	return n
}

// write prints the summary for a person; took is the wall time of the run.
func (s *summary) write(w io.Writer, took time.Duration) {
	row := func(name, format string, args ...any) {
		fmt.Fprintf(w, "%-14s %s\n", name, fmt.Sprintf(format, args...))
	}
	row("recording", "%.1f s in %.2f s: %d epochs, %d IMU and %d wheel samples, %d correction frames",
		s.span, took.Seconds(), s.kinds[fusion.KindEpoch], s.kinds[fusion.KindIMU], s.kinds[fusion.KindWheel], s.kinds[fusion.KindFrame])
	if k := s.kinds[fusion.KindObservation]; k > 0 {
		row("observations", "%d epochs of rover and base, %d ephemerides, %d frames of the rover's port",
			k, s.kinds[fusion.KindEphemeris], s.kinds[fusion.KindRoverFrame])
	}
	if s.taken != "" {
		row("taken", "for this run: %s", s.taken)
	}
	n := s.lines()
	var shares []string
	for _, v := range [...]fusion.Verdict{fusion.Usable, fusion.Coasting, fusion.Unproven, fusion.Unusable} {
		shares = append(shares, fmt.Sprintf("%s %.1f %%", v, 100*float64(s.verdicts[v])/float64(max(n, 1))))
	}
	row("verdicts", "%d lines: %s", n, strings.Join(shares, ", "))
	var kinds []string
	for k, c := range s.events {
		kinds = append(kinds, fmt.Sprintf("%s %d", k, c))
	}
	slices.Sort(kinds)
	if len(kinds) == 0 {
		kinds = []string{"none"}
	}
	row("events", "%s", strings.Join(kinds, ", "))
	s.writeRefused(row)
	if s.damage != "" {
		row("damage", "the recording %s", s.damage)
	}
	if s.kinds[fusion.KindEpoch] == 0 {
		row("note", "no epoch at all: no sentence held a position")
	}
}

func (s *summary) writeRefused(row func(name, format string, args ...any)) {
	keys := slices.Collect(maps.Keys(s.refused))
	slices.SortFunc(keys, func(a, b refusalKey) int { return cmp.Or(cmp.Compare(a.ch, b.ch), cmp.Compare(a.why, b.why)) })
	for _, k := range keys {
		r := s.refused[k]
		row("refused", "%d of %s for %s, first: %s", r.n, k.ch, k.why, r.first)
	}
	for why, n := range s.junk {
		if n > 0 {
			row("refused", "%d bytes of corrections: %s", n, rtcm.Refusal(why))
		}
	}
}
