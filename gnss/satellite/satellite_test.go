package satellite

import (
	"math"
	"testing"
)

func TestParse(t *testing.T) {
	for s, want := range map[string]ID{"G05": {GPS, 5}, "R 9": {GLONASS, 9}, "E36": {Galileo, 36}, "C63": {BeiDou, 63}, "J01": {QZSS, 1}, "S37": {SBAS, 37}, "I14": {NavIC, 14}} {
		if got, err := Parse(s); err != nil || got != want {
			t.Errorf("%q is %v, %v; want %v", s, got, err, want)
		}
	}
	for _, s := range []string{"", "G", "G5", "G00", "X05", "G65", "G0a", "G005"} {
		if id, err := Parse(s); err == nil {
			t.Errorf("%q accepted as %v", s, id)
		}
	}
	for s := range NSystems {
		if SystemOf(s.Letter()) != s {
			t.Errorf("%v: letter %c leads to %v", s, s.Letter(), SystemOf(s.Letter()))
		}
	}
}

func TestIndexIsDense(t *testing.T) {
	seen := make([]bool, NumIndices)
	for s := range NSystems {
		for n := uint8(1); n <= MaxNumber; n++ {
			i := ID{s, n}.Index()
			if seen[i] {
				t.Fatalf("%v: index %d twice", ID{s, n}, i)
			}
			seen[i] = true
		}
	}
}

// Carriers from the interface documents (from memory): GPS L1 is 154, L2 120,
// L5 115 times 10.23 MHz; Galileo E5a 115, E5b 118, E6 125; BeiDou B1I 152.6,
// B2I 118, B3I 124.
func TestFrequency(t *testing.T) {
	for _, c := range []struct {
		sys     System
		sig     Signal
		channel int
		want    float64
	}{
		{GPS, Signal{'1', 'C'}, 0, 154}, {GPS, Signal{'2', 'W'}, 0, 120}, {GPS, Signal{'5', 'Q'}, 0, 115},
		{Galileo, Signal{'1', 'X'}, 0, 154}, {Galileo, Signal{'5', 'Q'}, 0, 115}, {Galileo, Signal{'7', 'Q'}, 0, 118}, {Galileo, Signal{'6', 'C'}, 0, 125},
		{Galileo, Signal{'8', 'Q'}, 0, 116.5},
		{BeiDou, Signal{'2', 'I'}, 0, 152.6}, {BeiDou, Signal{'7', 'I'}, 0, 118}, {BeiDou, Signal{'6', 'I'}, 0, 124},
	} {
		if got := c.sys.Frequency(c.sig, c.channel); math.Abs(got-c.want*10.23e6) > 1e-3 {
			t.Errorf("%v %v: %.3f MHz, want %.3f", c.sys, c.sig, got/1e6, c.want*10.23)
		}
	}
	if got := GLONASS.Frequency(Signal{'1', 'C'}, -7); got != 1598.0625e6 {
		t.Errorf("GLONASS channel -7: %g", got)
	}
	if got := GLONASS.Frequency(Signal{'1', 'C'}, NoChannel); got != 0 {
		t.Errorf("GLONASS without channel: %g", got)
	}
	if got := NoSystem.Frequency(Signal{'1', 'C'}, 0); got != 0 {
		t.Errorf("no system: %g", got)
	}
}
