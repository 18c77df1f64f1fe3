package calibrate

import (
	"math"
	"testing"

	"kerbline/fusion"
	"kerbline/fusion/navigation"
	"kerbline/gnss"
)

// A sensor that reads in other units is said to, and then gives what the same
// sensor gives in the right ones: nothing measured depends on the unit.
func TestCalibrate_AnyUnit(t *testing.T) {
	files, _ := record("nominal", 3, 90, nil)
	right := run(t, files, true, nil)
	for _, tt := range []struct {
		name  string
		w, f  float64 // what one rad/s and one m/s² read
		words []string
	}{
		{"degrees", 1 / perDegree, 1, []string{"yaw gyro", "looks like degrees"}},
		{"thousandths of a degree", 1000 / perDegree, 1, []string{"yaw gyro", "thousandths of degrees"}},
		{"thousandths of g", 1, 1000 / 9.80665, []string{"specific force", "thousandths of g"}},
	} {
		res := run(t, files, true, func(m *fusion.Measurement) {
			if m.Kind != fusion.KindIMU {
				return
			}
			for i := range 3 {
				m.W[i] *= tt.w
				m.F[i] *= tt.f
			}
		})
		if !said(res, tt.words...) || len(res.Findings) != len(right.Findings)+1 {
			t.Errorf("%s: findings %q", tt.name, res.Findings)
		}
		for i := range right.Items {
			a, b := &right.Items[i], res.Item(right.Items[i].Name)
			if b == nil || b.Verdict != a.Verdict {
				t.Errorf("%s: %+v, in the right units %+v", tt.name, b, a)
			} else if a.Verdict != NoData && !(math.Abs(b.Value-a.Value) <= 0.05*a.Sigma) {
				t.Errorf("%s: %s is %g, in the right units %g ± %g", tt.name, a.Name, b.Value, a.Value, a.Sigma)
			}
		}
	}
}

// Whether the car stands throughout a stretch: every wheel sample in it is slow;
// without wheels every epoch, by how precise it is; what lies outside does not
// count, and what is unknown is no rest.
func TestSlow(t *testing.T) {
	nan := math.NaN()
	wheel := func(at, v float64) navigation.WheelSample { return navigation.WheelSample{T: at, V: v} }
	epoch := func(at, v float64, c navigation.Class) navigation.Epoch {
		return navigation.Epoch{Epoch: gnss.Epoch{Speed: v}, T: at, Class: c}
	}
	for _, tt := range []struct {
		name   string
		wheels []navigation.WheelSample
		epochs []navigation.Epoch
		want   bool
	}{
		{"nothing recorded", nil, nil, true},
		{"nothing in it", []navigation.WheelSample{wheel(9.9, 0), wheel(10.5, 0)}, nil, false},
		{"wheel stands", []navigation.WheelSample{wheel(10, stillWheel*0.99), wheel(10.49, -stillWheel*0.99)}, nil, true},
		{"wheel turns once", []navigation.WheelSample{wheel(10, 0), wheel(10.2, stillWheel), wheel(10.4, 0)}, nil, false},
		{"wheel turns outside", []navigation.WheelSample{wheel(9.99, 5), wheel(10.2, 0), wheel(10.5, 5)}, nil, true},
		{"float stands", nil, []navigation.Epoch{epoch(10.2, stillGNSS*0.99, navigation.ClassFloat)}, true},
		{"float moves", nil, []navigation.Epoch{epoch(10.2, stillGNSS, navigation.ClassFloat)}, false},
		{"fixed moves", nil, []navigation.Epoch{epoch(10.2, 0.3, navigation.ClassFixed)}, false},
		{"coarse stands", nil, []navigation.Epoch{epoch(10.2, 0.3, navigation.ClassCoarse)}, true},
		{"coarse moves", nil, []navigation.Epoch{epoch(10.2, stillLoose, navigation.ClassCoarse)}, false},
		{"unknown speed", nil, []navigation.Epoch{epoch(10.2, nan, navigation.ClassFixed)}, false},
		{"one epoch of two moves", nil, []navigation.Epoch{epoch(10.1, 5, navigation.ClassFixed), epoch(10.3, 0, navigation.ClassFixed)}, false},
		{"an epoch moves outside", nil, []navigation.Epoch{epoch(9.99, 5, navigation.ClassFixed), epoch(10.3, 0, navigation.ClassFixed), epoch(10.5, 5, navigation.ClassFixed)}, true},
		{"the wheel counts, not the receiver", []navigation.WheelSample{wheel(10.2, 0)}, []navigation.Epoch{epoch(10.2, 5, navigation.ClassFixed)}, true},
	} {
		c := calibrator{Recording: &navigation.Recording{Wheel: tt.wheels, Epochs: tt.epochs}}
		var iw, ie int
		if got := c.slow(10, 10.5, &iw, &ie); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
		// The next stretch goes on where this one ended.
		for i, w := range tt.wheels {
			if (i < iw) != (w.T < 10.5) {
				t.Errorf("%s: %d wheel samples passed", tt.name, iw)
			}
		}
		for i := range tt.epochs {
			if (i < ie) != (tt.epochs[i].T < 10.5) {
				t.Errorf("%s: %d epochs passed", tt.name, ie)
			}
		}
	}
}
