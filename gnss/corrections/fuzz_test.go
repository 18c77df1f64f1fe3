package corrections

import (
	"math"
	"testing"

	"kerbline/gnss"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/rtcm"
)

// FuzzLink plays any sequence of arrivals: bytes of the link cut anywhere,
// epochs of a receiver, silences, steps of the clock. It must not panic, and
// what it says must make sense.
//
// Each arrival is one byte of kind, one of time passed (0.01 s), and what the
// kind takes: 0 a frame, 1 raw bytes, 2 and 3 an epoch, 4 a silence, 5 and 6 the
// clock set forward and back, 7 nothing.
func FuzzLink(f *testing.F) {
	for _, s := range []session{{seed: 1, length: 30}, {seed: 2, length: 60, faults: []fault{{kind: "link_silent", from: 30, to: 40}}},
		{seed: 3, length: 60, faults: []fault{{kind: "base_restarted", from: 30, to: 1e9, silent: 10, id: 9}}},
		{seed: 4, length: 60, faults: []fault{{kind: "sky_blocked", from: 30, to: 40, p: 7}}}} {
		s.hz = 2
		f.Add(script(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		l := New(simConfig())
		var scan rtcm.Scanner
		now := simStart
		frame := func(m *rtcm.Message) { l.Frame(now, m) }
		junk := func(why rtcm.Refusal, n int) { l.Junk(now, why, n) }
		check := func(e *Episode) {
			if e.Cause >= NumCauses || math.IsNaN(e.Start) || math.IsNaN(e.Closed) || e.End() < e.Start-1e-6 {
				t.Errorf("%v from %g to %g, closed %g", e.Cause, e.Start, e.End(), e.Closed)
			}
			if e.Paragraph(simStart, nil) == "" {
				t.Error("no words")
			}
		}
		for len(b) >= 2 {
			kind, dt := b[0], b[1]
			b = b[2:]
			now += float64(dt) * 0.01
			switch kind & 7 {
			case 0:
				if len(b) < 4 {
					return
				}
				m := rtcm.Message{Number: 1005, Station: int(b[1]), System: rtcm.NoSystem, EpochMs: -1, Day: -1, Bytes: 25,
					HasBase: true, Base: geodesy.ECEF{X: simBase.X + float64(b[3])*0.02, Y: simBase.Y, Z: simBase.Z}}
				if sys := rtcm.System(b[0] & 7); sys < rtcm.NSystems {
					utc := math.Round(now - float64(b[2])*0.05)
					_, tow := gnsstime.UTCToGPS(utc)
					m = rtcm.Message{Number: 1074 + 10*int(sys), Station: int(b[1]), System: sys, MSM: 4, EpochMs: int64(tow * 1000), Day: -1,
						More: b[0]&8 != 0, Sats: int(b[3]), Bytes: 150}
					switch sys {
					case rtcm.GLONASS:
						day, tod := gnsstime.UTCToGLONASS(utc)
						m.EpochMs, m.Day = int64(tod*1000), day
					case rtcm.BeiDou:
						m.EpochMs = int64(gnsstime.UTCToBDT(utc) * 1000)
					}
				}
				b = b[4:]
				l.Bytes(now, m.Bytes)
				l.Frame(now, &m)
			case 1:
				n := 0
				if len(b) > 0 {
					n = min(int(b[0]), len(b)-1)
					b = b[1:]
				}
				l.Bytes(now, n)
				scan.Push(b[:n], frame, junk)
				b = b[n:]
			case 2, 3:
				if len(b) < 4 {
					return
				}
				e := gnss.Epoch{UTC: now - 0.3, Arrival: now, Complete: now, HasPos: b[0]&1 == 0, HasH: true, Pos: simBase.LLA(),
					Quality: gnss.Quality(b[0] >> 1 & 15), Sats: int(int8(b[1])), Age: float64(b[2]) * 0.1, Station: int(b[3]), CN0: math.NaN(),
					Speed: math.NaN(), Course: math.NaN()}
				if b[2] == 0xff {
					e.Age = math.NaN()
				}
				b = b[4:]
				l.Clock(e.Arrival - e.UTC)
				l.Epoch(&e, now)
			case 4:
				now += float64(dt) // a longer silence
				l.Tick(now)
			case 5:
				l.ClockStep(float64(dt))
			case 6:
				now -= float64(dt)
				l.Tick(now)
			default:
				l.Tick(now)
			}
			l.Take(check)
		}
		l.Close(now)
		l.Take(check)
	})
}

// script writes a session as FuzzLink reads it.
func script(s session) []byte {
	in, _ := s.arrivals()
	var b []byte
	last := in[0].t
	var scan rtcm.Scanner
	for _, a := range in {
		dt := a.t - last
		for ; dt > 2; dt -= 2 {
			b = append(b, 7, 200)
		}
		last = a.t
		d := byte(max(0, dt) * 100)
		if e := a.epoch; e != nil {
			age := byte(0xff)
			if e.Age < 25 {
				age = byte(e.Age * 10)
			}
			b = append(b, 2, d, byte(e.Quality)<<1, byte(e.Sats), age, byte(e.Station))
			continue
		}
		b = append(b, 7, d)
		scan.Push(a.bytes, func(m *rtcm.Message) {
			what, shift := byte(7), byte(0)
			if m.System != rtcm.NoSystem {
				what, shift = byte(m.System), byte(m.Sats)
				if m.More {
					what |= 8
				}
			} else if !m.HasBase {
				return
			}
			b = append(b, 0, 0, what, byte(m.Station), 5, shift)
		}, nil)
	}
	return b
}
