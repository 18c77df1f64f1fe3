package hostclock

import (
	"math"
	"math/rand/v2"
	"testing"
)

// arrivals is a receiver with latency behind a host clock.
type arrivals struct {
	tie     Model
	rng     *rand.Rand
	offset  float64 // s, host minus UTC at UTC 0
	drift   float64 // s/s
	latency float64 // s, least
	jitter  float64 // s, half-normal on top of it
	held    float64 // s of UTC until which nothing is read
}

const tieUTC = 1.7e9

func newArrivals() *arrivals {
	return &arrivals{rng: rand.New(rand.NewPCG(3, 5)), offset: -137, latency: 0.08, jitter: 0.006}
}

// host returns the host time of UTC tieUTC + u.
func (a *arrivals) host(u float64) float64 { return tieUTC + u + a.offset + a.drift*u }

// Push lets the epoch of u arrive, late by extra.
func (a *arrivals) Push(u, extra float64) Fit {
	at := math.Max(u+a.latency+a.jitter*math.Abs(a.rng.NormFloat64())+extra, a.held)
	f := a.tie.Push(a.host(at), tieUTC+u, 0.7)
	if f == InTime {
		a.tie.Reference(tieUTC + u)
	}
	return f
}

// run pushes 10 epochs a second from..to and returns how many did not fit.
func (a *arrivals) run(from, to float64) (odd int) {
	for k := int(from * 10); k < int(to*10); k++ {
		if a.Push(float64(k)/10, 0) != InTime {
			odd++
		}
	}
	return odd
}

// lag returns how much later than the envelope an epoch without any jitter
// arrives, s: how well the envelope is known.
func (a *arrivals) lag(u float64) float64 {
	return a.tie.Lateness(a.host(u+a.latency), tieUTC+u)
}

func TestModel_Jitter(t *testing.T) {
	a := newArrivals()
	if n := a.run(0, 120); n > 0 {
		t.Fatalf("%d epochs did not fit", n)
	}
	if l := a.lag(120); !(l <= 1e-6 && l > -0.001) {
		t.Errorf("envelope %.4f s above the least arrival, want within 1 ms", -l)
	}
	// Whatever latency is believed, the clocks' difference belongs to it.
	for _, latency := range []float64{0, 0.08, 0.2} {
		x := latency - a.tie.MinLatency(0) // the filter's latency that means this one
		want := -137.0 + a.latency - latency
		if got := a.tie.HostMinusUTC(x); !(math.Abs(got-want) < 0.001) {
			t.Errorf("host minus UTC %.4f s at a latency of %.2f s, want %.4f", got, latency, want)
		}
	}
}

func TestModel_Drift(t *testing.T) {
	for _, drift := range []float64{100e-6, -100e-6, 80e-6} {
		a := newArrivals()
		a.drift = drift
		if n := a.run(0, 600); n > 0 {
			t.Fatalf("%d epochs did not fit", n)
		}
		if got := a.tie.drift; !(math.Abs(got-drift) < 10e-6) {
			t.Errorf("drift %.1f ppm, want %.1f", got*1e6, drift*1e6)
		}
		if l := a.lag(600); !(math.Abs(l) < 0.0015) {
			t.Errorf("drift %.0f ppm: envelope off by %.4f s after 10 min, want under 1.5 ms", drift*1e6, l)
		}
		// Once the slope is known (half a minute) the reference keeps step.
		b := newArrivals()
		b.drift = drift
		b.run(0, 60)
		before := b.tie.HostMinusUTC(0)
		b.run(60, 660)
		if got, want := b.tie.HostMinusUTC(0)-before, 600*drift; !(math.Abs(got-want) < 0.004) {
			t.Errorf("the reference moved by %.4f s in 600 s of %.0f ppm, want %.4f", got, drift*1e6, want)
		}
	}
}

// A computer that reads nothing for half a second explains late epochs; they
// move nothing. A longer stall is told.
func TestModel_Stall(t *testing.T) {
	a := newArrivals()
	a.run(0, 60)
	before := a.tie.HostMinusUTC(0)
	a.held = 60.5
	if n := a.run(60, 70); n > 0 {
		t.Errorf("%d epochs did not fit a stall of 0.5 s", n)
	}
	if got := a.tie.HostMinusUTC(0); !(math.Abs(got-before) < 0.0005) {
		t.Errorf("the stall moved the reference by %.4f s", got-before)
	}
	a.held = 71.0
	late := 0
	for k := 700; k < 710; k++ {
		if f := a.Push(float64(k)/10, 0); f == Late {
			late++
		} else if f == Stepped {
			t.Fatal("a stall taken for a step of the clock")
		}
	}
	if late != 3 { // of 70.0, 70.1 and 70.2 s: 0.92, 0.82 and 0.72 s late
		t.Errorf("%d epochs of a stall of 1 s told as late, want 3", late)
	}
}

