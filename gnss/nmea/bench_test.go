package nmea

import "testing"

var benchLines = []string{
	"$GNGGA,090000.00,4417.4818706,N,01151.7847181,E,1,25,0.55,104.491,M,47.000,M,,*44",
	"$GNRMC,090000.00,A,4417.4818706,N,01151.7847181,E,0.086,261.44,160526,,,A,V*0C",
	"$GNGST,090000.00,12.0,1.430,1.300,20.0,1.430,1.300,2.340*44",
	"$GNVTG,261.44,T,,M,0.086,N,0.160,K,A*2F",
	"$GNZDA,090000.00,16,05,2026,00,00*75",
	"$GPGSV,4,1,15,05,00,000,17,07,06,105,20,08,11,032,15,10,00,000,16*77",
	"$GPGSA,A,3,05,07,08,10,15,17,18,19,30,,,,1.2,0.9,0.8*3B",
}

func BenchmarkParse(b *testing.B) {
	for _, l := range benchLines {
		b.Run(l[3:6], func(b *testing.B) {
			p, line := NewParser(), []byte(l)
			b.SetBytes(int64(len(line)))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := p.Parse(line); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// One epoch of three sentences with TAG blocks, from bytes to structs.
func BenchmarkFrameAndParse(b *testing.B) {
	stream := []byte("\\c:1778922000875*63\\" + benchLines[0] + "\r\n\\c:1778922000877*61\\" + benchLines[1] + "\r\n\\c:1778922000879*6F\\" + benchLines[2] + "\r\n")
	for range 8 {
		stream = append(stream, stream[:len(stream):len(stream)]...)
	}
	f, p, n := &Framer{}, NewParser(), 0
	b.SetBytes(int64(len(stream)))
	b.ReportAllocs()
	for b.Loop() {
		n = 0
		f.Push(0, stream, func(l Line) {
			if _, err := p.Parse(l.Text); err != nil || !l.Tagged {
				b.Fatal(err, l.Err)
			}
			n++
		})
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/sentence")
}
