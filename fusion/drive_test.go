package fusion

import (
	"bytes"
	"cmp"
	"encoding/hex"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/pelletier/go-toml/v2"

	"kerbline/fixtures"
	"kerbline/fusion/course"
	"kerbline/gnss/geodesy"
)

// long reports whether the full numbers of runs are asked for.
var long = os.Getenv("KERBLINE_LONG") != ""

// drive is a generated recording, decoded, in the order of host time, with
// ticks every 0.1 s.
type drive struct {
	sc    fixtures.Scenario
	cfg   Config
	track []byte
	in    []Measurement
	truth *fixtures.Truth
}

func drives(tb testing.TB, sc fixtures.Scenario) *drive {
	tb.Helper()
	files, _ := sc.Files()
	d := &drive{sc: sc, cfg: DefaultConfig(), track: files[fixtures.CourseFile], truth: sc.Truth()}
	if err := toml.Unmarshal(files[fixtures.SettingsFile], &d.cfg); err != nil {
		tb.Fatal(err)
	}
	add := func(m *Measurement) { d.in = append(d.in, decoded(m)) }
	for _, f := range []struct {
		name string
		ch   Channel
	}{{fixtures.NMEAFile, ChanNMEA}, {fixtures.CorrectionsFile, ChanCorrections}, {fixtures.IMUFile, ChanIMU}, {fixtures.WheelFile, ChanWheel}, {fixtures.ObservationsFile, ChanObservations}} {
		dec := NewDecoder(d.cfg)
		for line := range bytes.Lines(files[f.name]) {
			r := Record{T: sc.Start, Channel: f.ch, Data: line}
			if f.ch == ChanCorrections || f.ch == ChanObservations { // t,hex
				at, text, _ := bytes.Cut(bytes.TrimSpace(line), []byte(","))
				t, err := strconv.ParseFloat(string(at), 64)
				if err != nil {
					continue // the names of the columns
				}
				data, err := hex.AppendDecode(nil, text)
				if err != nil {
					tb.Fatal(err)
				}
				r.T, r.Data = t, data
			}
			dec.Decode(r, add)
		}
	}
	from := sc.Host(0)
	for k := range int(sc.Duration * 10) {
		d.in = append(d.in, Measurement{T: from + 0.1*float64(k), Kind: KindTick, Channel: ChanTick})
	}
	slices.SortStableFunc(d.in, func(a, b Measurement) int { return cmp.Compare(a.T, b.T) })
	return d
}

// monitor returns a monitor for the drive.
func (d *drive) monitor(tb testing.TB, cfg Config) *Monitor {
	tb.Helper()
	var crs *course.Course
	if d.track != nil {
		var err error
		if crs, err = course.Load(d.track); err != nil {
			tb.Fatal(err)
		}
	}
	return NewMonitor(cfg, crs)
}

// where returns the true position of the body origin at host time t in frame
// f, and the truth itself.
func (d *drive) where(f *geodesy.Frame, t float64) (geodesy.ENU, fixtures.State) {
	st := d.truth.At(t)
	return f.FromLLA(st.Pos), st
}
