package tui_test

import (
	"fmt"
	"math"

	"kerbline/fusion"
	"kerbline/tui"
)

func ExamplePlainLine() {
	v := tui.View{}
	v.Snap = fusion.Snapshot{
		T: 1781942537.4, Seq: 12, UTC: math.NaN(), HostMinusUTC: math.NaN(), Verdict: fusion.Usable, Advice: fusion.AdviseMap,
		SpeedCap: 14.27, Speed: 11.8, PLLat: fusion.PL{Total: 0.213}, ALLat: 0.5, PLLon: fusion.PL{Total: 0.334}, ALLon: 1,
	}
	v.Snap.Epoch.Quality, v.Snap.Epoch.Sats, v.Snap.Epoch.Age = 4, 17, 1.2
	fmt.Println(tui.PlainLine(&v))
	v.Stale = 3
	fmt.Println(tui.PlainLine(&v))
	// Output:
	// 08:02:17.4 usable map cap 14.2 m/s | lateral 0.22/0.50 m along 0.34/1.00 m | fixed 17 sats age 1.2 s | link untapped
	// --:--:-- NOT USABLE: The monitor is silent. Hand over to reactive driving or stop. last heard: usable at 08:02:17.4; that may be wrong by now
}
