package fusion

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"kerbline/fixtures"
)

// noiseOfTheGenerator sets the noise of a configuration to what the generator
// really does: no floors above it, no inflation.
func noiseOfTheGenerator(c *Config, kind string) {
	g := &c.GNSS
	g.Inflation = 0.1 // reported sigmas stay below the floors
	g.FixedSigma, g.Vertical, g.Correlated, g.CorrTime, g.SpeedSigma = 0.01004, 1.66, 0.70, 15, 0.02
	if kind == "float" {
		// One share serves both axes: the vertical one is chosen so that its white
		// part is right, which innovations show; its slow part is 0.50 m for 0.40.
		g.FloatSigma, g.Vertical, g.Correlated, g.CorrTime, g.SpeedSigma = 0.2518, 2.0, 0.9858, 60, 0.03
	}
	g.LatencySigma, g.VelocityLag = 0.0173, 0
	i := &c.IMU
	i.Gyro, i.Acc, i.GyroWalk, i.AccWalk, i.GyroBias, i.AccBias = 8e-5, 8e-4, 5e-6, 5e-5, 0.0035, 0.035
	// Stamps come half a millisecond late now and then, in the mean 0.4 ms.
	w := &c.Wheel
	i.Latency, w.Latency = 0.0024, 0.00415
	w.Sigma, w.SigmaRel, w.ScaleSigma, w.SlipSigma, w.SideSigma, w.SideLat = 0.03, 0, 0.0035, 0.0036, 0.012, 0
}

// tally adds up a normalised error squared, by instant.
type tally struct {
	sum []float64
	dof int
}

func (a *tally) add(at int, q float64, dof int) {
	for len(a.sum) <= at {
		a.sum = append(a.sum, 0)
	}
	a.sum[at] += q
	a.dof = dof
}

// judge returns the mean a degree of freedom over n runs, the 95 % bounds of
// such a mean, and at how many of the instants the mean is within them. Runs
// are independent, instants of one run are not: they share latency, scale and
// slip. So the bounds are those of n chi-square variables at one instant
// (Bar-Shalom, Li and Kirubarajan 2001, from memory), also for the mean of all.
func (a *tally) judge(n uint64) (mean, lo, hi float64, inside int) {
	k := float64(n) * float64(a.dof)
	c := distuv.ChiSquared{K: k}
	lo, hi = c.Quantile(0.025)/k, c.Quantile(0.975)/k
	for _, s := range a.sum {
		mean += s / k / float64(len(a.sum))
		if q := s / k; q >= lo && q <= hi {
			inside++
		}
	}
	return mean, lo, hi, inside
}

// The normalised errors of position and yaw and the normalised innovations of
// the whole monitor: with the generator's own noise in the settings they are
// within the bounds, with the default settings the filter claims less than it
// knows.
func TestConsistency(t *testing.T) {
	runs := uint64(1)
	if long {
		runs = 50
	}
	names := [...]string{"NEES position", "NEES yaw", "NIS position"}
	// Samples twice the correlation time of the receiver's slow error apart.
	for _, k := range []struct {
		kind string
		step float64 // s
	}{{"nominal", 30}, {"float", 120}} {
		var own, usual [len(names)]tally
		for seed := range runs {
			d := drives(t, fixtures.Standard(k.kind, 500+seed))
			cfg := d.cfg
			noiseOfTheGenerator(&cfg, k.kind)
			d.normalised(t, cfg, k.step, &own)
			d.normalised(t, d.cfg, k.step, &usual)
		}
		for i, name := range names {
			mean, lo, hi, inside := own[i].judge(runs)
			def, _, _, _ := usual[i].judge(runs)
			n := len(own[i].sum)
			t.Logf("%-8s %-14s %.3f with the generator's noise, 95 %% bounds %.3f to %.3f, inside at %d of %d instants; %.3f with the default settings (%d runs)",
				k.kind, name, mean, lo, hi, inside, n, def, runs)
			if !(mean >= lo && mean <= hi) {
				t.Errorf("%s %s: %.3f, want %.3f to %.3f", k.kind, name, mean, lo, hi)
			}
			if inside < n-2 { // more than 2 of 10 outside: 1 in 100 by chance
				t.Errorf("%s %s: inside the bounds at %d of %d instants", k.kind, name, inside, n)
			}
			// Float positions are never called usable; no claim is made of them.
			if k.kind == "nominal" && !(def <= hi) {
				t.Errorf("%s %s with the default settings: %.3f, want at most %.3f", k.kind, name, def, hi)
			}
		}
	}
}

// normalised adds what one run of d gives every step seconds from 60 s after
// moving off.
func (d *drive) normalised(t *testing.T, cfg Config, step float64, sum *[3]tally) {
	t.Helper()
	m := d.monitor(t, cfg)
	due, n := d.sc.Still+60, 0
	for i := range d.in {
		snap, _ := m.Step(&d.in[i])
		if snap == nil || d.in[i].Kind != KindEpoch || !snap.EpochUsed || d.sc.UTC(snap.T) < due || due > d.sc.Duration-5 {
			continue
		}
		due += step
		at := n
		n++
		f := &m.nav.Filter
		f.Flush()
		p, st := d.where(&m.frame, f.T)
		at0, cov := f.Origin(), m.nav.OriginCov(&f.State, &f.P)
		x, y := at0.X-p.E, at0.Y-p.N
		a, b, c := cov[0][0], cov[0][1], cov[1][1]
		sum[0].add(at, (c*x*x-2*b*x*y+a*y*y)/(a*c-b*b), 2)
		yaw := math.Remainder(f.Yaw()-st.Yaw, 2*math.Pi)
		v := m.nav.YawVariance(&f.State, &f.P)
		sum[1].add(at, yaw*yaw/v, 1)
		sum[2].add(at, snap.Tests[TestInnovation].Stat, 3)
	}
}
