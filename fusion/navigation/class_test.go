package navigation

import (
	"math"
	"testing"

	"kerbline/gnss"
	"kerbline/gnss/geodesy"
)

// fixed is an epoch that passes the fix gate of settings with nothing to spare.
func fixed() gnss.Epoch {
	g, nan := &settings.GNSS, math.NaN()
	return gnss.Epoch{HasPos: true, HasH: true, Pos: geodesy.LLA{Lat: 0.8, Lon: 0.2, H: 200}, Quality: gnss.QualityFixed, Status: 'A',
		Age: g.MaxAge, Sats: g.MinSats, HDOP: g.MaxHDOP, SigmaN: nan, SigmaE: nan, SigmaU: nan, FaultSat: -1, FaultBias: nan, FaultSigma: nan,
		Speed: nan, Course: nan, Heading: nan}
}

// The fix gate: what one criterion alone makes of a fix, at its limit and beyond.
// Qualities are those of NMEA 0183, GGA field 6 (from memory).
func TestClassify(t *testing.T) {
	g := settings.GNSS
	for _, tt := range []struct {
		name   string
		change func(e *gnss.Epoch)
		want   Class
	}{
		{"at every limit", func(*gnss.Epoch) {}, ClassFixed},
		{"nothing reported", func(e *gnss.Epoch) { e.Age, e.Sats, e.HDOP = math.NaN(), -1, math.NaN() }, ClassFixed},
		{"no position", func(e *gnss.Epoch) { e.HasPos = false }, ClassNone},
		{"no place on Earth", func(e *gnss.Epoch) { e.Pos.Lat = 2 }, ClassNone},
		{"void", func(e *gnss.Epoch) { e.Status = 'V' }, ClassNone},
		{"old corrections", func(e *gnss.Epoch) { e.Age *= 1.001 }, ClassFloat},
		{"few satellites", func(e *gnss.Epoch) { e.Sats-- }, ClassFloat},
		{"no satellite", func(e *gnss.Epoch) { e.Sats = 0 }, ClassFloat},
		{"weak geometry", func(e *gnss.Epoch) { e.HDOP *= 1.001 }, ClassFloat},
		{"sigma within", func(e *gnss.Epoch) { e.SigmaN, e.SigmaE = g.MaxSigma*0.999, g.MaxSigma*0.999 }, ClassFixed},
		{"sigma beyond", func(e *gnss.Epoch) { e.SigmaN, e.SigmaE = g.MaxSigma*1.001, g.MaxSigma*1.001 }, ClassFloat},
		{"sigma of one axis within", func(e *gnss.Epoch) { e.SigmaN, e.SigmaE = 0, g.MaxSigma*1.41 }, ClassFixed},
		{"sigma of one axis beyond", func(e *gnss.Epoch) { e.SigmaN, e.SigmaE = g.MaxSigma*1.42, 0 }, ClassFloat},
		{"satellite fault", func(e *gnss.Epoch) { e.FaultSat, e.FaultBias, e.FaultSigma = 0, -5.01, 1 }, ClassFloat},
		{"fault within its noise", func(e *gnss.Epoch) { e.FaultSat, e.FaultBias, e.FaultSigma = 0, -5, 1 }, ClassFixed},
		{"fault without a satellite", func(e *gnss.Epoch) { e.FaultSat, e.FaultBias, e.FaultSigma = -1, 20, 1 }, ClassFixed},
		{"fault without a sigma", func(e *gnss.Epoch) { e.FaultSat, e.FaultBias, e.FaultSigma = 3, 20, 0 }, ClassFixed},
		{"float", func(e *gnss.Epoch) { e.Quality = gnss.QualityFloat }, ClassFloat},
		{"single", func(e *gnss.Epoch) { e.Quality = gnss.QualitySingle }, ClassCoarse},
		{"differential", func(e *gnss.Epoch) { e.Quality = gnss.QualityDiff }, ClassCoarse},
		{"precise code", func(e *gnss.Epoch) { e.Quality = gnss.QualityPPS }, ClassCoarse},
		{"dead reckoning", func(e *gnss.Epoch) { e.Quality = 6 }, ClassNone},
		{"typed in", func(e *gnss.Epoch) { e.Quality = 7 }, ClassNone},
		{"simulator", func(e *gnss.Epoch) { e.Quality = 8 }, ClassNone},
		{"unknown", func(e *gnss.Epoch) { e.Quality = gnss.QualityUnknown }, ClassNone},
	} {
		e := fixed()
		tt.change(&e)
		if got := g.Classify(&e); got != tt.want {
			t.Errorf("%s: class %d, want %d", tt.name, got, tt.want)
		}
	}
}

