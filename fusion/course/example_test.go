package course_test

import (
	"fmt"

	"kerbline/fusion/course"
	"kerbline/gnss/geodesy"
)

func ExampleCourse_Locate() {
	c, err := course.Load([]byte(`{"type":"Feature","properties":{"half_width_m":3},"geometry":
		{"type":"LineString","coordinates":[[-19.3000,47.1000],[-19.2990,47.1000],[-19.2990,47.1005],[-19.3000,47.1005],[-19.3000,47.1000]]}}`))
	if err != nil {
		fmt.Println(err)
		return
	}
	frame := geodesy.NewFrame(c.Origin())
	c.Bind(frame)
	hint := -1
	p := c.Locate(geodesy.ENU{E: 30, N: 1.2}, &hint)
	fmt.Printf("%.1f m along %.1f m, %.2f m left, half width %.0f m\n", p.S, c.Length(), p.Cross, p.HalfWidth)
	// Output: 30.0 m along 263.0 m, 1.20 m left, half width 3 m
}
