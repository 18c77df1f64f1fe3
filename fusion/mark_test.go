package fusion

import (
	"math"
	"strings"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/rtcm"
)

// The mean of a stand-still decides, of the body origin or of the antenna; a car that
// does not stand confirms nothing; and what was confirmed ends with the base.
func TestCheckMark(t *testing.T) {
	for _, tt := range []struct {
		name    string
		antenna bool
		off     float64 // m, of the mark
		at      float64 // s, when it is asked for
		still   float64 // s of standing at the start
		base    bool    // the base moves afterwards
		ok      bool
		says    string
	}{
		{"antenna, before the heading is known", true, 0, 6, 20, false, true, "the antenna 0.00 m east and 0.00 m north"},
		{"antenna, asked for at once", true, 0, 1, 20, false, true, "confirmed"},
		{"antenna elsewhere", true, 0.7, 6, 20, false, false, "0.70 m east"},
		{"body origin, heading not known", false, 0, 6, 90, false, false, "put the antenna over the mark"},
		{"the car drives", true, 0, 30, 4, false, false, "did not stand still"},
		{"the base moves", true, 0, 6, 20, true, false, "ended with the base"},
	} {
		r := newRig(tt.still + 100)
		r.still = tt.still
		p := r.antenna(1)
		p.E -= tt.off
		lla := r.frame.ToLLA(p)
		r.cfg.Marks = []Mark{{Name: "start", Lat: lla.Lat / geodesy.Degree, Lon: lla.Lon / geodesy.Degree, H: lla.H}}
		m := NewMonitor(r.cfg, nil)
		base := lla.ECEF()
		frameAt := func(x float64) *Measurement {
			b := base
			b.X += x
			return &Measurement{Kind: KindFrame, Channel: ChanCorrections, Frame: &rtcm.Message{Number: 1005, Station: 7, HasBase: true, Base: b}}
		}
		var told []Event
		var last Snapshot
		step := func(in *Measurement) {
			s, ev := m.Step(in)
			for _, e := range ev {
				if e.Cause == "mark" {
					told = append(told, e)
				}
			}
			if s != nil {
				last = *s
			}
		}
		asked, heard, moved := false, false, false
		for _, in := range r.measurements() {
			at := in.T - rigStart
			step(&in)
			if !heard && at > 0.5 {
				heard = true
				f := frameAt(0)
				f.T = in.T
				step(f)
			}
			if !asked && at > tt.at {
				asked = true
				step(&Measurement{T: in.T, Kind: KindNote, Channel: ChanNote, Note: MarkNote("start", tt.antenna)})
			}
			if tt.base && !moved && at > tt.at+10 {
				moved = true
				f := frameAt(2)
				f.T = in.T
				step(f)
			}
		}
		if len(told) == 0 || !strings.Contains(told[len(told)-1].Detail, tt.says) {
			t.Errorf("%s: told %+v, want %q", tt.name, told, tt.says)
			continue
		}
		if ok := last.Mark.At > 0; ok != tt.ok || last.Mark.Pending {
			t.Errorf("%s: verified %v, pending %v", tt.name, ok, last.Mark.Pending)
		}
		if tt.off > 0 && math.Abs(last.Mark.Off[0]-tt.off) > 0.02 {
			t.Errorf("%s: off by %.3f m, want %.3f", tt.name, last.Mark.Off[0], tt.off)
		}
	}
}
