package nmea

import (
	"bytes"
	"math"
	"reflect"
	"testing"
)

// Whatever comes: no panic, a bounded memory, the same lines wherever the
// stream is cut, and every line where it says it is.
func FuzzFramer(f *testing.F) {
	for _, tt := range streams {
		f.Add([]byte(tt.in), uint16(len(tt.in)/2))
	}
	f.Fuzz(func(t *testing.T, b []byte, cut uint16) {
		whole := frames(false, b)
		at := int(cut) % (len(b) + 1)
		if parts := frames(false, b[:at], b[at:]); !reflect.DeepEqual(whole, parts) {
			t.Errorf("cut at %d:\n got %q\nwant %q", at, parts, whole)
		}
		var fr Framer
		emit := func(l Line) {
			if l.Err == nil && !bytes.Equal(b[l.Offset:l.Offset+int64(len(l.Text))], l.Text) {
				t.Errorf("position %d does not hold %q", l.Offset, l.Text)
			}
			if l.Err == nil && len(l.Text) > MaxLine+2 {
				t.Errorf("line of %d bytes", len(l.Text))
			}
		}
		fr.Push(0, b, emit)
		fr.Flush(0, emit)
		if cap(fr.held) > 4*MaxLine {
			t.Errorf("holds %d bytes", cap(fr.held))
		}
	})
}

// Whatever stands between $ and *, with a good checksum: no panic, both ways
// alike, and what comes out is possible.
func FuzzParser(f *testing.F) {
	for _, tt := range allSentences() {
		f.Add([]byte(tt[0][1 : len(tt[0])-3]))
	}
	for _, body := range []string{"GPALC", "ALC", "Q", `00RMC,\`, "GNGGA,235960.5,9000,N,18000,E,8,255,9999,-9999,M,-200,M,0,9999", "GNRMC,,,,,,,,,,,,,", "GPGSV,9,9,999,1,90,360,99,F"} {
		f.Add([]byte(body))
	}
	p, other := NewParser(), NewParser()
	f.Fuzz(func(t *testing.T, body []byte) {
		line := frame(string(body))
		compareWays(t, p, other, line)
		s, err := p.Parse(line)
		if err != nil {
			if _, ok := err.(*Error); !ok || s != nil {
				t.Errorf("%q: %v of type %T, %v", line, err, err, s)
			}
			return
		}
		for i, v := 0, reflect.ValueOf(*s); i < v.NumField(); i++ {
			switch x := v.Field(i).Interface().(type) {
			case float64:
				if math.IsInf(x, 0) {
					t.Errorf("%q: %s is %g", line, v.Type().Field(i).Name, x)
				}
			case int:
				if x < -1 && s.Type != RMC {
					t.Errorf("%q: %s is %d", line, v.Type().Field(i).Name, x)
				}
			}
		}
		if math.IsNaN(s.Lat) != math.IsNaN(s.Lon) || math.Abs(s.Lat) > math.Pi/2 || math.Abs(s.Lon) > math.Pi ||
			s.Time < 0 || s.Time >= 86401 || s.Course < 0 || s.Course >= 2*math.Pi || s.Quality > 8 || s.SigN < 0 || s.Age < 0 {
			t.Errorf("%q reads as the impossible %s", line, dump(s))
		}
	})
}
