package fusion

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"kerbline/fusion/course"
	"kerbline/fusion/verdict"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// near reports a value that is not want within tol.
func near(t *testing.T, at float64, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%.2f s: %s is %.5f, want %.5f within %g", at, what, got, want, tol)
	}
}

// Every criterion of the fix gate by itself gives its own reason, with the value
// and the limit; what stands exactly at a limit passes.
func TestExplainFix(t *testing.T) {
	const hair = 1e-9
	g := DefaultConfig().GNSS
	for _, tt := range []struct {
		name         string
		break_       func(e *gnss.Epoch, s *Snapshot)
		code         string // "" where it passes
		value, limit float64
	}{
		{"whole", func(*gnss.Epoch, *Snapshot) {}, "", 0, 0},
		{"no position", func(e *gnss.Epoch, _ *Snapshot) { e.HasPos = false }, "no-position", math.NaN(), math.NaN()},
		{"void", func(e *gnss.Epoch, _ *Snapshot) { e.Status = 'V' }, "no-position", math.NaN(), math.NaN()},
		{"float", func(e *gnss.Epoch, _ *Snapshot) { e.Quality = gnss.QualityFloat }, "fix-quality", 5, 4},
		{"age at the limit", func(e *gnss.Epoch, _ *Snapshot) { e.Age = g.MaxAge }, "", 0, 0},
		{"age", func(e *gnss.Epoch, _ *Snapshot) { e.Age = g.MaxAge + hair }, "corr-age", g.MaxAge, g.MaxAge},
		{"age unknown", func(e *gnss.Epoch, _ *Snapshot) { e.Age = math.NaN() }, "", 0, 0},
		{"satellites at the limit", func(e *gnss.Epoch, _ *Snapshot) { e.Sats = g.MinSats }, "", 0, 0},
		{"satellites", func(e *gnss.Epoch, _ *Snapshot) { e.Sats = g.MinSats - 1 }, "sats", float64(g.MinSats - 1), float64(g.MinSats)},
		{"no satellite", func(e *gnss.Epoch, _ *Snapshot) { e.Sats = 0 }, "sats", 0, float64(g.MinSats)},
		{"satellites unknown", func(e *gnss.Epoch, _ *Snapshot) { e.Sats = -1 }, "", 0, 0},
		{"HDOP at the limit", func(e *gnss.Epoch, _ *Snapshot) { e.HDOP = g.MaxHDOP }, "", 0, 0},
		{"HDOP", func(e *gnss.Epoch, _ *Snapshot) { e.HDOP = g.MaxHDOP + hair }, "hdop", g.MaxHDOP, g.MaxHDOP},
		// The limit is for one axis: equal sigmas count as they are, one alone by its
		// root mean square over the two.
		{"sigma below", func(e *gnss.Epoch, _ *Snapshot) { e.SigmaN, e.SigmaE = g.MaxSigma*0.999, g.MaxSigma*0.999 }, "", 0, 0},
		{"sigma", func(e *gnss.Epoch, _ *Snapshot) { e.SigmaN, e.SigmaE = g.MaxSigma*1.001, g.MaxSigma*1.001 }, "fix-sigma", g.MaxSigma * 1.001, g.MaxSigma},
		{"one sigma below", func(e *gnss.Epoch, _ *Snapshot) { e.SigmaN, e.SigmaE = 0, g.MaxSigma*1.41 }, "", 0, 0},
		{"one sigma", func(e *gnss.Epoch, _ *Snapshot) { e.SigmaN, e.SigmaE = g.MaxSigma*1.42, 0 }, "fix-sigma", g.MaxSigma * 1.42 / math.Sqrt2, g.MaxSigma},
		{"satellite fault", func(e *gnss.Epoch, _ *Snapshot) { e.FaultBias, e.FaultSigma, e.FaultSat = 20, 1, 7 }, "sat-fault", 20, 5},
		{"link late", func(_ *gnss.Epoch, s *Snapshot) { s.Link.Condition, s.Link.Since = corrections.Late, 997 }, "link-late", 3, math.NaN()},
		{"link sparse", func(_ *gnss.Epoch, s *Snapshot) { s.Link.Condition, s.Link.Since = corrections.Sparse, 997 }, "link-sparse", 3, math.NaN()},
		{"link corrupt", func(_ *gnss.Epoch, s *Snapshot) { s.Link.Condition, s.Link.Since = corrections.Corrupt, 997 }, "link-corrupt", 3, math.NaN()},
		{"link silent", func(_ *gnss.Epoch, s *Snapshot) { s.Link.Condition, s.Link.Since = corrections.Silent, 997 }, "link-silent", 3, math.NaN()},
		{"link flowing", func(_ *gnss.Epoch, s *Snapshot) { s.Link.Condition, s.Link.Since = corrections.Flowing, 997 }, "", 0, 0},
		{"link untapped", func(_ *gnss.Epoch, s *Snapshot) { s.Link.Condition, s.Link.Since = corrections.Untapped, 997 }, "", 0, 0},
	} {
		m := NewMonitor(DefaultConfig(), nil)
		m.now = 1000
		s := m.Snapshot()
		e := &s.Epoch
		*e = *newRig(10).fix(5, rand.New(rand.NewPCG(1, 2)))
		tt.break_(e, s)
		var j verdict.Judgement
		var memory verdict.Memory
		j.Begin()
		memory.Start(m.now)
		m.explainFix(&j.Reasons, s)
		told := memory.Tell(m.now, 0, &verdict.Evidence{}, &j, &m.cfg.Vehicle.Car, &m.cfg.Tests.Timing)
		got := told.Reasons[:told.NReasons]
		if tt.code == "" {
			if len(got) > 0 {
				t.Errorf("%s: %+v, want no reason", tt.name, got)
			}
			continue
		}
		if len(got) != 1 || got[0].Code != tt.code {
			t.Errorf("%s: %+v, want %s alone", tt.name, got, tt.code)
			continue
		}
		same := func(a, b float64) bool { return math.Abs(a-b) < 1e-6 || math.IsNaN(a) && math.IsNaN(b) }
		if r := got[0]; !same(r.Value, tt.value) || !same(r.Limit, tt.limit) {
			t.Errorf("%s: value %v and limit %v, want %v and %v", tt.name, r.Value, r.Limit, tt.value, tt.limit)
		}
	}
}