func TestModel_Step(t *testing.T) {
	for _, step := range []float64{30, -30, -0.4, 12} {
		a := newArrivals()
		a.run(0, 60)
		a.offset += step
		odd := 0
		for k := 600; k < 605; k++ {
			if a.Push(float64(k)/10, 0) == Stepped {
				odd++
			}
		}
		if odd != 5 || a.tie.steps != 5 {
			t.Fatalf("step of %+.1f s: %d of 5 epochs odd, %d in a row", step, odd, a.tie.steps)
		}
		if got := a.tie.stepD - a.tie.low; !(math.Abs(got-step) < 0.03) {
			t.Errorf("step of %+.1f s found as %+.3f s", step, got)
		}
		// Back again: no step, no memory of one.
		a.offset -= step
		if f := a.Push(60.5, 0); f != InTime || a.tie.steps != 0 {
			t.Errorf("step of %+.1f s taken back: %v, %d odd in a row", step, f, a.tie.steps)
		}
	}
}

// One stamp that is early is wrong; when they stay early, the envelope was.
func TestModel_Early(t *testing.T) {
	a := newArrivals()
	a.run(0, 60)
	low := a.tie.envelope(tieUTC + 60)
	if f := a.Push(60, -0.1); f != InTime {
		t.Errorf("an early epoch: %v, want it used", f)
	}
	if got := a.tie.envelope(tieUTC + 60); !(math.Abs(got-low) < 1e-9) {
		t.Errorf("one early stamp moved the envelope by %.4f s", got-low)
	}
	a.latency = 0.03
	a.run(60.1, 62)
	if got := a.tie.envelope(tieUTC+62) - low; !(math.Abs(got+0.05) < 0.003) {
		t.Errorf("the envelope moved by %.4f s for a receiver faster by 0.05 s", got)
	}
}

// A receiver that is later from now on is late at first; the envelope forgets
// the better times.
func TestModel_LaterForGood(t *testing.T) {
	a := newArrivals()
	a.run(0, 60)
	a.latency += 0.3
	a.run(60, 62)
	if l := a.lag(62); !(math.Abs(l-0.3) < 0.01) {
		t.Errorf("%.3f s late, want 0.30", l)
	}
	a.run(62, 60+bins*span+4)
	if l := a.lag(60 + bins*span + 4); !(math.Abs(l) < 0.01) {
		t.Errorf("still %.3f s late after the bins are gone", l)
	}
}

// The reference never jumps when the envelope is learned better: the filter's
// latency counts from it.
func TestModel_ReferenceIsSmooth(t *testing.T) {
	a := newArrivals()
	a.drift, a.jitter = 50e-6, 0.02
	last := math.NaN()
	for k := range 3000 {
		u := float64(k) / 10
		a.Push(u, 0)
		now := a.tie.HostMinusUTC(0)
		if d := now - last - 0.1*a.drift; math.Abs(d) > 0.1*maxDrift+1e-9 {
			t.Fatalf("%.1f s: the reference moved by %.6f s", u, d)
		}
		last = now
	}
}

// Early stamps that are wrong do not count from the first second on, and a
// backlog at the start counts only until what follows it has come.
func TestModel_Young(t *testing.T) {
	var c Model
	const utc, off = 1e9, 100.0
	at := func(k int) float64 { return utc + float64(k)/10 }
	for k := range 5 { // all at once
		c.Push(at(5)+off, at(k), 0.7)
	}
	for k := 5; k < 9; k++ {
		if c.Push(at(k)+off, at(k), 0.7); !c.Young(at(k)) {
			t.Fatalf("old after %d epochs", k+1)
		}
	}
	for k := 9; k < 20; k++ {
		lie := 0.0
		if k == 15 {
			lie = 0.1
		}
		c.Push(at(k)+off-lie, at(k), 0.7)
	}
	if c.Young(at(20)) {
		t.Error("young after two seconds")
	}
	if d := c.base + c.envelope(at(20)) - off; math.Abs(d) > 1e-6 {
		t.Errorf("envelope off by %.4f s", d)
	}
}

// After a shift epochs are placed by the new relation, and the latency stays.
func TestShift(t *testing.T) {
	for _, by := range []float64{-0.1, 0.1} {
		var c Model
		var placed, lag float64
		for k := range 200 {
			utc, delay := 1000+float64(k)/10, 0.05+0.01*float64(k%3)
			at := utc + 7 + delay
			if k >= 100 {
				utc -= by
			}
			if k == 100 {
				c.Shift(by)
			}
			if c.Push(at, utc, 0.7) != InTime {
				t.Fatalf("%+.1f s: epoch %d does not fit", by, k)
			}
			if k == 20 {
				c.Anchor()
			}
			if k == 99 || k == 199 {
				p, l := c.Reference(utc)-(at-delay), c.MinLatency(0.05)
				if k == 199 && !(math.Abs(p-placed) < 1e-3 && math.Abs(l-lag) < 1e-3) {
					t.Errorf("%+.1f s: placed %.3f s off, latency %.3f s; before %.3f, %.3f", by, p, l, placed, lag)
				}
				placed, lag = p, l
			}
		}
	}
}
