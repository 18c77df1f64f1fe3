package verdict

import (
	"math"
	"strings"
	"testing"

	"kerbline/fusion/integrity"
	"kerbline/gnss/corrections"
)

// tell tells nothing but reasons, and returns their codes.
func (m *Memory) tell(now float64, ids ...ReasonID) (codes []string) {
	car, timing := DefaultCar(), DefaultTiming()
	j := Judgement{Verdict: Unusable}
	for _, id := range ids {
		j.Reasons.Add(id, 1, 2, "m")
	}
	told := m.Tell(now, 0, &Evidence{}, &j, &car, &timing)
	for i := range told.NReasons {
		codes = append(codes, told.Reasons[i].Code)
	}
	return codes
}

// good is evidence of which every condition holds, at 10 m/s.
func good() *Evidence {
	tests := integrity.BlankTests()
	pl := PL{Total: 0.2, Noise: 0.1, Step: 0.1}
	return &Evidence{
		IMUHeard: true, ReceiverHeard: true, Fixed: true, Silence: 0.35, Proven: true, Tests: &tests, Aligned: true,
		PLLat: pl, PLLon: pl, PLYaw: PL{Total: 0.01}, ALLat: 0.5, ALLon: 1, ALYaw: 0.05, Speed: 10, Coast: 12, Leave: 7,
	}
}

// Each condition by itself: what it makes of a good line, and whether dead
// reckoning may carry on. The cases are the paths of the package comment.
func TestJudge(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct {
		name   string
		change func(e *Evidence)
		want   Verdict
		reason ReasonID
	}{
		{"all good", func(e *Evidence) {}, Usable, NumReasons},
		{"receiver silent", func(e *Evidence) { e.ReceiverSilent = true }, Coasting, WhyReceiver},
		{"receiver silent, nothing proven", func(e *Evidence) { e.ReceiverSilent, e.Proven = true, false }, Unusable, WhyReceiver},
		{"never used", func(e *Evidence) { e.SinceUsed, e.Proven = nan, false }, Unusable, NumReasons},
		{"float", func(e *Evidence) { e.Fixed = false }, Coasting, NumReasons},
		{"float for longer than allowed", func(e *Evidence) { e.Fixed, e.SinceUsed = false, 20.1 }, Unusable, NumReasons},
		{"jump", func(e *Evidence) { e.Stepped = true }, Coasting, WhyJump},
		{"jump, nothing proven", func(e *Evidence) { e.Stepped, e.Proven = true, false }, Unproven, WhyJump},
		{"drift", func(e *Evidence) { e.Drifted = true }, Unusable, WhyDrift},
		{"requalifying", func(e *Evidence) { e.Requalifying, e.DwellLeft = true, 1 }, Coasting, WhyDwell},
		{"requalifying, nothing proven", func(e *Evidence) { e.Requalifying, e.Proven = true, false }, Unproven, WhyDwell},
		{"refused", func(e *Evidence) { e.Refused = true }, Coasting, WhyInnovation},
		{"late", func(e *Evidence) { e.EpochLate = true }, Coasting, WhyLate},
		{"inertial sensor silent", func(e *Evidence) { e.IMUSilent = true }, Unusable, WhyIMU},
		{"saturated", func(e *Evidence) { e.Saturated = true }, Unusable, WhySaturated},
		{"units", func(e *Evidence) { e.SettingsWrong = true }, Unusable, WhySettings},
		{"base moved", func(e *Evidence) { e.Base = corrections.BaseElsewhere }, Unusable, WhyBaseMoved},
		{"base unconfirmed", func(e *Evidence) { e.Base = corrections.BaseUnconfirmed }, Unusable, WhyBaseUnknown},
		{"velocity", func(e *Evidence) { e.Tests[integrity.TestVelocity].Alarm = true }, Coasting, WhyVelocity},
		{"lateral level", func(e *Evidence) { e.PLLat.Total = 0.51 }, Unproven, WhyPLLat},
		{"along level", func(e *Evidence) { e.PLLon.Total = 1.01 }, Unproven, WhyPLLon},
		{"heading level", func(e *Evidence) { e.PLYaw.Total = 0.051 }, Unproven, WhyPLYaw},
		{"unknown level", func(e *Evidence) { e.PLLat.Total = nan }, Unproven, WhyPLLat},
		{"coast budget", func(e *Evidence) { e.Coast = 1.4 }, Coasting, WhyCoast},
		{"nothing left to coast", func(e *Evidence) { e.Coast, e.Fixed = 0, false }, Unusable, WhyCoast},
		{"settings open", func(e *Evidence) { e.SettingsOpen, e.Proven = true, false }, Unproven, WhyLever},
		{"not aligned", func(e *Evidence) { e.Aligned, e.Coast = false, nan }, Unproven, WhyAlign},
	} {
		e, car, timing := good(), DefaultCar(), DefaultTiming()
		tt.change(e)
		var j Judgement
		Judge(e, &car, &timing, &j)
		if j.Verdict != tt.want {
			t.Errorf("%s: %s, want %s", tt.name, j.Verdict, tt.want)
		}
		for id := range NumReasons {
			if j.Reasons.on[id] != (id == tt.reason) {
				t.Errorf("%s: reason %s is %v", tt.name, reasonCodes[id], j.Reasons.on[id])
			}
		}
		if known := !math.IsNaN(j.LeaveIn); known != (j.Verdict == Coasting) || known && j.LeaveIn != math.Min(e.Leave, timing.MaxCoast-e.SinceUsed) {
			t.Errorf("%s: %.2f s to leave", tt.name, j.LeaveIn)
		}
		if !math.IsNaN(j.Cap) != (j.Verdict == Usable || j.Verdict == Coasting && e.Coast >= 0.5) {
			t.Errorf("%s: speed cap %.1f m/s", tt.name, j.Cap)
		}
	}
}

