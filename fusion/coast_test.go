package fusion

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fixtures"
	"kerbline/fusion/coast"
	"kerbline/fusion/course"
	"kerbline/fusion/eskf"
	"kerbline/fusion/integrity"
	"kerbline/gnss"
)

// The budget, from coarse steps, against the filter's full covariance carried
// ahead sample by sample at the same speed over the same road, the wheels
// speaking as often as they do. Round the bends of a map a protection level may
// graze its limit and fall again: a time that is off must be off for that alone,
// to within one of the fine looks.
func TestCoast_FullCovariance(t *testing.T) {
	for _, wheel := range []bool{true, false} {
		for _, mapped := range []bool{true, false} {
			sc := fixtures.Standard("nominal", 11)
			sc.Duration = 160
			d := drives(t, sc)
			if !mapped {
				d.track = nil
			}
			m := d.monitor(t, d.cfg)
			looks, close := 0, 0
			var sum float64
			for i := range d.in {
				if d.in[i].Kind == KindWheel && !wheel {
					continue
				}
				s, _ := m.Step(&d.in[i])
				// Where Coast is due to a look just taken, before it counted down.
				if s == nil || s.Verdict != Usable || m.coast.At != m.now || int(m.now)%2 > 0 {
					continue
				}
				looks++
				over := finely(m, s)
				reached := func(by float64) float64 { // s until a level is beyond its limit by a share of it
					if k := slices.IndexFunc(over, func(o float64) bool { return o >= by }); k >= 0 {
						return float64(k) * fineLook
					}
					return coast.Horizon
				}
				left := m.coast.Left
				want := reached(0)
				sum += left - want
				if math.Abs(left-want) <= math.Max(0.5, 0.2*want) {
					close++
				} else if left > reached(0.1)+fineLook || left < reached(-0.1)-fineLook {
					t.Errorf("wheel %v, map %v, %.1f s: budget %.2f s, finely %.2f s, 10 %% below the limit after %.2f s, beyond it after %.2f s",
						wheel, mapped, m.now-sc.Host(0), left, want, reached(-0.1), reached(0.1))
				}
			}
			t.Logf("wheel %v, map %v: %d looks, mean difference %.2f s, %d within 20 %% or 0.5 s", wheel, mapped, looks, sum/float64(looks), close)
			if looks < 40 || float64(close) < 0.85*float64(looks) {
				t.Errorf("wheel %v, map %v: %d of %d looks within 20 %% or 0.5 s, want 85 %% of 40", wheel, mapped, close, looks)
			}
		}
	}
}

const fineLook = 0.08 // s between looks, and between two words of the wheels

// finely returns by how much the worst protection level is beyond its limit,
// each fineLook from now on.
func finely(m *Monitor, s *Snapshot) (over []float64) {
	const h, every = 0.01, 8 // s; steps
	g := m.nav.Filter
	g.Params.CovEvery = 1
	if u := m.coast.Usual; u > s.Speed && s.Speed > 1 {
		g.Vel = r3.Scale(u/s.Speed, g.Vel)
	}
	v := math.Hypot(g.Vel.X, g.Vel.Y)
	lag := m.now - m.nav.Filter.T
	now := m.coastNow(s)
	ahead := fineRoad{c: now.Course, at: now.Station - now.Way*s.Speed*lag, way: now.Way, yaw: math.Atan2(now.North, now.East) - s.YawRate*lag, rate: s.YawRate}
	for k := 0; float64(k)*h < coast.Horizon; k++ {
		if k%every == 0 {
			a, seen := g, ahead
			for left := lag; left > 1e-9; left -= h {
				w, f := seen.drive(&a, v, math.Min(h, left))
				m.nav.NoiseAt(&a, w, f)
				a.Predict(w, f, math.Min(h, left))
			}
			worst := math.Inf(-1)
			n, e := math.Sincos(seen.yaw)
			c := integrity.Sym3(m.nav.OriginCov(&a.State, &a.P))
			for i, x := range [3]float64{c.Along(-n, e), c.Along(e, n), m.nav.YawVariance(&a.State, &a.P)} {
				k := integrity.K(m.cfg.Limits.RiskCoast)
				worst = math.Max(worst, (k*math.Sqrt(x)+now.Unseen[i]+now.Timing[i])/now.Limit[i]-1)
			}
			over = append(over, worst)
		}
		if lag < m.cfg.GNSS.Stall { // waiting for what may come
			lag += h
			continue
		}
		w, f := ahead.drive(&g, v, h)
		m.nav.NoiseAt(&g, w, f)
		g.Predict(w, f, h)
		if k%every == 0 {
			m.nav.Aid(&g, w.Z, 0, h*every, m.nav.Wheels.Fresh(m.now))
		}
	}
	return over
}

