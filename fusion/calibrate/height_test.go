package calibrate

import (
	"bytes"
	"math"
	"testing"

	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/gnss"
)

// Why the height of the antenna is called not excited there: whoever knows the
// true trajectory of the body, and so the pitch of the road, still does not
// find it to 5 cm, for it moves the antenna by less than the receiver's slow
// error. What is found is no better than what is claimed, and no claim is
// missing that the recording would support.
func TestAntennaHeight_OutOfReach(t *testing.T) {
	files, l := practice(t, "nominal")
	truth, err := score.ReadTruth(bytes.NewReader(files[fixtures.TruthFile]))
	if err != nil {
		t.Fatal(err)
	}
	var epochs []gnss.Epoch
	res := run(t, files, true, func(m *fusion.Measurement) {
		if m.Kind == fusion.KindEpoch && m.Epoch.Quality == gnss.QualityFixed {
			epochs = append(epochs, *m.Epoch)
		}
	})

	// Error of the receiver along the track, m, beside the road's slope, rad.
	var along, slope []float64
	hint, frame := 0, truth.Frame()
	for i := range epochs {
		e := &epochs[i]
		host := e.UTC + l.HostMinusUTC + (e.UTC-l.StartUnix)*l.Params.HostDrift
		p, ok := truth.At(host, &hint)
		a, oka := truth.At(host-0.5, &hint)
		b, okb := truth.At(host+0.5, &hint)
		if !ok || !oka || !okb || math.Hypot(b.Pos.E-a.Pos.E, b.Pos.N-a.Pos.N) < 5 {
			continue
		}
		z := frame.FromLLA(e.Pos)
		sin, cos := math.Sincos(p.Yaw)
		along = append(along, cos*(z.E-p.Pos.E)+sin*(z.N-p.Pos.N)-l.Lever[0])
		slope = append(slope, (b.Pos.U-a.Pos.U)/math.Hypot(b.Pos.E-a.Pos.E, b.Pos.N-a.Pos.N))
	}
	if len(along) < 3000 {
		t.Fatalf("%d epochs on the move", len(along))
	}
	// Noise from the errors themselves: white, and slow with a time constant.
	cov := func(lag int) (c float64) {
		mean := 0.0
		for _, x := range along {
			mean += x / float64(len(along))
		}
		for i := lag; i < len(along); i++ {
			c += (along[i] - mean) * (along[i-lag] - mean) / float64(len(along)-lag)
		}
		return c
	}
	slow := cov(1)
	white, tau := cov(0)-slow, 5/math.Log(slow/cov(50))

	// Least squares under that noise, epoch by epoch: slow error, mean, height. A
	// nose that points up takes the antenna back.
	x := [3]float64{}
	p := [3][3]float64{{slow, 0, 0}, {0, 1, 0}, {0, 0, 100}}
	keep := math.Exp(-0.1 / tau)
	for i, y := range along {
		x[0] *= keep
		for j := range 3 {
			p[0][j] *= keep
		}
		for j := range 3 {
			p[j][0] *= keep
		}
		p[0][0] += slow * (1 - keep*keep)
		h := [3]float64{1, 1, -slope[i]}
		var ph [3]float64
		s := white
		for j := range 3 {
			for k := range 3 {
				ph[j] += p[j][k] * h[k]
			}
			s += h[j] * ph[j]
			y -= h[j] * x[j]
		}
		for j := range 3 {
			x[j] += ph[j] / s * y
			for k := range 3 {
				p[j][k] -= ph[j] * ph[k] / s
			}
		}
	}
	sigma := math.Sqrt(p[2][2])
	it := res.Item("antenna z")
	t.Logf("with the truth %.2f ± %.2f m, from the recording alone %.2f ± %.2f m, true %.3f m; white %.1f mm, slow %.1f mm over %.1f s",
		x[2], sigma, it.Value, it.Sigma, l.Lever[2], 1e3*math.Sqrt(white), 1e3*math.Sqrt(slow), tau)
	if sigma < 0.05 {
		t.Errorf("the truth shows the height to %.3f m: calibrate should find more than ±%.2f m", sigma, it.Sigma)
	}
	if !(it.Sigma > sigma && it.Sigma < 3*sigma) {
		t.Errorf("calibrate claims ±%.2f m, the truth allows ±%.2f m", it.Sigma, sigma)
	}
}
