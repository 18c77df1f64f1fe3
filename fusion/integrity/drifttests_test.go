package integrity

import (
	"math"
	"testing"
)

// A suspicion widens both levels by what was seen and twice its sigma, keeps
// its worst, and ends after the hold without another.
func TestSuspectedDrift(t *testing.T) {
	var d SuspectedDrift
	if d.Along(1, 0) != 0 {
		t.Error("a bound before any suspicion")
	}
	// Before a suspicion what is seen counts, until the next epoch that is compared.
	d.show(5, &Vec3{0.1, 0.05}, true)
	d.show(5, &Vec3{0.02, 0.05}, true)
	d.pass(5.9, 6)
	if e := d.Along(1, 0); !(math.Abs(e-0.1) < 1e-12) {
		t.Errorf("what is seen,  0.1 m adds %.3f m", e)
	}
	d.show(6, &Vec3{0.1, 0}, false)
	if d.Along(1, 0) != 0 {
		t.Error("what was seen outlives the next comparison")
	}
	d.show(7, &Vec3{0.1, 0}, true)
	d.pass(11, 6)
	if d.Along(1, 0) != 0 {
		t.Error("what was seen outlives the reference")
	}
	d.raise(&Vec3{0.3, -0.1}, &Sym3{{0.01}, {0, 0.0025}})
	d.raise(&Vec3{0.1, 0}, &Sym3{{0.0001}, {0, 0.0001}}) // smaller
	if e, n := d.Along(1, 0), d.Along(0, -1); !(math.Abs(e-0.5) < 1e-12 && math.Abs(n-0.2) < 1e-12) {
		t.Errorf("suspicion %.3f east, %.3f north; want 0.5, 0.2", e, n)
	}
	// Time without epochs does not count.
	for _, at := range []float64{10.1, 13, 40, 40.9, 41.8, 42.7, 43.6, 44.5, 45.4} {
		d.pass(at, 6)
		if !(d.size > 0) {
			t.Fatalf("the suspicion ended at %.1f s", at)
		}
	}
	d.pass(46.3, 6)
	d.pass(47.0, 6)
	if d.size != 0 || d.Along(1, 0) != 0 {
		t.Errorf("the suspicion goes on after %.1f s of calm", d.calm)
	}
}
