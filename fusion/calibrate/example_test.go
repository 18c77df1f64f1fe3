package calibrate_test

import (
	"fmt"
	"math"
	"math/rand/v2"

	"kerbline/fusion"
	"kerbline/fusion/calibrate"
	"kerbline/fusion/navigation"
)

// A sensor on a bench: ten minutes at 100 Hz, white noise of 0.005 deg/s/√Hz.
func ExampleRun() {
	cfg := fusion.DefaultConfig()
	c := &navigation.Recording{Settings: cfg.Navigation()}
	rng := rand.New(rand.NewPCG(1, 2))
	sigma := 0.005 * math.Pi / 180 * math.Sqrt(100)
	for i := range 60000 {
		m := fusion.Measurement{T: 1.7e9 + float64(i)/100, Kind: fusion.KindIMU, F: [3]float64{0, 0, 9.81}}
		for k := range m.W {
			m.W[k] = sigma * rng.NormFloat64()
		}
		m.AddTo(c)
	}
	res, err := calibrate.Run(c, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	n := res.Item("gyro noise")
	fmt.Printf("%s: %.1e %s, %s; still %.0f s\n", n.Name, n.Value, n.Unit, n.Verdict, res.Still)
	// Output: gyro noise: 8.7e-05 rad/s/sqrt(Hz), measured; still 599 s
}
