package fusion

import (
	"fmt"
	"strings"
	"testing"
)

func TestTake(t *testing.T) {
	for _, tt := range []struct{ list, taken, err string }{
		{"vehicle.antenna_m = [0.54, -0.21, 1.00]", "vehicle.antenna_m = [0.54, -0.21, 1] (was [0, 0, 1])", ""},
		{"gnss.latency_s=0.12", "gnss.latency_s = 0.12 (was 0.08)", ""},
		{`columns.imu = "t[ms],wx[deg/s],wy,wz,fx[g],fy,fz", columns.imu_offset_s = -18.00`,
			`columns.imu = "t[ms],wx[deg/s],wy,wz,fx[g],fy,fz" (was ""); columns.imu_offset_s = -18 (was 0)`, ""},
		{"imu.mount_yaw_deg = 90.0, imu.mount_pitch_deg = 0.0, imu.mount_roll_deg = 180.0", "imu.mount_yaw_deg = 90 (was 0); imu.mount_pitch_deg = 0 (was 0); imu.mount_roll_deg = 180 (was 0)", ""},
		{"gnss.min_sats = 5", "gnss.min_sats = 5 (was 6)", ""},
		{"vehicle.half_width_m = 0.5", "vehicle.half_width_m = 0.5 (was 0.7)", ""},
		{"gnss.min_sats = 5.5", "", "whole number"},
		{"gnss.latency_s = 900", "", "from"},
		{"gnss.latency_s = NaN", "", "number"},
		{"vehicle.antenna_m = [1, 2]", "", "3 numbers"},
		{"vehicle.antena_m = [1, 2, 3]", "", "key of the settings"},
		{"vehicle", "", "key of the settings"},
		{"taken = \"no\"", "", "key of the settings"},
		{"columns.imu = \"t,wx\"", "", "want"},
		{"", "", "key of the settings"},
	} {
		c, d := DefaultConfig(), DefaultConfig()
		err := c.Take(tt.list)
		switch {
		case tt.err == "" && (err != nil || c.Taken != tt.taken):
			t.Errorf("%s: %v, taken %q", tt.list, err, c.Taken)
		case tt.err != "" && (err == nil || !strings.Contains(err.Error(), tt.err) || c.Taken != d.Taken || c.Vehicle != d.Vehicle):
			t.Errorf("%s: %v, want %q and nothing changed", tt.list, err, tt.err)
		}
	}
}

// A value that is taken while a run goes on counts from there: what the wrong one
// led to is forgotten, the drive has to confirm the new one, and it is said.
func TestTake_WhileRunning(t *testing.T) {
	const at, length = 60.0, 120.0
	r := newRig(length)
	in := r.measurements()
	wrong, right := r.cfg, r.cfg.Vehicle.Antenna
	wrong.Vehicle.Antenna = [3]float64{-right[0], right[1] + 0.4, right[2]}
	cfg := wrong
	if err := cfg.Take(fmt.Sprintf("vehicle.antenna_m = [%g, %g, %g]", right[0], right[1], right[2])); err != nil {
		t.Fatal(err)
	}
	m := NewMonitor(wrong, nil)
	from := in[0].T
	usable, told, taken := 0, 0, false
	var seq uint64
	for i := range in {
		if !taken && in[i].T-from > at {
			taken = true
			_, ev := m.Step(&Measurement{T: in[i].T, Kind: KindTake, Channel: ChanNote, Config: &cfg})
			for _, e := range ev {
				if e.Kind == EventTaken && strings.Contains(e.Detail, "antenna_m") {
					told++
				}
			}
		}
		s, _ := m.Step(&in[i])
		if s == nil {
			continue
		}
		if s.Seq <= seq || (s.Taken != "") != taken {
			t.Fatalf("line %d after %d, taken %v: %q", s.Seq, seq, taken, s.Taken)
		}
		seq = s.Seq
		if s.Verdict == Usable {
			if usable++; !taken {
				t.Fatalf("%.1f s: usable with the wrong lever arm", in[i].T-from)
			}
		}
	}
	if usable < 100 || told != 1 {
		t.Errorf("%d usable lines with the right lever arm, told %d times", usable, told)
	}
}
