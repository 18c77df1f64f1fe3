package fusion_test

import (
	"bytes"
	"encoding/hex"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/pelletier/go-toml/v2"

	"kerbline/fixtures"
	"kerbline/fixtures/signals"
	"kerbline/fusion"
	"kerbline/fusion/course"
)

// drive is a generated recording, decoded: 200 Hz IMU, 50 Hz wheel, 10 Hz GNSS,
// 1 Hz corrections, ticks every 0.1 s.
type drive struct {
	cfg   fusion.Config
	track []byte
	all   []fusion.Measurement // in the order of host time
}

const driveLength = 150.0 // s, 20 of them at rest

var nominal = sync.OnceValues(func() (*drive, error) {
	return newDrive(fixtures.Standard("nominal", 3))
})

// observing is the same with the rover's observations, and the base's.
var observing = sync.OnceValues(func() (*drive, error) {
	sc := fixtures.Standard("nominal", 3)
	sc.Observe = signals.Config{Rate: 5, Second: "L5", Still: 0.3, Moving: 0.4, SlipRate: 0.002, WindUp: true, EphEvery: 10, EphOnLink: true}
	return newDrive(sc)
})

func newDrive(sc fixtures.Scenario) (*drive, error) {
	sc.Still, sc.Duration = 20, driveLength
	files, _ := sc.Files()
	d := &drive{cfg: fusion.DefaultConfig(), track: files[fixtures.CourseFile]}
	if err := toml.Unmarshal(files[fixtures.SettingsFile], &d.cfg); err != nil {
		return nil, err
	}
	add := func(m *fusion.Measurement) {
		c := *m
		if c.Frame != nil {
			f := *c.Frame
			c.Frame = &f
		}
		if c.Observed != nil {
			e := *c.Observed
			e.Obs = slices.Clone(e.Obs)
			c.Observed = &e
		}
		if c.Ephemeris != nil {
			e := *c.Ephemeris
			c.Ephemeris = &e
		}
		d.all = append(d.all, c)
	}
	for _, f := range []struct {
		name string
		ch   fusion.Channel
	}{{fixtures.NMEAFile, fusion.ChanNMEA}, {fixtures.IMUFile, fusion.ChanIMU}, {fixtures.WheelFile, fusion.ChanWheel}, {fixtures.CorrectionsFile, fusion.ChanCorrections}, {fixtures.ObservationsFile, fusion.ChanObservations}} {
		dec := fusion.NewDecoder(d.cfg)
		for line := range bytes.Lines(files[f.name]) {
			r := fusion.Record{T: sc.Start, Channel: f.ch, Data: line}
			if f.ch == fusion.ChanCorrections || f.ch == fusion.ChanObservations { // t,hex
				at, text, _ := bytes.Cut(bytes.TrimSpace(line), []byte(","))
				t, err := strconv.ParseFloat(string(at), 64)
				if err != nil {
					continue // the names of the columns
				}
				data, err := hex.AppendDecode(nil, text)
				if err != nil {
					return nil, err
				}
				r.T, r.Data = t, data
			}
			dec.Decode(r, add)
		}
	}
	from := d.all[0].T
	for _, m := range d.all {
		if m.Kind == fusion.KindIMU {
			from = m.T
			break
		}
	}
	for t := from; t < from+driveLength; t += 0.1 {
		d.all = append(d.all, fusion.Measurement{T: t, Kind: fusion.KindTick, Channel: fusion.ChanTick})
	}
	slices.SortStableFunc(d.all, func(a, b fusion.Measurement) int {
		switch {
		case a.T < b.T:
			return -1
		case a.T > b.T:
			return 1
		}
		return int(a.Channel) - int(b.Channel)
	})
	return d, nil
}

func (d *drive) monitor(tb testing.TB) *fusion.Monitor {
	tb.Helper()
	crs, err := course.Load(d.track)
	if err != nil {
		tb.Fatal(err)
	}
	return fusion.NewMonitor(d.cfg, crs)
}

