package rtcm_test

import (
	"fmt"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/rtcm"
)

func ExampleScanner() {
	stream := append([]byte("noise"), rtcm.EncodeBase(1006, 2003, geodesy.ECEF{X: 1114104.5999, Y: -4850729.7108, Z: 3975521.4643}, 1.5)...)
	var s rtcm.Scanner
	s.Push(stream, func(m *rtcm.Message) {
		fmt.Printf("%d of station %d: x %.4f m, antenna %.1f m above\n", m.Number, m.Station, m.Base.X, m.AntennaHeight)
	}, func(why rtcm.Refusal, n int) {
		fmt.Printf("%d bytes %v\n", n, why)
	})
	// Output:
	// 5 bytes outside any frame
	// 1006 of station 2003: x 1114104.5999 m, antenna 1.5 m above
}

func ExampleMessage_Epoch() {
	m := rtcm.Message{System: rtcm.GPS, EpochMs: 442521000}
	fmt.Printf("%.0f s\n", m.Epoch(1548400000)) // 2019-01-25 02:55:03 UTC
	// Output: 1548384903 s
}
