package integrity_test

import (
	"fmt"

	"kerbline/fusion/integrity"
)

// Two centimetres of noise each axis, one false alarm in 100 000 epochs, one
// miss in 1000.
func ExampleNewJumpTest() {
	j := integrity.NewJumpTest(1e-5, 1e-3)
	s := integrity.Sym3{{4e-4, 0, 0}, {0, 4e-4, 0}, {0, 0, 4e-4}}
	for _, y := range []integrity.Vec3{{0.03, -0.02, 0.01}, {0.15, 0, 0}} {
		stat := integrity.NIS(&y, &s, 3)
		fmt.Printf("moved %.2f m east: statistic %.1f, threshold %.1f, jump %v\n", y[0], stat, j.Threshold, stat > j.Threshold)
	}
	fmt.Printf("smallest jump it finds: %.2f m\n", j.Detectable(0.02))
	// Output:
	// moved 0.03 m east: statistic 3.5, threshold 25.9, jump false
	// moved 0.15 m east: statistic 56.2, threshold 25.9, jump true
	// smallest jump it finds: 0.16 m
}

func ExampleSteps() {
	var s integrity.Steps
	v := integrity.Sym3{{4e-4, 0, 0}, {0, 4e-4, 0}, {0, 0, 4e-4}}
	limit := integrity.Chi2Upper(1e-3, 3)
	s.Add(100.0, &integrity.Vec3{0.61, -0.20, 0.05}, &v)
	fmt.Printf("off by %.2f m, closed %v\n", s.Size(), s.Closed(limit))
	s.Add(112.3, &integrity.Vec3{-0.60, 0.22, -0.04}, &v)
	fmt.Printf("off by %.2f m, closed %v\n", s.Size(), s.Closed(limit))
	// Output:
	// off by 0.64 m, closed false
	// off by 0.02 m, closed true
}

func ExampleProtection() {
	k := integrity.K(1e-5)
	total, noise, time := integrity.Protection(k, 0.030, 0.12, 14, 0.002) // m, m, m/s, s
	fmt.Printf("%.3f m = %.3f noise + 0.120 missed step + %.3f time\n", total, noise, time)
	// Output:
	// 0.281 m = 0.133 noise + 0.120 missed step + 0.028 time
}

func ExampleSpeedCap() {
	v := integrity.SpeedCap(integrity.CapInput{
		Speed: 12, Coast: 2.4, // m/s, s
		LatFixed: 0.2, LonFixed: 0.3, LatPerV: 0.001, LonPerV: 0.01, ALLat: 0.5, ALLon: 1.0,
		Reaction: 0.5, Reactive: 6, Brake: 4, Max: 40,
	})
	fmt.Printf("%.1f m/s, handover %.1f s\n", v, integrity.Handover(v, 0.5, 6, 4))
	// Output:
	// 12.9 m/s, handover 2.2 s
}