// What a line says of the motion is the motion of the closed-form drive, and what
// it says of the inputs is how they were made.
func TestSnapshot_Motion(t *testing.T) {
	r := newRig(45)
	n, stood := 0, 0
	r.play(t, func(at float64, s *Snapshot, _ []Event) {
		if s == nil {
			return
		}
		if at > 3 && at < 3.9 {
			if stood++; !s.Still || math.Abs(s.Roll) > 0.01 || math.Abs(s.Pitch) > 0.01 {
				t.Errorf("%.2f s: still %v, roll %.4f, pitch %.4f of a level car that stands", at, s.Still, s.Roll, s.Pitch)
			}
		}
		if at < 25 || at > 44.9 {
			return
		}
		n++
		_, yaw := r.body(at)
		const h = 0.05
		_, y0 := r.body(at - h)
		_, y1 := r.body(at + h)
		turn := math.Remainder(y1-y0, 2*math.Pi) / (2 * h)
		v := rate3(at, func(t float64) geodesy.ENU { p, _ := r.body(t); return p })
		speed := r.speed(at)
		near(t, at, "yaw", math.Remainder(s.Yaw-yaw, 2*math.Pi), 0, 0.015)
		near(t, at, "speed", s.Speed, speed, 0.05)
		near(t, at, "east velocity", s.Vel.E, v.E, 0.15)
		near(t, at, "north velocity", s.Vel.N, v.N, 0.15)
		near(t, at, "yaw rate", s.YawRate, turn, 0.1) // means of a fifth of a second
		near(t, at, "lateral acceleration", s.LatAcc, speed*turn, 0.5)
		near(t, at, "longitudinal acceleration", s.LonAcc, (r.speed(at+h)-r.speed(at-h))/(2*h), 0.6)
		near(t, at, "roll", s.Roll, 0, 0.01)
		near(t, at, "pitch", s.Pitch, 0, 0.01)
		p := s.Frame.FromLLA(s.Pos)
		near(t, at, "position in its frame", math.Hypot(p.E-s.ENU.E, p.N-s.ENU.N), 0, 1e-4)
		near(t, at, "rate of inertial samples", s.IMURate, 100, 1)
		near(t, at, "rate of wheel samples", s.WheelRate, 50, 1)
		near(t, at, "rate of epochs", s.EpochRate, 10, 0.2)
		near(t, at, "age of the inertial sample", s.IMUAge-r.cfg.IMU.Latency, 0.005, 0.0075)
		near(t, at, "age of the wheel sample", s.WheelAge-r.cfg.Wheel.Latency, 0.01, 0.015)
		near(t, at, "age of the epoch", s.EpochAge, 0.05, 0.06)
		near(t, at, "wheel speed", s.WheelSpeed, 1.003*speed, 0.3)
		near(t, at, "wheel scale", math.Abs(s.WheelScale-1), 0.003, 0.003)
		near(t, at, "vibration", s.Vibration, math.Sqrt(3)*0.01, 0.01)
		near(t, at, "host clock against UTC", s.HostMinusUTC, 0, 0.03)
		near(t, at, "UTC", s.UTC-(s.T-s.HostMinusUTC), 0, 1e-6)
		near(t, at, "latency", s.Latency, rigDelay, 0.03)
		near(t, at, "clock drift", s.ClockDrift, 0, 1e-3)
		near(t, at, "gyro bias", math.Hypot(math.Hypot(s.GyroBias[0], s.GyroBias[1]), s.GyroBias[2]), 0, 2e-3)
		if !(s.LatencySigma > 0 && s.LatencySigma < 0.05) || !(s.SigmaFix > 0.005 && s.SigmaFix < 0.1) || s.Still || s.Refused != 0 || s.NeedsProof {
			t.Errorf("%.2f s: latency %.4f s 1 sigma, fix %.4f m, still %v, refused for %v s, needs proof %v", at, s.LatencySigma, s.SigmaFix, s.Still, s.Refused, s.NeedsProof)
		}
	})
	if n < 150 || stood < 5 {
		t.Errorf("%d lines of driving and %d of standing say little", n, stood)
	}
}

