package nmea

import "testing"

// What is written is what the framer reads, its checksums included.
func TestWrite(t *testing.T) {
	line := AppendSentence(AppendTag(nil, 1752003240679, []byte("s:rover,c:5*00")), "GNGLL,"+Angle(48.1173, 2, 3, 'N', 'S')+","+Angle(-11.5166667, 3, 2, 'E', 'W')+",123519.00,A,A")
	const want = `\c:1752003240679,s:rover*7C\$GNGLL,4807.038,N,01131.00,W,123519.00,A,A*5A`
	if string(line) != want {
		t.Fatalf("%s, want %s", line, want)
	}
	var f Framer
	n := 0
	f.Push(0, append(line, "\r\n"...), func(l Line) {
		n++
		if l.Err != nil || !l.Tagged || l.T != 1752003240.679 {
			t.Errorf("read back %+v", l)
		}
	})
	if n != 1 {
		t.Errorf("%d lines read back, want 1", n)
	}
	for _, c := range []struct {
		deg  float64
		d    int
		want string
	}{{7.9999999999, 7, "0800.0000000,E"}, {-0.5, 0, "0030,W"}, {7, 5, "0700.00000,E"}} {
		if got := Angle(c.deg, 2, c.d, 'E', 'W'); got != c.want {
			t.Errorf("%g with %d decimals is %s, want %s", c.deg, c.d, got, c.want)
		}
	}
}
