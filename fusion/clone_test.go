package fusion

import (
	"math"
	"reflect"
	"testing"

	"kerbline/gnss"
	"kerbline/gnss/geodesy"
)

// A clone goes on as the monitor itself would have, and neither changes the
// other.
func TestClone(t *testing.T) {
	drive := func() (in []Measurement) {
		const from = 1778922000.0
		for i := range 60 * 100 {
			s := float64(i) / 100
			yaw, v := 0.3*math.Sin(s/4), math.Min(8, math.Max(0, s-5))
			in = append(in, Measurement{T: from + s, Kind: KindIMU, Channel: ChanIMU, W: [3]float64{0, 0, 0.3 / 4 * math.Cos(s/4)}, F: [3]float64{0, v * 0.3 / 4 * math.Cos(s/4), 9.806}})
			if i%10 == 0 {
				e := blankEpoch()
				e.UTC, e.Arrival, e.Complete = from+s-0.08, from+s, from+s
				e.HasPos, e.HasH, e.Quality, e.Sats, e.HDOP, e.Age = true, true, gnss.QualityFixed, 20, 0.7, 1
				e.Pos = geodesy.LLA{Lat: 0.77 + 1e-6*v*s/6, Lon: 0.2, H: 100}
				e.Speed, e.Course = v, math.Pi/2-yaw
				in = append(in, Measurement{T: from + s, Kind: KindEpoch, Channel: ChanNMEA, Epoch: &e})
			}
		}
		return in
	}()
	lines := func(m *Monitor, in []Measurement) (out []Snapshot) {
		for i := range in {
			if snap, _ := m.Step(&in[i]); snap != nil {
				out = append(out, *snap)
			}
		}
		return out
	}
	cut := len(drive) * 2 / 3
	m := NewMonitor(DefaultConfig(), nil)
	lines(m, drive[:cut])
	c, other := m.Clone(), m.Clone()
	for i := cut; i < len(drive); i++ { // without the receiver
		if drive[i].Kind != KindEpoch {
			other.Step(&drive[i])
		}
	}
	want, got := lines(m, drive[cut:]), lines(c, drive[cut:])
	if len(want) == 0 || len(got) != len(want) {
		t.Fatalf("%d lines of the clone, %d of the monitor", len(got), len(want))
	}
	for i := range want {
		if a, b := print(&want[i]), print(&got[i]); !reflect.DeepEqual(a, b) {
			t.Fatalf("line %d of the clone is\n%v\nwant\n%v", i, b, a)
		}
	}
}

// print makes snapshots comparable: NaN is not equal to itself.
func print(s *Snapshot) [6]uint64 {
	b := math.Float64bits
	return [6]uint64{b(s.T), b(s.Pos.Lat), b(s.PLLat.Total), b(s.Coast), uint64(s.Verdict), uint64(s.NReasons)}
}
