package fusion

import (
	"math"
	"math/rand/v2"
	"testing"

	"kerbline/fixtures"
)

// A receiver that reports the velocity of the body's origin, smoothed over four
// epochs and so late by 0.15 s, is as good as another: it costs neither the
// verdict nor accuracy.
func TestSmoothedVelocity(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 4))
	const seeds = 4
	all := 0.0
	for k := range 2 * seeds {
		kind := []string{"nominal", "no_wheel"}[k/seeds]
		sc := fixtures.Standard(kind, uint64(12+k%seeds))
		sc.Still, sc.Duration = 25, 125
		d := drives(t, sc)
		for i := range d.in {
			in := &d.in[i]
			if in.Kind != KindEpoch || math.IsNaN(in.Epoch.Course) {
				continue
			}
			e := *in.Epoch
			var east, north float64
			for k := range 4 {
				v := d.truth.AtUTC(e.UTC - sc.Start - 0.1*float64(k)).Vel
				east += v.E/4 + 0.015*rng.NormFloat64()
				north += v.N/4 + 0.015*rng.NormFloat64()
			}
			e.Speed, e.Course = math.Hypot(east, north), math.Mod(math.Atan2(east, north)+2*math.Pi, 2*math.Pi)
			in.Epoch = &e
		}
		m := d.monitor(t, d.cfg)
		from := sc.Host(0) + sc.Still
		lines, usable, sum := 0, 0, 0.0
		for i := range d.in {
			snap, _ := m.Step(&d.in[i])
			if snap == nil || snap.T < from+25 {
				continue
			}
			lines++
			if snap.Verdict == Usable {
				usable++
				at, _ := d.where(&snap.Frame, snap.T)
				sum += (snap.ENU.E-at.E)*(snap.ENU.E-at.E) + (snap.ENU.N-at.N)*(snap.ENU.N-at.N)
			}
		}
		_, lag := m.ref.Velocity.Called()
		t.Logf("%s: usable on %d of %d lines, rms %.4f m, lag found %.3f s", kind, usable, lines, math.Sqrt(sum/float64(usable)), lag)
		if float64(usable) < 0.99*float64(lines) {
			t.Errorf("%s: usable on %d of %d lines; want 99 %%", kind, usable, lines)
		}
		if all += sum / float64(usable) / seeds; (k+1)%seeds == 0 {
			if rms := math.Sqrt(all); !(rms < 0.03) {
				t.Errorf("%s: rms %.3f m over %d drives; want 0.03 m", kind, rms, seeds)
			}
			all = 0
		}
		if !(math.Abs(lag-0.15) < 0.04) {
			t.Errorf("%s: lag found %.3f s, want about 0.15", kind, lag)
		}
	}
}
