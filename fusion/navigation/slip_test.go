package navigation

import (
	"math"
	"math/rand/v2"
	"testing"

	"kerbline/fusion/eskf"

	"gonum.org/v1/gonum/spatial/r3"
)

// Side slip is learned right by gyros that shake as those of a fast car do, and what
// they leave in the leftward acceleration is as large as is said. The car weaves; all
// but its slip is known.
func TestSlip_ShakingGyro(t *testing.T) {
	const hz, slip = 200.0, 0.005
	for _, v := range []float64{12, 30, 60} {
		rng := rand.New(rand.NewPCG(uint64(v), 9))
		var d Driver
		d.Init(settings, nil)
		d.Manual = true
		shakes := 0.007 * v / 12 // rad/s a sample
		f := &d.Filter
		f.WheelScale, f.Att.Real = 1, 1
		f.Vel = r3.Vec{X: v}
		f.P[eskf.ISlip][eskf.ISlip] = 0.006 * 0.006
		var sum, said, n float64
		for k := 1; float64(k)/hz < 200; k++ {
			now := float64(k) / hz
			sin, cos := math.Sincos(0.2 * now)
			lat := 8 * sin // m/s²; the body turns into its slip
			w := lat/v + slip*8*0.2*cos + shakes*rng.NormFloat64()
			f.Params.GyroNoise = shakes / math.Sqrt(hz)
			d.carry(r3.Vec{Z: w}, r3.Vec{Z: 9.8}, now)
			if k%16 > 0 {
				continue
			}
			p := f.P[eskf.ISlip][eskf.ISlip]
			f.Flush()
			f.P = [eskf.NErr][eskf.NErr]float64{}
			f.P[eskf.ISlip][eskf.ISlip] = p
			f.Vel = f.ToWorld(r3.Vec{X: v, Y: -slip * lat * v})
			d.TakeSide(v)
			if now > 40 { // slip is known by then
				got, noise := d.lateral(v), slipNoise(f, v)/(f.Slip*f.Slip*v*v)
				sum, said, n = sum+(got-lat)*(got-lat), said+noise, n+1
			}
		}
		if !(math.Abs(f.Slip-slip) < 0.06*slip) {
			t.Errorf("%.0f m/s: slip %.5f, want %.5f", v, f.Slip, slip)
		}
		off, want := math.Sqrt(sum/n), math.Sqrt(said/n)
		if !(off > 0.9*want && off < 1.15*want+0.01) { // the means of whole samples lag
			t.Errorf("%.0f m/s: leftward acceleration off by %.3f m/s², said to be %.3f", v, off, want)
		}
	}
}