// fineRoad is the way ahead: along the course, or in a bend that opens within
// 2 s.
type fineRoad struct {
	c                  *course.Course
	at, way, yaw, rate float64
}

// drive moves on by dt and returns what the sensors of g read on the way.
func (r *fineRoad) drive(g *eskf.Filter, v, dt float64) (w, f r3.Vec) {
	rate := r.rate
	if r.c != nil {
		a, _ := r.c.At(r.at)
		r.at += r.way * v * dt
		b, _ := r.c.At(r.at)
		rate, r.yaw = math.Remainder(b.Yaw-a.Yaw, 2*math.Pi)/dt, b.Yaw
	} else {
		r.yaw += rate * dt
		r.rate *= math.Exp(-dt / 2)
	}
	return r3.Add(g.GyroBias, g.ToBody(r3.Vec{Z: rate})), r3.Add(g.AccBias, r3.Vec{Y: v * rate, Z: g.Params.Gravity})
}

// A cut while lapping: the coast budget counts down, handover starts before it
// is over, and then the map is no longer advised.
func TestCoast_CountsDown(t *testing.T) {
	for _, wheel := range []bool{true, false} {
		r := newRig(60)
		r.wheel = wheel
		const cut = 30.0
		r.epoch = func(t float64, e *gnss.Epoch) bool { return t < cut }
		st := r.tell(t)
		from := st.between(cut+rigDelay, 60)
		last := math.Inf(1)
		coasting, over := 0, math.NaN()
		for i, l := range from {
			switch l.verdict {
			case Usable:
				if l.t > cut+0.6 {
					t.Fatalf("wheel %v: usable %.1f s after the last epoch", wheel, l.t-cut)
				}
				continue
			case Coasting:
				coasting++
				if !math.IsNaN(over) {
					t.Fatalf("wheel %v: coasting again at %.1f s", wheel, l.t)
				}
			default:
				if math.IsNaN(over) {
					over = l.t
				}
				if !math.IsNaN(l.leave) {
					t.Errorf("wheel %v: %.1f s: %.1f s to leave while %s", wheel, l.t, l.leave, l.verdict)
				}
			}
			// New looks ahead may find it a little better, not much: the budget is
			// the way there is left.
			if i > 0 && l.verdict == Coasting && l.coast > last+1.5 {
				t.Errorf("wheel %v: %.1f s: coast budget %.1f s after %.1f s", wheel, l.t, l.coast, last)
			}
			last = l.coast
			if l.verdict == Coasting && l.advice >= AdviseMapSlow != (l.leave > 0) {
				t.Errorf("wheel %v: %.1f s: advice %s with %.2f s to leave", wheel, l.t, l.advice, l.leave)
			}
			if l.verdict != Coasting && l.advice > AdviseReactive {
				t.Errorf("wheel %v: %.1f s: advice %s while %s", wheel, l.t, l.advice, l.verdict)
			}
		}
		if coasting < 10 || math.IsNaN(over) {
			t.Errorf("wheel %v: %d lines coasting, over at %.1f s", wheel, coasting, over)
		}
		if over > cut+r.cfg.Tests.MaxCoast+0.5 {
			t.Errorf("wheel %v: coasting until %.1f s, more than the %.0f s allowed", wheel, over-cut, r.cfg.Tests.MaxCoast)
		}
	}
}