// A suspected drift explains the levels that would be inside without it.
func TestJudge_SuspectedDrift(t *testing.T) {
	for _, tt := range []struct {
		rest float64 // m, level without it
		want bool
	}{{0.3, true}, {0.6, false}} {
		e, car, timing := good(), DefaultCar(), DefaultTiming()
		e.SuspectedDrift, e.PLLat.Drift, e.PLLat.Total = 0.4, 0.4, tt.rest+0.4
		var j Judgement
		if Judge(e, &car, &timing, &j); j.Reasons.on[WhySuspect] != tt.want {
			t.Errorf("level %.1f m without the drift: reason %v", tt.rest, !tt.want)
		}
	}
}

// What is told of a line: the verdict, the one before where it is another, and since
// when, in host time whatever the clock's steps were.
func TestMemory_Changes(t *testing.T) {
	var m Memory
	car, timing := DefaultCar(), DefaultTiming()
	m.Start(5)
	for _, tt := range []struct {
		now, shift float64
		v, was     Verdict
		changed    bool
		since      float64
	}{
		{10, 0, Unproven, Unproven, true, 10}, // the first line is news
		{11, 0, Unproven, Unproven, false, 10},
		{12, 0, Usable, Unproven, true, 12},
		{13, 3, Usable, Usable, false, 9}, // the clock was set back by 3 s
		{14, 3, Coasting, Usable, true, 11},
		{15, 3, Unusable, Coasting, true, 12},
		{16, 3, Unusable, Unusable, false, 12},
	} {
		told := m.Tell(tt.now, tt.shift, good(), &Judgement{Verdict: tt.v, Cap: 20}, &car, &timing)
		if told.Verdict != tt.v || told.Was != tt.was || told.Changed != tt.changed || told.Since != tt.since {
			t.Errorf("at %g s: %s after %s, changed %v, since %g; want %s after %s, %v, %g", tt.now, told.Verdict, told.Was, told.Changed, told.Since, tt.v, tt.was, tt.changed, tt.since)
		}
		if known := tt.v == Usable || tt.v == Coasting; known == math.IsNaN(told.SpeedCap) {
			t.Errorf("at %g s: %s with a cap of %g m/s", tt.now, tt.v, told.SpeedCap)
		}
	}
}

