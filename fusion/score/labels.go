package score

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"sort"
)

// Label is one fault that was put into a recording.
type Label struct {
	Kind string
	From float64    // Unix s, true UTC
	To   float64    // Unix s, true UTC
	Size float64    // m (jump, wrong_fix, base_moved), m/s (drift), s (delays, clock), share (others); NaN when it has none
	Dir  [3]float64 // unit vector east, north, up of positional faults; zero when it has none
	// Until is when the last effect is over where that is later than To, Unix s, true UTC.
	Until float64
}

// Labels are all faults of a recording. An empty list says that it has none,
// which is not the same as having no Labels.
type Labels struct {
	HostMinusUTC float64 // s, host clock minus true UTC
	Faults       []Label // by From
}

// labelsFile is the form of labels.json: from and to are seconds of true UTC
// after start_unix.
type labelsFile struct {
	Start        float64     `json:"start_unix"`
	HostMinusUTC float64     `json:"host_minus_utc_s"`
	Faults       []faultFile `json:"faults"`
}

type faultFile struct {
	Kind string      `json:"kind"`
	From *float64    `json:"from"`
	To   *float64    `json:"to"`
	Size *float64    `json:"size,omitempty"`
	Dir  *[3]float64 `json:"dir,omitempty"`

	Until *float64 `json:"until,omitempty"`
}

// ReadLabels reads labels.json: start_unix (Unix s, UTC), host_minus_utc_s,
// and faults with kind, from, to and until (s after start_unix), size and dir
// (east, north, up); all but kind, from and to may be missing.
func ReadLabels(r io.Reader) (*Labels, error) {
	var f labelsFile
	if err := json.NewDecoder(r).Decode(&f); err != nil {
		return nil, fmt.Errorf("score: labels: %w", err)
	}
	if !(f.Start > 0) {
		return nil, fmt.Errorf("score: labels: start_unix is %v, want Unix s", f.Start)
	}
	l := &Labels{HostMinusUTC: f.HostMinusUTC, Faults: make([]Label, 0, len(f.Faults))}
	for i, x := range f.Faults {
		if x.Kind == "" || x.From == nil || x.To == nil || *x.To < *x.From {
			return nil, fmt.Errorf("score: labels: fault %d (%q): want a kind, and from no later than to", i+1, x.Kind)
		}
		lab := Label{Kind: x.Kind, From: f.Start + *x.From, To: f.Start + *x.To, Size: math.NaN()}
		lab.Until = lab.To
		if x.Until != nil {
			lab.Until = math.Max(lab.To, f.Start+*x.Until)
		}
		if x.Size != nil {
			lab.Size = *x.Size
		}
		if x.Dir != nil {
			lab.Dir = *x.Dir
		}
		l.Faults = append(l.Faults, lab)
	}
	sort.SliceStable(l.Faults, func(i, j int) bool { return l.Faults[i].From < l.Faults[j].From })
	return l, nil
}

// Write writes l as labels.json with times after start (Unix s, UTC).
func (l *Labels) Write(w io.Writer, start float64) error {
	f := labelsFile{Start: start, HostMinusUTC: l.HostMinusUTC, Faults: []faultFile{}}
	for _, x := range l.Faults {
		from, to := x.From-start, x.To-start
		y := faultFile{Kind: x.Kind, From: &from, To: &to}
		if !math.IsNaN(x.Size) {
			y.Size = &x.Size
		}
		if x.Dir != ([3]float64{}) {
			y.Dir = &x.Dir
		}
		if x.Until > x.To {
			until := x.Until - start
			y.Until = &until
		}
		f.Faults = append(f.Faults, y)
	}
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(f)
}

// class says what a fault of some kind does.
type class uint8

const (
	classInput    class = iota // clock, IMU, wheel, late or garbled input
	classPosition              // the receiver's positions are shifted
	classLink                  // corrections stop helping
)

func (l *Label) class() class {
	switch l.Kind {
	case "jump", "wrong_fix", "drift", "base_moved":
		return classPosition
	case "link_silent", "link_corrupt", "link_sparse", "link_late", "base_restarted", "receiver_not_using",
		"sky_blocked", "interference", "receiver_silent", "unknown":
		return classLink
	}
	return classInput
}

// settled returns until when (Unix s, true UTC) a fault may still explain an
// alarm: the step back, and after a correction outage the new fix.
func (l *Label) settled() float64 {
	last := math.Max(l.To, l.Until)
	if l.class() == classLink {
		return last + 30
	}
	return last + 5
}

// offset returns the shift in m, east and north, that a fault puts on an epoch
// of UTC time utc; zero outside it.
func (l *Label) offset(utc float64) (e, n float64) {
	from, to := l.From, l.To
	switch {
	case math.IsNaN(l.Size):
		return 0, 0
	case l.Kind == "base_restarted": // with other coordinates, once it is back
		from, to = l.To, math.Max(l.To, l.Until)
	case l.class() != classPosition:
		return 0, 0
	}
	if !(utc >= from && utc < to) {
		return 0, 0
	}
	s := l.Size
	if l.Kind == "drift" {
		s *= utc - l.From
	}
	return s * l.Dir[0], s * l.Dir[1]
}
