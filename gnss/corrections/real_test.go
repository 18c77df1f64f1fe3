package corrections

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"kerbline/gnss"
	"kerbline/gnss/nmea"
	"kerbline/gnss/rtcm"
)

func realFile(t *testing.T, name string) []byte {
	t.Helper()
	dir := os.Getenv("KERBLINE_REAL")
	if dir == "" {
		t.Skip("KERBLINE_REAL names no folder of measured recordings")
	}
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		t.Skip("no measured recordings: ", err)
	}
	return b
}

// Receivers measured by others (walk: Liraz-Benbenishti/GNSS_IMU @ 4190200,
// BSD-3; static: ros-drivers/nmea_navsat_driver @ b168f49, BSD-3; cold start:
// AeroRust/nmea @ f5b77fd, MIT or Apache-2.0), not tapped. Changes between
// float and fixed with a low age, an age that is always 0.0 and a start
// without any correction are no outages.
func TestReal_NoOutage(t *testing.T) {
	for _, tt := range []struct {
		file   string
		epochs int
	}{
		{"walk/receiver.bin", 530}, {"nmea/static_fixed_2hz.log", 119}, {"nmea/cold_start_1hz.log", 1300},
	} {
		var (
			in     []arrival
			framer nmea.Framer
		)
		parser, asm := nmea.NewParser(), gnss.NewAssembler()
		emit := func(e *gnss.Epoch) {
			e.Arrival = e.UTC + 0.1 // the files tell no arrival
			in = append(in, arrival{t: e.Arrival, epoch: e})
		}
		framer.Push(simStart, realFile(t, tt.file), func(line nmea.Line) {
			if line.Err != nil {
				return
			}
			if s, err := parser.Parse(line.Text); err == nil {
				asm.Push(line.T, s, emit)
			}
		})
		if len(in) < tt.epochs {
			t.Errorf("%s: %d epochs, want at least %d", tt.file, len(in), tt.epochs)
		}
		l, eps := play(DefaultConfig(), in, nil)
		for _, e := range eps {
			t.Errorf("%s: %s", tt.file, e.Paragraph(in[0].t, nil))
		}
		if c := l.State().Condition; c != Untapped {
			t.Errorf("%s: link %v, want untapped", tt.file, c)
		}
	}
}

// Four bases in one stream, hundreds of km apart (swift-nav/gnss-converters @
// 5e9b637, LGPL-3): each new one is noticed at its first message and doubted
// until it tells its coordinates, which then are not those expected.
func TestReal_FourBases(t *testing.T) {
	l := New(DefaultConfig())
	var scan rtcm.Scanner
	now := simStart
	var ids []int
	last, doubts := -1, 0
	state := BaseUnheard
	scan.Push(realFile(t, "rtcm/four_bases.rtcm3"), func(m *rtcm.Message) {
		if !m.More && m.System != rtcm.NoSystem {
			now++
		}
		l.Bytes(now, m.Bytes)
		l.Frame(now, m)
		s := l.State()
		if s.Station != last {
			last = s.Station
			ids = append(ids, last)
		}
		if s.Base != state {
			if s.Base == BaseUnconfirmed {
				doubts++
			}
			state = s.Base
		}
	}, nil)
	if len(ids) != 4 || ids[0] != 175 || ids[1] != 1014 || ids[2] != 59 || ids[3] != 0 {
		t.Errorf("stations %v, want 175 1014 59 0", ids)
	}
	if s := l.State(); doubts != 3 || s.Base != BaseElsewhere || s.BaseOff < 100e3 || math.IsNaN(s.BaseStep) {
		t.Errorf("%d times unconfirmed, then base %d, %.0f m off; want 3, elsewhere, over 100 km", doubts, s.Base, s.BaseOff)
	}
}
