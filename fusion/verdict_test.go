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
	"kerbline/fusion/navigation"
	"kerbline/gnss"
)

// A reason that another explains is left out, the rest stand in the order of
// urgency.
func TestReasons_Dependencies(t *testing.T) {
	for _, tt := range []struct {
		on   []reasonID
		want string
	}{
		{nil, ""},
		{[]reasonID{whyAge}, "corr-age"},
		{[]reasonID{whyLink, whyAge, whyQuality}, "link"},
		{[]reasonID{whyLink, whyAge, whyQuality, whySats}, "link sats"},
		{[]reasonID{whyQuality, whyAge, whySigma, whySats, whyHDOP}, "fix-quality"},
		{[]reasonID{whyNoPosition, whyQuality, whySats, whyHDOP}, "no-position"},
		{[]reasonID{whyReceiver, whyLink, whyQuality, whyAge, whyClock, whyInnovation}, "receiver-silent"},
		{[]reasonID{whyDrift, whyDoubt}, "drift"},
		{[]reasonID{whyDoubt, whyPLLat, whyPLLon, whyCoast}, "drift-suspected"},
		{[]reasonID{whyDrift, whyJump, whyInnovation}, "drift"},
		{[]reasonID{whyJump, whyInnovation, whyVelocity}, "jump"},
		{[]reasonID{whyAlign, whyPLLat, whyPLLon, whyPLYaw, whyCoast}, "aligning"},
		{[]reasonID{whyIMU, whyAlign, whyPLLat, whyCoast}, "imu-silent"},
		{[]reasonID{whyDwell, whyPLLat, whyBaseMoved, whyUnits}, "imu-units base-moved pl-lateral requalifying"},
		{[]reasonID{whyIMU, whyReceiver}, "imu-silent receiver-silent"},
	} {
		m := NewMonitor(DefaultConfig(), nil)
		m.reasons.open()
		for _, id := range tt.on {
			m.reasons.add(id, 1, 2, "m")
		}
		m.reasons.close(m, &m.snap)
		if got := strings.Join(codes(&m.snap), " "); got != tt.want {
			t.Errorf("%v: %q, want %q", tt.on, got, tt.want)
		}
	}
}

// Since when a reason holds survives the lines on which it holds and no other,
// and no more reasons are told than there is room for.
func TestReasons_Since(t *testing.T) {
	m := NewMonitor(DefaultConfig(), nil)
	b, s := &m.reasons, &m.snap
	line := func(now float64, ids ...reasonID) {
		m.now = now
		b.open()
		for _, id := range ids {
			b.add(id, 0, 0, "")
		}
		b.close(m, s)
	}
	line(1, whyPLLat)
	line(2, whyPLLat, whyDwell)
	if s.Reasons[0].Since != 1 || s.Reasons[1].Since != 2 {
		t.Errorf("since %v and %v, want 1 and 2", s.Reasons[0].Since, s.Reasons[1].Since)
	}
	line(3, whyDwell)
	line(4, whyPLLat, whyDwell)
	if s.Reasons[0].Since != 4 || s.Reasons[1].Since != 2 {
		t.Errorf("since %v and %v, want 4 and 2", s.Reasons[0].Since, s.Reasons[1].Since)
	}
	// A hidden reason does not hold either: it begins when it is shown.
	line(5, whyLink, whyAge)
	line(6, whyAge)
	if s.Reasons[0].Code != "corr-age" || s.Reasons[0].Since != 6 {
		t.Errorf("%+v, want corr-age since 6", s.Reasons[0])
	}
	// The most urgent ones when there are too many.
	line(7, whyUnits, whySaturated, whyReceiver, whyBaseMoved, whyBaseUnknown, whyDrift, whyPLLat, whyPLLon, whyPLYaw, whyCoast, whyLever, whyDwell, whySpeed)
	if s.NReasons != MaxReasons || s.Reasons[0].Code != "imu-units" || s.Reasons[MaxReasons-1].Code != "requalifying" {
		t.Errorf("%d reasons %v", s.NReasons, codes(s))
	}
	line(8)
	if s.NReasons != 0 || s.Reasons[0] != (Reason{}) {
		t.Errorf("reasons left over: %+v", s.Reasons[0])
	}
}

// Advice worsens at once and improves after a hold.
func TestAdvice_Hysteresis(t *testing.T) {
	m := NewMonitor(DefaultConfig(), nil)
	m.reasons.open()
	m.nav.IMU.N, m.nav.Phase = 1, navigation.Aligned
	s := &m.snap
	at := func(now float64, v Verdict, speed, top, leave float64) Advice {
		m.now = now
		s.Verdict, s.Speed, s.SpeedCap, s.LeaveIn = v, speed, top, leave
		m.advise(s, false)
		return s.Advice
	}
	hold := m.cfg.Tests.CapHold
	nan := math.NaN()
	if a := at(0, Unproven, 10, nan, nan); a > AdviseReactive {
		t.Fatalf("unproven: %s", a)
	}
	at(1, Unproven, 10, nan, nan)
	at(1+hold, Unproven, 10, nan, nan)
	if a := at(2+hold, Unproven, 10, nan, nan); a != AdviseReactive {
		t.Fatalf("unproven: %s, want reactive", a)
	}
	now := 10.0
	if a := at(now, Usable, 10, 30, nan); a != AdviseMapSlow {
		t.Errorf("first usable line: %s, want map_slow: the dwell was hold enough for that", a)
	}
	for dt := 0.1; dt < hold-0.05; dt += 0.1 {
		if a := at(now+dt, Usable, 10, 30, nan); a != AdviseMapSlow {
			t.Errorf("usable for %.1f s: %s, want map_slow still", dt, a)
		}
	}
	if a := at(now+hold, Usable, 10, 30, nan); a != AdviseMap {
		t.Errorf("usable for %.1f s: %s, want map", hold, a)
	}
	// Over the cap: at once. Under it again: after the hold, and an interruption
	// begins it anew.
	now += hold
	if a := at(now+0.1, Usable, 10, 9, nan); a != AdviseMapSlow {
		t.Errorf("faster than the cap: %s, want map_slow at once", a)
	}
	for k := range 40 {
		top := 30.0
		if k%5 == 4 { // every half second
			top = 9
		}
		if a := at(now+0.2+0.1*float64(k), Usable, 10, top, nan); a != AdviseMapSlow {
			t.Errorf("flickers: %s", a)
		}
	}
	now += 10
	at(now, Usable, 10, 30, nan)
	at(now+hold, Usable, 10, 30, nan)
	if a := at(now+hold+0.1, Coasting, 10, 20, 3); a != AdviseMapSlow {
		t.Errorf("coasting with 3 s to leave: %s, want map_slow", a)
	}
	if a := at(now+hold+0.2, Coasting, 10, 20, 0); a != AdviseReactive {
		t.Errorf("coasting with nothing left: %s, want reactive", a)
	}
	if a := at(now+hold+0.3, Unusable, 10, nan, nan); a != AdviseReactive {
		t.Errorf("unusable: %s, want reactive", a)
	}
	m.advise(s, true)
	if s.Advice != AdviseStop {
		t.Errorf("blind on every side: %s, want stop", s.Advice)
	}
}

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
