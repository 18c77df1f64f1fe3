package geodesy_test

import (
	"fmt"

	"kerbline/gnss/geodesy"
)

func ExampleLLA_ECEF() {
	p := geodesy.LLA{Lat: 45 * geodesy.Degree, Lon: 90 * geodesy.Degree}.ECEF()
	fmt.Printf("%.3f %.3f %.3f m\n", p.X, p.Y, p.Z)
	// Output: 0.000 4517590.879 4487348.409 m
}

func ExampleFrame() {
	f := geodesy.NewFrame(geodesy.LLA{Lat: 48 * geodesy.Degree, Lon: 11 * geodesy.Degree, H: 500})
	v := f.FromLLA(geodesy.LLA{Lat: 48.001 * geodesy.Degree, Lon: 11.001 * geodesy.Degree, H: 501})
	fmt.Printf("east %.3f m, north %.3f m, up %.3f m\n", v.E, v.N, v.U)
	back := f.ToLLA(v)
	fmt.Printf("%.6f deg, %.6f deg, %.3f m\n", back.Lat/geodesy.Degree, back.Lon/geodesy.Degree, back.H)
	// Output:
	// east 74.630 m, north 111.200 m, up 0.999 m
	// 48.001000 deg, 11.001000 deg, 501.000 m
}

func ExampleNormalGravity() {
	fmt.Printf("%.4f m/s^2\n", geodesy.NormalGravity(45*geodesy.Degree, 1000))
	// Output: 9.8031 m/s^2
}