// Protection levels are what DEVELOPERS.md says: K sigma, the step that the jump
// test would miss, and speed over the time error; K is that of the two-sided
// normal distribution (gonum, stat/distuv).
func TestSnapshot_Protection(t *testing.T) {
	r := newRig(35)
	k := distuv.UnitNormal.Quantile(1 - r.cfg.Limits.Risk/2)
	n := 0
	r.play(t, func(at float64, s *Snapshot, _ []Event) {
		if s == nil || at < 20 || at > 34.9 || s.Verdict != Usable {
			return
		}
		n++
		for name, x := range map[string]struct {
			pl    PL
			sigma float64
			step  float64
		}{"lateral": {s.PLLat, s.SigmaLat, s.Tests[TestJump].Detectable}, "along": {s.PLLon, s.SigmaLon, s.Tests[TestJump].Detectable}, "heading": {s.PLYaw, s.SigmaYaw, 0}} {
			near(t, at, name+" noise", x.pl.Noise/(k*x.sigma), 1, 1e-6)
			near(t, at, name+" step", x.pl.Step, x.step, 1e-9)
			near(t, at, name+" total", x.pl.Total, x.pl.Noise+x.pl.Step+x.pl.Drift+x.pl.Timing, 1e-9)
			if !(x.pl.Sigma == x.sigma) || !(x.pl.Timing > 0) {
				t.Errorf("%.2f s: %s sigma %v of %v, timing %v", at, name, x.pl.Sigma, x.sigma, x.pl.Timing)
			}
		}
		// A time error moves the car along, turns it, and in a turn moves it aside by
		// the one times the other.
		dt := s.PLLon.Timing / s.Speed
		// A clock of the sensor may have gained 200 ppm since its first sample.
		near(t, at, "heading over the time error", s.PLYaw.Timing, math.Abs(s.YawRate)*(dt+200e-6*at), math.Abs(s.YawRate)*1e-4+1e-9)
		near(t, at, "lateral over the time error", s.PLLat.Timing, s.Speed*math.Abs(s.YawRate)*dt*dt, 1e-9)
		if dt < 0.002 || dt > 0.02 {
			t.Errorf("%.2f s: a time error of %.4f s", at, dt)
		}
		near(t, at, "lateral limit", s.ALLat, r.cfg.Limits.Lateral, 0)
		near(t, at, "along limit", s.ALLon, r.cfg.Limits.Along, 0)
		near(t, at, "heading limit", s.ALYaw, r.cfg.Limits.Heading*geodesy.Degree, 1e-12)
	})
	if n < 50 {
		t.Errorf("%d usable lines say little", n)
	}
}

