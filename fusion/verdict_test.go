package fusion

import (
	"fmt"
	"hash/fnv"
	"math"
	"slices"
	"strings"
	"testing"

	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/gnss"
)

// What is not known is NaN or -1, on a line that nothing was heard before.
func TestSnapshot_UnknownIsNotZero(t *testing.T) {
	m := NewMonitor(DefaultConfig(), nil)
	var s *Snapshot
	for k := range 5 {
		if x, _ := m.Step(&Measurement{T: 1000 + 0.1*float64(k), Kind: KindTick, Channel: ChanTick}); x != nil {
			s = x
		}
	}
	if s == nil {
		t.Fatal("no line after 0.4 s of silence")
	}
	for name, v := range map[string]float64{
		"UTC": s.UTC, "SpeedCap": s.SpeedCap, "Coast": s.Coast, "Handover": s.Handover, "LeaveIn": s.LeaveIn,
		"Pos.Lat": s.Pos.Lat, "Pos.Lon": s.Pos.Lon, "Pos.H": s.Pos.H, "ENU.E": s.ENU.E, "Vel.E": s.Vel.E,
		"Roll": s.Roll, "Pitch": s.Pitch, "Yaw": s.Yaw, "Speed": s.Speed, "YawRate": s.YawRate, "LatAcc": s.LatAcc, "LonAcc": s.LonAcc,
		"SigmaLat": s.SigmaLat, "SigmaLon": s.SigmaLon, "SigmaYaw": s.SigmaYaw,
		"PLLat": s.PLLat.Total, "PLLon": s.PLLon.Total, "PLYaw": s.PLYaw.Total, "PLLat.Step": s.PLLat.Step,
		"EpochAge": s.EpochAge, "EpochRate": s.EpochRate, "SigmaFix": s.SigmaFix,
		"IMURate": s.IMURate, "IMUAge": s.IMUAge, "WheelRate": s.WheelRate, "WheelAge": s.WheelAge, "WheelSpeed": s.WheelSpeed, "WheelScale": s.WheelScale,
		"HostMinusUTC": s.HostMinusUTC, "Latency": s.Latency, "LatencySigma": s.LatencySigma, "ClockDrift": s.ClockDrift,
		"Station": s.Station, "LapLength": s.LapLength, "Cross": s.Cross, "HalfWidth": s.HalfWidth, "CourseYaw": s.CourseYaw,
		"Epoch.HDOP": s.Epoch.HDOP, "Epoch.Age": s.Epoch.Age, "Epoch.Speed": s.Epoch.Speed, "Epoch.SigmaN": s.Epoch.SigmaN,
		"Link.RoverAge": s.Link.RoverAge, "Link.Baseline": s.Link.Baseline, "Link.Latency": s.Link.Latency, "Link.BaseOff": s.Link.BaseOff,
		"Tests[jump].Stat": s.Tests[TestJump].Stat, "Tests[jump].Detectable": s.Tests[TestJump].Detectable,
	} {
		if !math.IsNaN(v) {
			t.Errorf("%s is %v, want NaN", name, v)
		}
	}
	if s.HasPos || s.HasCourse || s.Epoch.Station != -1 || s.Epoch.Sats != -1 || s.Epoch.Quality != gnss.QualityUnknown || s.Link.Station != -1 {
		t.Errorf("HasPos %v, HasCourse %v, station %d and %d, satellites %d, quality %d", s.HasPos, s.HasCourse, s.Epoch.Station, s.Link.Station, s.Epoch.Sats, s.Epoch.Quality)
	}
	if s.Verdict != Unproven || s.Advice != AdviseStop {
		t.Errorf("%s, %s; want unproven, stop", s.Verdict, s.Advice)
	}
	// The limits are known all the same.
	if s.ALLat != 0.5 || s.ALLon != 1 {
		t.Errorf("limits %v, %v", s.ALLat, s.ALLon)
	}
}

// Lines count from 1 without a gap, and their times never run back.
func TestSnapshot_Seq(t *testing.T) {
	r := newRig(20)
	seq, last := uint64(0), 0.0
	r.play(t, func(at float64, s *Snapshot, ev []Event) {
		if s == nil {
			return
		}
		if seq++; s.Seq != seq {
			t.Fatalf("line %d has number %d", seq, s.Seq)
		}
		if s.T < last {
			t.Fatalf("line %d at %.3f s after one at %.3f s", seq, s.T, last)
		}
		if s.T-last > 0.15 && last > 0 {
			t.Fatalf("%.3f s without a line", s.T-last)
		}
		last = s.T
	})
	if seq < 200 {
		t.Errorf("%d lines in 20 s", seq)
	}
}