// The speed cap falls at once and rises by 1 m/s².
func TestMemory_Cap(t *testing.T) {
	var m Memory
	car, timing := DefaultCar(), DefaultTiming()
	for _, tt := range []struct{ at, cap, want float64 }{{0, 20, 20}, {0.1, 12, 12}, {0.2, 20, 12.1}, {1.2, 20, 13.1}, {9, 20, 20}} {
		told := m.Tell(tt.at, 0, good(), &Judgement{Verdict: Usable, Cap: tt.cap}, &car, &timing)
		if !(math.Abs(told.SpeedCap-tt.want) < 1e-9) {
			t.Errorf("cap %.2f m/s at %.1f s, want %.2f", told.SpeedCap, tt.at, tt.want)
		}
	}
	told := m.Tell(10, 0, good(), &Judgement{Verdict: Usable, Cap: 8}, &car, &timing)
	if told.NReasons != 1 || told.Reasons[0].Code != "speed" {
		t.Errorf("faster than the cap: %v", told.Reasons)
	}
}

// A reason that another explains is left out, the rest stand in the order of
// urgency.
func TestReasons_Dependencies(t *testing.T) {
	for _, tt := range []struct {
		on   []ReasonID
		want string
	}{
		{nil, ""},
		{[]ReasonID{WhyAge}, "corr-age"},
		{[]ReasonID{WhyLink, WhyAge, WhyQuality}, "link"},
		{[]ReasonID{WhyLink, WhyAge, WhyQuality, WhySats}, "link sats"},
		{[]ReasonID{WhyQuality, WhyAge, WhySigma, WhySats, WhyHDOP}, "fix-quality"},
		{[]ReasonID{WhyNoPosition, WhyQuality, WhySats, WhyHDOP}, "no-position"},
		{[]ReasonID{WhyReceiver, WhyLink, WhyQuality, WhyAge, WhyLate, WhyInnovation}, "receiver-silent"},
		{[]ReasonID{WhyDrift, WhySuspect}, "drift"},
		{[]ReasonID{WhySuspect, WhyPLLat, WhyPLLon, WhyCoast}, "drift-suspected"},
		{[]ReasonID{WhyDrift, WhyJump, WhyInnovation}, "drift"},
		{[]ReasonID{WhyJump, WhyInnovation, WhyVelocity}, "jump"},
		{[]ReasonID{WhyAlign, WhyPLLat, WhyPLLon, WhyPLYaw, WhyCoast}, "aligning"},
		{[]ReasonID{WhyIMU, WhyAlign, WhyPLLat, WhyCoast}, "imu-silent"},
		{[]ReasonID{WhyDwell, WhyPLLat, WhyBaseMoved, WhySettings}, "settings base-moved pl-lateral requalifying"},
		{[]ReasonID{WhyIMU, WhyReceiver}, "imu-silent receiver-silent"},
	} {
		var m Memory
		if got := strings.Join(m.tell(1, tt.on...), " "); got != tt.want {
			t.Errorf("%v: %q, want %q", tt.on, got, tt.want)
		}
	}
}

// Since when a reason holds survives the lines on which it holds and no other,
// and no more reasons are told than there is room for.
func TestReasons_Since(t *testing.T) {
	var m Memory
	s := &m.Told
	line := func(now float64, ids ...ReasonID) { m.tell(now, ids...) }
	line(1, WhyPLLat)
	line(2, WhyPLLat, WhyDwell)
	if s.Reasons[0].Since != 1 || s.Reasons[1].Since != 2 {
		t.Errorf("since %v and %v, want 1 and 2", s.Reasons[0].Since, s.Reasons[1].Since)
	}
	line(3, WhyDwell)
	line(4, WhyPLLat, WhyDwell)
	if s.Reasons[0].Since != 4 || s.Reasons[1].Since != 2 {
		t.Errorf("since %v and %v, want 4 and 2", s.Reasons[0].Since, s.Reasons[1].Since)
	}
	// A hidden reason does not hold either: it begins when it is shown.
	line(5, WhyLink, WhyAge)
	line(6, WhyAge)
	if s.Reasons[0].Code != "corr-age" || s.Reasons[0].Since != 6 {
		t.Errorf("%+v, want corr-age since 6", s.Reasons[0])
	}
	// The most urgent ones when there are too many.
	line(7, WhySettings, WhySaturated, WhyReceiver, WhyBaseMoved, WhyBaseUnknown, WhyDrift, WhyPLLat, WhyPLLon, WhyPLYaw, WhyCoast, WhyLever, WhyDwell, WhySpeed)
	if s.NReasons != MaxReasons || s.Reasons[0].Code != "settings" || s.Reasons[MaxReasons-1].Code != "requalifying" {
		t.Errorf("%d reasons %v", s.NReasons, s.Reasons)
	}
	line(8)
	if s.NReasons != 0 || s.Reasons[0] != (Reason{}) {
		t.Errorf("reasons left over: %+v", s.Reasons[0])
	}
}

