package fusion

import (
	"strings"
	"testing"
)

// A report of the base's end is read as it was written; what is damaged in it is left
// out and disturbs nothing, and it costs no allocation once there was one.
func TestBaseLog(t *testing.T) {
	log := BaseLog{From: 30.5, To: 0.25, Began: true, Frames: []BaseFrame{{Ago: 12.125, CRC: 0xabcdef}, {Ago: 0.5, CRC: 7}}}
	if got, want := log.Note(), "base: sent 30.500 0.250 began abcdef@12.125 000007@0.500"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	m := NewMonitor(DefaultConfig(), nil)
	step := func(at float64, note string) {
		m.Step(&Measurement{T: at, Kind: KindNote, Channel: ChanNote, Note: note})
	}
	step(1000, log.Note())
	for i, bad := range []string{"base: sent ", "base: sent x y", "base: sent 1", "base: sent 0.1 5", "base: sent NaN NaN", "base: sent Inf 0", "base: sent 1 0 zz@1 abcdef@x @ 1234567@1 abcdef@1e300 abcdef",
		"base: sent 1 0 " + strings.Repeat("abcdef@0.5 ", 10000), "base: sent 1 0  began  began "} {
		step(1001+float64(i), bad)
	}
	at, note := 1100.0, BaseLog{From: 0.7, To: 0.2, Frames: []BaseFrame{{0.6, 1}, {0.5, 2}}}.Note()
	if n := testing.AllocsPerRun(100, func() { at += 0.5; step(at, note) }); n != 0 {
		t.Errorf("%v allocations a report", n)
	}
	c := m.Clone()
	step(1200, note)
	c.Step(&Measurement{T: 1300, Kind: KindNote, Channel: ChanNote, Note: note})
}
