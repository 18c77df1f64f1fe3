package rtcm

import (
	"bytes"
	"testing"

	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
)

// Every MSM and every ephemeris of the measured streams decodes and re-encodes
// to the byte.
func TestReal_ReencodesToTheByte(t *testing.T) {
	for name, near := range map[string]gnsstime.Time{
		"rtcm/msm7.rtcm3": {}, "rtcm/week_rollover.rtcm3": {}, "rtcm/four_bases.rtcm3": {}, "rtcm/six_systems.rtcm3": {},
		"phase/rover_moving_msm7.rtcm3": {Week: 2176, TOW: 282600}, "phase/base_moving_msm7.rtcm3": {Week: 2176, TOW: 282600},
	} {
		b := realFile(t, name)
		if near.IsZero() {
			near = gnsstime.Time{Week: 2200, TOW: 1}
		}
		var s Scanner
		var o Observables
		var e Ephemeris
		count := map[int]int{}
		s.Push(b, func(m *Message) {
			var again []byte
			var err error
			switch {
			case m.MSM > 0:
				if err = o.Decode(s.Raw()); err == nil {
					again, err = o.Encode()
				}
			case IsEphemeris(m.Number):
				if err = e.Decode(s.Raw(), near); err == nil {
					again, err = e.Encode()
				}
			default:
				return
			}
			if err != nil {
				t.Errorf("%s: %d: %v", name, m.Number, err)
				return
			}
			if !bytes.Equal(again, s.Raw()) {
				t.Errorf("%s: %d encodes to\n%x, was\n%x", name, m.Number, again, s.Raw())
			}
			count[m.Number]++
		}, nil)
		if count[1077]+count[1074] == 0 {
			t.Errorf("%s: no observations", name)
		}
		t.Logf("%s: %v", name, count)
	}
}

// The messages of measured streams join to whole epochs, none refused.
func TestReal_Epochs(t *testing.T) {
	for name, want := range map[string]int{"rtcm/msm7.rtcm3": 36, "rtcm/week_rollover.rtcm3": 1134, "rtcm/four_bases.rtcm3": 167, "rtcm/six_systems.rtcm3": 60, "phase/rover_moving_msm7.rtcm3": 360} {
		b := realFile(t, name)
		var s Scanner
		var j Epochs
		var n, complete, obs int
		emit := func(e *observation.Epoch) {
			n++
			if e.Complete {
				complete++
			}
			obs += len(e.Obs)
		}
		s.Push(b, func(m *Message) {
			if m.MSM > 0 {
				j.Push(s.Raw(), gnsstime.Time{Week: 2200, TOW: 1}, emit)
			}
		}, nil)
		j.Flush(emit)
		if n != want || complete != want || j.Counts.Refused+j.Counts.Repeated > 0 || j.early {
			t.Errorf("%s: %d epochs, %d complete, want %d; %+v", name, n, complete, want, j.Counts)
		}
		t.Logf("%s: %d epochs, %d complete, %d observations, %+v early %v", name, n, complete, obs, j.Counts, j.early)
	}

}