// Advice worsens at once and improves after a hold.
func TestAdvice_Hysteresis(t *testing.T) {
	car, timing := DefaultCar(), DefaultTiming()
	m := Memory{better: math.NaN()}
	blind := false
	at := func(now float64, v Verdict, speed, top, leave float64) Advice {
		m.Told.SpeedCap = top
		m.advise(now, &Evidence{Speed: speed}, &Judgement{Verdict: v, LeaveIn: leave, Blind: blind}, &car, &timing)
		return m.Told.Advice
	}
	hold := timing.CapHold
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
		t.Errorf("first usable line: %s, want map_slow: requalification was hold enough for that", a)
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
	blind = true
	if a := at(now+hold+0.4, Unusable, 10, nan, nan); a != AdviseStop {
		t.Errorf("blind on every side: %s, want stop", a)
	}
}

// Usable is lost at once. What comes back within seconds is told once it has held for
// usable_hold_s, in the meantime as coasting or unproven with that reason; judged
// usable and not by turns, it is never told. After ten seconds, or at the start, there
// is no such wait.
func TestMemory_UsableHold(t *testing.T) {
	car, timing := DefaultCar(), DefaultTiming()
	tell := func(m *Memory, now float64, v Verdict) *Told {
		e := good()
		e.Leave, e.SinceUsed = 6, 0.1
		j := Judgement{Verdict: v, Cap: 20, LeaveIn: math.NaN()}
		told := m.Tell(now, 0, e, &j, &car, &timing)
		if told.Verdict == Coasting && v == Usable && !(j.LeaveIn > 5) {
			t.Errorf("%.1f s: coasting with a countdown of %g s", now, j.LeaveIn)
		}
		if held := v == Usable && told.Verdict != Usable; held != (told.NReasons > 0 && told.Reasons[0].Code == "requalifying") {
			t.Errorf("%.1f s: %s of a judgement %s, reasons %v", now, told.Verdict, v, told.Reasons[:told.NReasons])
		}
		return told
	}
	for _, lost := range []Verdict{Coasting, Unproven, Unusable} {
		var m Memory
		if tell(&m, 10, Usable).Verdict != Usable {
			t.Fatal("the first usable waits")
		}
		for i := range 30 { // 0.2 s each way, by turns
			now := 10.1 + 0.1*float64(i)
			v := lost
			if i/2%2 == 1 {
				v = Usable
			}
			if got := tell(&m, now, v).Verdict; got == Usable {
				t.Errorf("%s by turns: usable at %.1f s", lost, now)
			}
		}
		now := 13.2
		tell(&m, now, lost)
		back := math.NaN()
		for k := 1; k <= 8 && math.IsNaN(back); k++ {
			if tell(&m, now+0.1*float64(k), Usable).Verdict == Usable {
				back = 0.1 * float64(k-1)
			}
		}
		if math.Abs(back-timing.UsableHold) > 0.01 {
			t.Errorf("%s: usable again after %.1f s, want %.1f", lost, back, timing.UsableHold)
		}
		m = Memory{}
		tell(&m, 20, Usable)
		tell(&m, 20.1, lost)
		tell(&m, 20.1+flapping, lost)
		if got := tell(&m, 20.2+flapping, Usable).Verdict; got != Usable {
			t.Errorf("%s: waits after %g s too", lost, flapping)
		}
	}
}