// While inertial samples pause, the time that the position may be off grows by the
// pause.
func TestSnapshot_Pause(t *testing.T) {
	r := newRig(25)
	m := NewMonitor(r.cfg, nil)
	before, grown := math.NaN(), math.NaN()
	for _, in := range r.measurements() {
		at := in.T - rigStart
		if in.Kind == KindIMU && at > 20 && at < 20.35 {
			continue
		}
		s, _ := m.Step(&in)
		if s == nil || !s.HasPos {
			continue
		}
		switch x := s.PLLon.Timing / s.Speed; {
		case at < 20:
			before = x
		case at < 20.31:
			grown = x - before - (at - 20)
		}
	}
	// Less by the three periods that are no pause.
	if !(math.Abs(grown+0.03) < 0.02) {
		t.Errorf("the time error grew by %.3f s beside the pause, want -0.03", grown)
	}
}

// eight is the map of the rig's drive, moved east by m, with a half width, m.
func (r *rig) eight(t *testing.T, east, half float64) *course.Course {
	t.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, `{"type":"Feature","properties":{"half_width_m":%g},"geometry":{"type":"LineString","coordinates":[`, half)
	const n = 240
	for i := range n + 1 {
		a := 2 * math.Pi * float64(i%n) / n
		p := r.frame.ToLLA(geodesy.ENU{E: 40*math.Sin(a) + east, N: 20 * math.Sin(2*a)})
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, "[%.10f,%.10f]", p.Lon/geodesy.Degree, p.Lat/geodesy.Degree)
	}
	b.WriteString("]}}")
	c, err := course.Load([]byte(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// On a map the place along the lap grows with the distance driven, laps are
// counted where it begins again, and the offset is positive to the left. The map's
// edge lowers the lateral limit.
func TestSnapshot_Course(t *testing.T) {
	r := newRig(90)
	r.cfg.Vehicle.HalfWidth, r.cfg.Vehicle.TrackingSigma = 0.7, 0
	m := NewMonitor(r.cfg, r.eight(t, 1, 1.0))
	n, laps := 0, 0
	last, driven, lap := math.NaN(), 0.0, 0
	for _, in := range r.measurements() {
		at := in.T - rigStart
		s, _ := m.Step(&in)
		if s == nil || at < 20 {
			continue
		}
		if !s.HasCourse {
			t.Fatalf("%.2f s: not on the map", at)
		}
		n++
		_, yaw := r.body(at)
		near(t, at, "offset from the line", s.Cross, math.Sin(yaw), 0.12)
		near(t, at, "direction of the line", math.Remainder(s.CourseYaw-yaw, 2*math.Pi), 0, 0.15)
		near(t, at, "half width", s.HalfWidth, 1, 1e-6)
		near(t, at, "lateral limit", s.ALLat, 0.3, 1e-6)
		if !math.IsNaN(last) {
			d := math.Remainder(s.Station-last, s.LapLength)
			driven += d
			if s.Station < last-s.LapLength/2 {
				laps++
			}
		} else {
			lap = s.Lap
		}
		last = s.Station
		if s.Lap != lap+laps {
			t.Fatalf("%.2f s: lap %d, want %d", at, s.Lap, lap+laps)
		}
		// Sigmas are those of the two axes of the line.
		if !(s.SigmaLat > 0 && s.SigmaLon > 0) {
			t.Fatalf("%.2f s: sigmas %v, %v", at, s.SigmaLat, s.SigmaLon)
		}
	}
	want := 0.0
	for at := 20.0; at < 90; at += 0.1 {
		want += 0.1 * r.speed(at+0.05)
	}
	if laps < 2 || math.Abs(driven-want) > 0.01*want {
		t.Errorf("%d laps, %.1f m along the lap in %d lines, want 2 and %.1f m", laps, driven, n, want)
	}
}

// A receiver of one epoch a second is not silent in between; one that misses
// three is.
func TestReceiver_Slow(t *testing.T) {
	r := newRig(60)
	r.epoch = func(at float64, e *gnss.Epoch) bool {
		k := int(math.Round(at * 10))
		return k%10 == 0 && !(at > 49 && at < 52.5)
	}
	var es []Event
	silent := map[bool]int{}
	r.play(t, func(at float64, s *Snapshot, ev []Event) {
		for _, e := range ev {
			if e.Kind == EventReceiver {
				es = append(es, e)
			}
		}
		if s != nil && at > 10 {
			near(t, at, "rate of epochs", s.EpochRate, 1, 0.01)
			// 49 is the last before the hole; silent from two and a half periods on.
			if is := strings.Contains(strings.Join(codes(s), " "), "receiver-silent"); is {
				silent[at > 49+2.5+rigDelay && at < 53+rigDelay+0.01]++
			}
		}
	})
	if silent[false] > 0 || silent[true] < 4 {
		t.Errorf("%d silent lines outside the hole, %d inside", silent[false], silent[true])
	}
	if len(es) != 1 || math.Abs(es[0].T-rigStart-49-rigDelay) > 0.01 || math.Abs(es[0].End-rigStart-53-rigDelay) > 0.01 || math.Abs(es[0].Size-4) > 0.01 {
		t.Errorf("events %+v, want one from 49 to 53 s", es)
	}
}

// A receiver that ends before the recording is an event of the close, with its
// length; one that ends with it is none.
func TestReceiver_SilentToTheEnd(t *testing.T) {
	for _, from := range []float64{15, 100} {
		r := newRig(20)
		r.epoch = func(at float64, _ *gnss.Epoch) bool { return at < from }
		m := r.play(t, func(float64, *Snapshot, []Event) {})
		var es []Event
		for _, e := range m.Close() {
			if e.Kind == EventReceiver {
				es = append(es, e)
			}
		}
		if from > 20 {
			if len(es) > 0 {
				t.Errorf("%+v of a receiver that never was silent", es)
			}
			continue
		}
		if len(es) != 1 || math.Abs(es[0].T-rigStart-14.9-rigDelay) > 0.01 || math.Abs(es[0].End-es[0].T-es[0].Size) > 1e-6 || math.Abs(es[0].Size-5) > 0.05 {
			t.Errorf("events %+v, want one from 14.98 s to the end", es)
		}
	}
}

// Changes of quality and the verdict's way are events that follow on one another:
// each begins where the one before ended and names the reasons of its line.
func TestEvents_Chain(t *testing.T) {
	r := newRig(45)
	r.epoch = func(at float64, e *gnss.Epoch) bool {
		if at > 25 && at < 35 {
			float(e)
		}
		return true
	}
	quality, verdicts := "", ""
	n, changes := 0, 0
	r.play(t, func(at float64, s *Snapshot, ev []Event) {
		for _, e := range ev {
			switch e.Kind {
			case EventQuality:
				changes++
				if want := "fix quality " + quality + " -> " + e.Cause; quality != "" && e.Detail != want {
					t.Errorf("%.2f s: %q, want %q", at, e.Detail, want)
				}
				quality = e.Cause
			case EventVerdict:
				n++
				way, reasons, _ := strings.Cut(e.Detail, ": ")
				if want := verdicts + " -> " + e.Cause; n > 1 && way != want || n == 1 && way != e.Cause {
					t.Errorf("%.2f s: %q after %q", at, e.Detail, verdicts)
				}
				verdicts = e.Cause
				if s == nil || s.Verdict.String() != e.Cause {
					t.Errorf("%.2f s: %q on a line of another verdict", at, e.Detail)
				} else if want := strings.Join(codes(s)[:min(3, s.NReasons)], ", "); reasons != want {
					t.Errorf("%.2f s: reasons %q, want %q", at, reasons, want)
				}
			}
		}
	})
	if changes != 2 || quality != "fixed" || n < 3 {
		t.Errorf("%d changes of quality to %q, %d of the verdict", changes, quality, n)
	}
}

// An epoch that comes late is not used and is one event a run of them, with the
// lateness.
func TestEpoch_Late(t *testing.T) {
	r := newRig(30)
	const late = 0.9
	r.epoch = func(at float64, e *gnss.Epoch) bool {
		if at > 20.05 && at < 20.55 {
			e.Arrival, e.Complete = e.Arrival+late, e.Complete+late
		}
		return true
	}
	var es []Event
	lines := 0
	r.play(t, func(at float64, s *Snapshot, ev []Event) {
		for _, e := range ev {
			if e.Kind == EventLate {
				es = append(es, e)
			}
		}
		if s != nil && strings.Contains(strings.Join(codes(s), " "), "epoch-late") {
			lines++
			if s.Verdict == Usable {
				t.Errorf("%.2f s: usable on a late epoch", at)
			}
		}
	})
	if len(es) == 0 || math.Abs(es[0].Size-late) > 0.05 || !strings.Contains(es[0].Detail, "0.9") || lines == 0 {
		t.Errorf("%d lines, events %+v, want a lateness of %.1f s", lines, es, late)
	}
}

// A hole in the inertial samples is an event between its neighbours; beyond a
// second the alignment starts again.
func TestIMU_Gap(t *testing.T) {
	for _, long := range []float64{0.5, 1.5} {
		r := newRig(30)
		m := NewMonitor(r.cfg, nil)
		var es, again []Event
		for _, in := range r.measurements() {
			if at := in.T - rigStart; in.Kind == KindIMU && at > 20.005 && at < 20.005+long {
				continue
			}
			_, ev := m.Step(&in)
			for _, e := range ev {
				switch e.Kind {
				case EventIMUGap:
					es = append(es, e)
				case EventReinit:
					again = append(again, e)
				}
			}
		}
		l := r.cfg.IMU.Latency
		if len(es) != 1 || math.Abs(es[0].Size-long-0.01) > 0.0051 || math.Abs(es[0].T+l-rigStart-20) > 0.0151 || math.Abs(es[0].End-es[0].T-es[0].Size) > 1e-3 {
			t.Errorf("%g s: %+v", long, es)
		}
		if (len(again) > 0) != (long > 1) {
			t.Errorf("%g s: alignment starts again %d times: %+v", long, len(again), again)
		}
	}
}

// A sample at the end of its range counts for half a second and says so; one that
// is no number is refused and counted.
func TestIMU_Saturated(t *testing.T) {
	r := newRig(25)
	for name, spoil := range map[string]func(*Measurement){
		"gyro":         func(in *Measurement) { in.W[2] = -r.cfg.IMU.GyroRange },
		"acceleration": func(in *Measurement) { in.F[1] = r.cfg.IMU.AccRange },
	} {
		m := NewMonitor(r.cfg, nil)
		from, to := math.Inf(1), math.Inf(-1)
		for _, in := range r.measurements() {
			at := in.T - rigStart
			if in.Kind == KindIMU && math.Abs(at-20) < 0.004 {
				spoil(&in)
			}
			if s, _ := m.Step(&in); s != nil && strings.Contains(strings.Join(codes(s), " "), "imu-saturated") {
				from, to = math.Min(from, at), math.Max(to, at)
			}
		}
		if math.Abs(from-20.05) > 0.06 || math.Abs(to-20.45) > 0.06 {
			t.Errorf("%s: from %.2f to %.2f s, want 20 to 20.5 s", name, from, to)
		}
	}
	m := NewMonitor(r.cfg, nil)
	for i, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		for k := range 3 {
			in := Measurement{T: rigStart + 0.01*float64(3*i+k), Kind: KindIMU, Channel: ChanIMU, F: [3]float64{0, 0, 9.8}}
			in.W[k] = x
			m.Step(&in)
			in = Measurement{T: in.T, Kind: KindWheel, Channel: ChanWheel, V: x}
			m.Step(&in)
		}
	}
	if c := m.Snapshot().Counts; c.Refused[ChanIMU] != 9 || c.Refused[ChanWheel] != 9 {
		t.Errorf("%d and %d refused of 9", c.Refused[ChanIMU], c.Refused[ChanWheel])
	}
}

// A host clock that is set, forward or back, is one event of that size and the
// alignment starts again; one record far off in time is refused and nothing else.
func TestHostClock_Set(t *testing.T) {
	for _, by := range []float64{10, -10, 3600} {
		r := newRig(45)
		m := NewMonitor(r.cfg, nil)
		var es []Event
		last, usable := 0.0, 0
		for _, in := range r.measurements() {
			at := in.T - rigStart
			if at > 20 {
				in.T += by
				if in.Epoch != nil {
					in.Epoch.Arrival, in.Epoch.Complete = in.Epoch.Arrival+by, in.Epoch.Complete+by
				}
			}
			s, ev := m.Step(&in)
			for _, e := range ev {
				if e.Kind == EventClock {
					es = append(es, e)
				}
			}
			if s != nil && at > 20.5 {
				if d := math.Abs(s.T - in.T); d > 0.05 {
					t.Fatalf("%+g s: line at %.2f s, host clock %.2f", by, s.T-rigStart, in.T-rigStart)
				}
				last = s.HostMinusUTC
				if s.Verdict == Usable {
					usable++
				}
			}
		}
		if len(es) != 1 || math.Abs(es[0].Size-by) > 0.2 {
			t.Errorf("%+g s: events %+v", by, es)
		}
		if math.Abs(last-by) > 0.05 || usable == 0 && math.Abs(by) < 60 {
			t.Errorf("%+g s: host clock against UTC %.3f s at the end, %d usable lines", by, last, usable)
		}
	}
	r := newRig(20)
	m := NewMonitor(r.cfg, nil)
	n := 0
	for i, in := range r.measurements() {
		if i > 0 && i%97 == 0 {
			far := Measurement{T: in.T + 1e6*float64(i), Kind: KindTick, Channel: ChanTick}
			_, ev := m.Step(&far)
			if n++; len(ev) > 0 {
				t.Errorf("a record far off gives %+v", ev)
			}
		}
		if _, ev := m.Step(&in); len(ev) > 0 && ev[0].Kind == EventClock {
			t.Errorf("%+v after a record far off", ev)
		}
	}
	if c := m.Snapshot().Counts; n < 5 || c.Refused[ChanTick] != uint64(n) {
		t.Errorf("%d refused of %d", c.Refused[ChanTick], n)
	}
}

// The IMU's mounting turns its axes into the body's, whatever it is.
func TestMounting(t *testing.T) {
	r := newRig(30)
	r.cfg.IMU.MountYaw, r.cfg.IMU.MountPitch, r.cfg.IMU.MountRoll = 90, 0, 180
	to := r3.Rotation(quat.Conj(r.cfg.IMU.Mounting()))
	m := NewMonitor(r.cfg, nil)
	n := 0
	for _, in := range r.measurements() {
		if in.Kind == KindIMU { // as the sensor has it
			w, f := to.Rotate(r3.Vec{X: in.W[0], Y: in.W[1], Z: in.W[2]}), to.Rotate(r3.Vec{X: in.F[0], Y: in.F[1], Z: in.F[2]})
			in.W, in.F = [3]float64{w.X, w.Y, w.Z}, [3]float64{f.X, f.Y, f.Z}
		}
		at := in.T - rigStart
		if s, _ := m.Step(&in); s != nil && at > 20 {
			n++
			_, yaw := r.body(at)
			near(t, at, "yaw", math.Remainder(s.Yaw-yaw, 2*math.Pi), 0, 0.02)
			near(t, at, "position", r.off(at, s), 0, 0.1)
		}
	}
	if n < 100 {
		t.Errorf("%d lines", n)
	}
}