// Two monitors over the same measurements say the same, to the last bit, and a
// monitor that is asked for its snapshot in between says no other.
func TestMonitor_Deterministic(t *testing.T) {
	sc := fixtures.Standard("mixed", 9)
	sc.Still, sc.Duration = 10, 110
	sc.Faults = []fixtures.Fault{{Kind: faults.Silent, From: 40, To: 60}, {Kind: faults.Jump, From: 75, To: 80, Size: 0.4, Dir: [3]float64{1, 0, 0}}}
	d := drives(t, sc)
	sum := func(ask bool) (h uint64, lines int) {
		m := d.monitor(t, d.cfg)
		w := fnv.New64a()
		for i := range d.in {
			in := d.in[i] // the monitor may keep nothing of it
			snap, ev := m.Step(&in)
			in = Measurement{}
			if ask && i%17 == 0 {
				_ = *m.Snapshot()
			}
			if snap != nil {
				lines++
				s := *snap
				fmt.Fprintf(w, "%x %v %v %x %x %x %v %v %v %x", s.T, s.Verdict, s.Advice, s.Pos.Lat, s.Pos.Lon, s.Yaw, s.PLLat, s.Tests, codes(&s), s.Coast)
			}
			for _, e := range ev {
				fmt.Fprintf(w, "%+v", e)
			}
		}
		fmt.Fprintf(w, "%+v", m.Close())
		return w.Sum64(), lines
	}
	a, n := sum(false)
	b, k := sum(true)
	if a != b || n != k || n < 1000 {
		t.Errorf("sums %x and %x over %d and %d lines", a, b, n, k)
	}
}

// A closed monitor knows the link to its end, and what comes after changes
// nothing: an outage that ended with the recording stays as it was reported.
func TestMonitor_Closed(t *testing.T) {
	m := NewMonitor(DefaultConfig(), nil)
	m.Step(&Measurement{T: 100, Kind: KindTick, Channel: ChanTick})
	for i := range 9 { // between two lines
		m.Step(&Measurement{T: 100.01 + float64(i)/100, Kind: KindLink, Channel: ChanCorrections, N: 100})
	}
	if m.Snapshot().Link.Tapped {
		t.Fatal("a line came: this test shows nothing")
	}
	if m.Close(); !m.Snapshot().Link.Tapped {
		t.Error("the snapshot does not reach the end")
	}
	closed := *m.Snapshot()
	for i := range 100 {
		snap, ev := m.Step(&Measurement{T: 101 + float64(i)/10, Kind: KindTick, Channel: ChanTick})
		if snap != nil || len(ev) > 0 {
			t.Fatalf("a closed monitor says %v %v", snap, ev)
		}
	}
	if s := m.Snapshot(); s.T != closed.T && s.T == s.T || s.Seq != closed.Seq || s.Counts != closed.Counts || s.Link.Condition != closed.Link.Condition {
		t.Errorf("%+v after the close, %+v at it", s.Counts, closed.Counts)
	}
}

// A mark, a word nobody knows, and no word at all.
func TestMonitor_Notes(t *testing.T) {
	m := NewMonitor(DefaultConfig(), nil)
	for i, note := range []string{"mark", "mark ", "mark x", "", "source nmea lost", strings.Repeat("m", 1<<16)} {
		if _, ev := m.Step(&Measurement{T: 100 + float64(i)/100, Kind: KindNote, Channel: ChanNote, Note: note}); len(ev) > 0 {
			t.Errorf("%.20q: events %+v", note, ev)
		}
	}
}

// The link's own condition takes the place of what follows from it.
func TestReasons_LinkSilent(t *testing.T) {
	sc := fixtures.Standard("link_silent", 4)
	sc.Still, sc.Duration = 10, 110
	sc.Refix = [2]float64{3, 5}
	sc.Faults = []fixtures.Fault{{Kind: faults.Silent, From: 50, To: 90}}
	d := drives(t, sc)
	m := d.monitor(t, d.cfg)
	seen := 0
	for i := range d.in {
		snap, _ := m.Step(&d.in[i])
		if snap == nil {
			continue
		}
		c := codes(snap)
		if slices.Contains(c, "link-silent") {
			seen++
			if slices.Contains(c, "corr-age") || slices.Contains(c, "fix-quality") {
				t.Fatalf("%.1f s: %v: the link explains age and quality", d.sc.UTC(snap.T), c)
			}
		}
	}
	if seen < 100 {
		t.Errorf("%d lines say link-silent in 40 s of silence", seen)
	}
}
