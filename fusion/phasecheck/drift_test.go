package phasecheck

import (
	"math"
	"math/rand/v2"
	"testing"

	"kerbline/gnss/gnsstime"
)

// follow gives the test offsets of fixes with white noise, at some epochs a second,
// that drift from 120 s on, and returns the offset at the alarm, NaN without one.
func follow(seed uint64, hz, sigma, rate, until float64) (at float64, early bool) {
	r := rand.New(rand.NewPCG(seed, 5))
	var d drifts
	t0 := gnsstime.Time{Week: 2400, TOW: 1000}
	for k := 0.0; k < until*hz; k++ {
		t := k/hz + 0.0004*math.Sin(k) // tags are off the second
		t = math.Max(0, t)
		off := rate * math.Max(0, t-120)
		// The path is anchored anew every 30 s; its variance grows in between.
		age := math.Mod(k/hz, 30)
		if k > 0 && age == 0 {
			d.shift([3]float64{0.01, -0.02, 0}, [3]float64{1e-4, 1e-4, 1e-4})
		}
		off += 0.1 // a fix is off for good
		e := [3]float64{off - d.moved[0] + sigma*r.NormFloat64(), -d.moved[1] + sigma*r.NormFloat64(), sigma * r.NormFloat64()}
		g := 1e-4 * age / 30
		if d.push(t0.Add(t), e, [3]float64{g, g, g}, sigma*sigma, &[len(spans)]float64{}).Alarm {
			return off - 0.1, t < 120
		}
	}
	return math.NaN(), false
}

func TestDrifts_Found(t *testing.T) {
	for _, hz := range []float64{1, 5} {
		for _, rate := range []float64{0.005, 0.01, 0.02, 0.05} {
			for seed := range uint64(20) {
				at, early := follow(seed, hz, 0.01, rate, 200)
				if early || !(at <= 0.1501) {
					t.Errorf("%g Hz, %g m/s, seed %d: alarm at %.3f m, before the drift %v", hz, rate, seed, at, early)
				}
			}
		}
	}
}

func TestDrifts_NoFalseAlarm(t *testing.T) {
	for _, sigma := range []float64{0.003, 0.01, 0.04} {
		for seed := range uint64(20) {
			if at, _ := follow(seed, 1, sigma, 0, 1800); !math.IsNaN(at) {
				t.Errorf("sigma %g, seed %d: an alarm without a drift", sigma, seed)
			}
		}
	}
}

// reflected gives the test offsets once a second whose slow error is a first-order
// Gauss-Markov process, which the receiver says nothing of, and returns the alarms.
func reflected(seed uint64, sigma, tau, rate, until float64) (alarms int, at float64) {
	r := rand.New(rand.NewPCG(seed, 9))
	var d drifts
	t0 := gnsstime.Time{Week: 2400, TOW: 1000}
	e := [3]float64{sigma * r.NormFloat64(), sigma * r.NormFloat64()}
	f := math.Exp(-1 / tau)
	was := false
	at = math.NaN()
	for s := 0.0; s < until; s++ {
		for i := range 2 {
			e[i] = f*e[i] + sigma*math.Sqrt(1-f*f)*r.NormFloat64()
		}
		off := rate * math.Max(0, s-200)
		alarm := d.push(t0.Add(s), [3]float64{e[0] + off, e[1], 0}, [3]float64{}, 0.02*0.02, &[len(spans)]float64{}).Alarm
		if alarm && !was {
			if s > 150 { // learned
				alarms++
			}
			if math.IsNaN(at) && off > 0 {
				at = off
			}
		}
		was = alarm
	}
	return alarms, at
}

// Reflections that a receiver says nothing of are learned within minutes; a drift on top
// of them is found all the same.
func TestDrifts_Reflections(t *testing.T) {
	for _, c := range []struct{ sigma, tau float64 }{{0.02, 15}, {0.05, 15}, {0.05, 40}} {
		alarms := 0
		for seed := range uint64(20) {
			n, _ := reflected(seed, c.sigma, c.tau, 0, 1800)
			alarms += n
			if _, at := reflected(seed, c.sigma, c.tau, 0.02, 400); !(at <= 16*c.sigma) {
				t.Errorf("%g m over %g s, seed %d: a drift of 0.02 m/s found at %.2f m", c.sigma, c.tau, seed, at)
			}
		}
		t.Logf("%g m over %g s: %d false alarms in 10 h", c.sigma, c.tau, alarms)
		if alarms > 10 {
			t.Errorf("%g m over %g s: %d false alarms in 10 h", c.sigma, c.tau, alarms)
		}
	}
}

// A drift that was slow at first does not hide in what is learned.
func TestDrifts_SlowAtFirst(t *testing.T) {
	for seed := range uint64(10) {
		r := rand.New(rand.NewPCG(seed, 11))
		var d drifts
		t0 := gnsstime.Time{Week: 2400, TOW: 1000}
		at := math.NaN()
		for s := 0.0; s < 500 && math.IsNaN(at); s++ {
			off := 0.001*math.Max(0, s-150) + 0.009*math.Max(0, s-250)
			e := [3]float64{off + 0.01*r.NormFloat64(), 0.01 * r.NormFloat64(), 0}
			if d.push(t0.Add(s), e, [3]float64{}, 1e-4, &[len(spans)]float64{}).Alarm {
				at = off
			}
		}
		if !(at <= 0.3) {
			t.Errorf("seed %d: alarm at %.3f m", seed, at)
		}
	}
}

// The alarm goes when the fixes are back where they were.
func TestDrifts_Withdrawn(t *testing.T) {
	var d drifts
	t0 := gnsstime.Time{Week: 2400, TOW: 1000}
	alarmed := false
	for k := range 400 {
		s := float64(k)
		off := 0.0
		if s >= 120 && s < 200 {
			off = 0.02 * (s - 120)
		}
		r := d.push(t0.Add(s), [3]float64{off, 0, 0}, [3]float64{}, 1e-4, &[len(spans)]float64{})
		alarmed = alarmed || r.Alarm
		if s > 210 && r.Alarm {
			t.Fatalf("alarm %g s after the return", s-200)
		}
	}
	if !alarmed {
		t.Error("no alarm")
	}
}
