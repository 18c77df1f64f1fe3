package gnss

import (
	"fmt"
	"math"
	"testing"

	"kerbline/gnss/nmea"
)

// Any bytes at any times: no panic, at most one epoch for each sentence that
// tells of a solution, each whole in itself.
func FuzzAssembler(f *testing.F) {
	u := utc("2024-12-31 23:59:59.8")
	var whole []byte
	for i := range 4 {
		v := u + float64(i)/10
		for _, b := range []string{gga(v, "GN"), rmc(v, "10"), gst(v), zda(v), vtg("10"), gga(v, "GP"), "GNTHS,90,A", "GPGSV,1,1,01,1,1,1,40"} {
			whole = fmt.Appendf(whole, "$%s*%02X\r\n", b, sum(b))
		}
	}
	f.Add(whole, []byte{0, 9, 255, 3})
	f.Add([]byte("$GPGGA,,,,,,0,,,,,,,,*66\r\n$GPRMC,,V,,,,,,,,,,N*53\r\n$GNZDA,235960.50,31,12,2016,00,00*72"), []byte{1})
	f.Fuzz(func(t *testing.T, b, steps []byte) {
		a, p := NewAssembler(), nmea.NewParser()
		var fr nmea.Framer
		solutions, epochs := 0, 0
		emit := func(e *Epoch) {
			epochs++
			if e.Complete < e.Arrival && math.Abs(e.Complete-e.Arrival) < maxWait {
				t.Errorf("complete at %f, arrived at %f", e.Complete, e.Arrival)
			}
			if e.HasPos && (!e.Pos.Valid() || math.IsNaN(e.UTC) || e.Quality == QualityNone) || e.HasH && !e.HasPos || !e.HasH && e.Pos.H != 0 {
				t.Errorf("impossible %+v", *e)
			}
			if e.Sats < -1 || e.Station < -1 || e.Tracked < -1 || e.CN0 <= 0 || e.Speed < 0 || e.SigmaN < 0 {
				t.Errorf("impossible %+v", *e)
			}
		}
		now := u
		n := 0
		fr.Push(now, b, func(l nmea.Line) {
			if len(steps) > 0 {
				// ms forward, or a leap back.
				if k := steps[n%len(steps)]; k == 255 {
					now -= 3600
				} else {
					now += float64(k) / 1000
				}
				n++
			}
			if l.Tagged {
				now = l.T
			}
			s, err := p.Parse(l.Text)
			if l.Err != nil || err != nil {
				a.Tick(now, emit)
				return
			}
			if bit(s.Type)&solution != 0 {
				solutions++
			}
			a.Push(now, s, emit)
		})
		a.Flush(now, emit)
		if epochs > solutions {
			t.Errorf("%d epochs of %d solutions", epochs, solutions)
		}
	})
}

// From bytes to epochs, three sentences each, with TAG blocks.
func BenchmarkAssembler(b *testing.B) {
	const epochs = 1000
	var stream []byte
	start := utc("2025-06-01 12:00:00")
	for i := range epochs {
		v := start + float64(i)/10
		for n, body := range []string{gga(v, "GN"), rmc(v, "10"), gst(v)} {
			tag := fmt.Sprintf("c:%d", int64(math.Round((v+0.08)*1000))+int64(n))
			stream = fmt.Appendf(stream, "\\%s*%02X\\$%s*%02X\r\n", tag, sum(tag), body, sum(body))
		}
	}
	b.SetBytes(int64(len(stream)))
	b.ReportAllocs()
	n := 0
	emit := func(*Epoch) { n++ }
	for b.Loop() {
		n = 0
		a, p := NewAssembler(), nmea.NewParser()
		var fr nmea.Framer
		fr.Push(start, stream, func(l nmea.Line) {
			s, err := p.Parse(l.Text)
			if err != nil {
				b.Fatal(err)
			}
			a.Push(l.T, s, emit)
		})
		a.Flush(start+200, emit)
		if n != epochs {
			b.Fatal(n)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(3*epochs), "ns/sentence")
}