var stepKinds = []struct {
	name string
	kind fusion.Kind
}{{"IMU", fusion.KindIMU}, {"wheel", fusion.KindWheel}, {"epoch", fusion.KindEpoch}, {"frame", fusion.KindFrame}, {"link", fusion.KindLink}, {"tick", fusion.KindTick}}

// BenchmarkStep/IMU and so on is the cost of one Step by kind of measurement,
// each timed by itself while a drive is played; the time of looking at the
// clock is taken off. BenchmarkStep/all is a second of the drive, without
// looking at the clock.
func BenchmarkStep(b *testing.B) {
	d, err := nominal()
	if err != nil {
		b.Fatal(err)
	}
	for _, k := range stepKinds {
		b.Run(k.name, func(b *testing.B) {
			var spent time.Duration
			n := 0
			for b.Loop() {
				m := d.monitor(b)
				for i := range d.all {
					in := &d.all[i]
					if in.Kind != k.kind {
						m.Step(in)
						continue
					}
					began := time.Now()
					m.Step(in)
					spent += time.Since(began)
					n++
				}
			}
			b.ReportMetric(max(0, float64(spent)/float64(n)-looking()), "ns/op")
		})
	}
	b.Run("all", func(b *testing.B) {
		for b.Loop() {
			m := d.monitor(b)
			for i := range d.all {
				m.Step(&d.all[i])
			}
		}
		b.ReportMetric(float64(b.Elapsed())/float64(b.N)/driveLength, "ns/recorded-s")
		b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(len(d.all)), "ns/op")
	})
}

// looking is what a pair of looks at the clock costs, ns.
var looking = sync.OnceValue(func() float64 {
	const n = 100000
	var sum time.Duration
	for range n {
		began := time.Now()
		sum += time.Since(began)
	}
	return float64(sum) / n
})

// In steady state no kind of measurement allocates: a quarter of a minute of
// usable driving, counted Step by Step. Steps that report an event may.
func TestStepAllocatesNothing(t *testing.T) {
	for name, built := range map[string]func() (*drive, error){"without observations": nominal, "with observations": observing} {
		t.Run(name, func(t *testing.T) {
			d, err := built()
			if err != nil {
				t.Fatal(err)
			}
			d.allocatesNothing(t, name == "with observations")
		})
	}
}

func (d *drive) allocatesNothing(t *testing.T, observes bool) {
	m := d.monitor(t)
	i := 0
	for ; i < len(d.all) && (d.all[i].T < d.all[0].T+100 || m.Snapshot().Verdict != fusion.Usable); i++ {
		m.Step(&d.all[i])
	}
	defer debug.SetGCPercent(debug.SetGCPercent(-1))
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	var before, after runtime.MemStats
	steps := map[fusion.Kind]int{}
	mallocs := map[fusion.Kind]uint64{}
	for end := d.all[i].T + 15; i < len(d.all) && d.all[i].T < end; i++ {
		in := &d.all[i]
		runtime.ReadMemStats(&before)
		_, events := m.Step(in)
		runtime.ReadMemStats(&after)
		if len(events) == 0 {
			steps[in.Kind]++
			mallocs[in.Kind] += after.Mallocs - before.Mallocs
		}
	}
	for _, k := range stepKinds {
		if steps[k.kind] < 10 {
			t.Errorf("%d steps of kind %s, want at least 10", steps[k.kind], k.name)
		}
		if mallocs[k.kind] != 0 {
			t.Errorf("%d allocations in %d steps of kind %s, want 0", mallocs[k.kind], steps[k.kind], k.name)
		}
	}
	for _, k := range []fusion.Kind{fusion.KindObservation, fusion.KindEphemeris} {
		if observes && steps[k] < 10 || mallocs[k] != 0 {
			t.Errorf("%d allocations in %d steps of observations or ephemerides, want 0 in some", mallocs[k], steps[k])
		}
	}
	if s := m.Snapshot(); s.Verdict != fusion.Usable || s.Phases.Carried != observes {
		t.Errorf("verdict %v, carried %v at the end: not the steady state that was meant", s.Verdict, s.Phases.Carried)
	}
}