// What is new in each epoch and what stays for tens of seconds make up the whole
// variance, which is never below the floor of the class: a Gauss-Markov process of
// variance ρs² beside white noise of (1-ρ)s².
func TestNoise(t *testing.T) {
	g := settings.GNSS
	g.Multipath, g.BlankSigma = 0.02, 0.02
	for _, tt := range []struct {
		name       string
		class      Class
		quality    gnss.Quality
		se, sn, su float64 // reported
		e, n, u    float64 // m, 1 sigma wanted in all, without reflections
		share      float64
	}{
		{"fixed, no word", ClassFixed, gnss.QualityFixed, math.NaN(), math.NaN(), math.NaN(), 0.02, 0.02, 0.03, 0.7},
		{"fixed, small word", ClassFixed, gnss.QualityFixed, 0.001, 0.001, 0.001, 0.01, 0.01, 0.015, 0.7},
		{"fixed, large word", ClassFixed, gnss.QualityFixed, 0.02, 0.03, 0.05, 0.024, 0.036, 0.06, 0.7},
		{"float", ClassFloat, gnss.QualityFloat, math.NaN(), math.NaN(), math.NaN(), 0.25, 0.25, 0.375, 0.9},
		{"float, large word", ClassFloat, gnss.QualityFloat, 1, 2, 3, 1.2, 2.4, 3.6, 0.9},
	} {
		e := fixed()
		e.Quality, e.SigmaE, e.SigmaN, e.SigmaU = tt.quality, tt.se, tt.sn, tt.su
		white, h, v := g.Noise(&e, tt.class)
		slow, hop := 0.0, 0.0
		if tt.class == ClassFixed {
			slow, hop = g.Multipath, heightHop
		}
		for i, x := range []struct{ got, want float64 }{
			{white[0], (1 - tt.share) * tt.e * tt.e}, {white[1], (1 - tt.share) * tt.n * tt.n}, {white[2] - hop*hop, (1 - tt.share) * tt.u * tt.u},
			{h*h - slow*slow, tt.share * math.Max(tt.e, tt.n) * math.Max(tt.e, tt.n)}, {v*v - slow*slow*g.Vertical*g.Vertical, tt.share * tt.u * tt.u},
		} {
			if !(math.Abs(x.got-x.want) < 1e-12) {
				t.Errorf("%s: variance %d is %g m², want %g", tt.name, i, x.got, x.want)
			}
		}
	}
	// Code solutions by how they were made; a share that is set higher stays.
	g.DiffSigma, g.SingleSigma, g.Correlated = 0.7, 1.5, 0.95
	for q, want := range map[gnss.Quality]float64{gnss.QualitySingle: 1.5, gnss.QualityDiff: 0.7, gnss.QualityPPS: 0.7} {
		e := fixed()
		e.Quality = q
		white, h, v := g.Noise(&e, ClassCoarse)
		if s := math.Sqrt(white[0] + h*h); math.Abs(s-want) > 1e-9 || math.Abs(white[0]-0.05*want*want) > 1e-9 || math.Abs(math.Hypot(v, math.Sqrt(white[2]))-1.5*want) > 1e-9 {
			t.Errorf("quality %v: %v m 1 sigma, white %v m², want %v m", q, s, white, want)
		}
	}
}
