package carrier

import (
	"math"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

// without leaves some satellites out of an epoch.
func without(hidden map[satellite.ID]bool) func(*observation.Epoch) {
	return func(e *observation.Epoch) {
		kept := e.Obs[:0]
		for _, o := range e.Obs {
			if !hidden[o.Sat] {
				kept = append(kept, o)
			}
		}
		e.Obs = kept
	}
}

// quarter are satellites that are hidden together.
func quarter(d *drive) map[satellite.ID]bool {
	hidden := map[satellite.ID]bool{}
	for i, s := range d.sky.Satellites() {
		if i%4 == 0 {
			hidden[s] = true
		}
	}
	return hidden
}

// A quarter of the satellites is hidden for 1.5 s in every 10 and comes back with other
// whole numbers: their arcs go on, and so does the level; while they are hidden the
// position goes on from where it was with them.
func TestPath_MendsArcs(t *testing.T) {
	d := newDrive(25)
	d.rx.Phase = 0.002
	d.start()
	hidden := quarter(d)
	all := len(d.sky.Satellites())
	low, high := 1.0, 0.0
	lost := 0
	back, was := 0, 0.0 // arcs that were continued at the epoch before, and its variance
	for i := range 5 * 100 {
		now := i % 50 // first at the very epoch after the anchor
		if now == 8 {
			for s := range hidden {
				d.rx.Slip(s, l1, float64(3+i%7), true)
				d.rx.Slip(s, l5, float64(-5-i%3), true)
			}
		}
		edit := without(nil)
		if now < 8 {
			edit = without(hidden)
		}
		st := d.step(edit)
		h, _ := d.off(st)
		if st.Lack != None || h > 0.05 || h > bound(st, 0) {
			t.Fatalf("epoch %d: %v, %.3f m off, level %.3f m", i, st.Lack, h, bound(st, 0))
		}
		if i > 400 {
			low, high = min(low, bound(st, 0)), max(high, bound(st, 0))
		}
		v := st.Cov[0][0] + st.Cov[1][1]
		if back > 0 && v > was {
			t.Errorf("epoch %d: variance %.2g m² with %d more arcs, %.2g before", i, v, back, was)
		}
		if back, was = st.Back, v; back > 0 {
			lost--
		}
		if now == 0 {
			lost++
		}
		if now == 20 && st.Satellites != all {
			t.Fatalf("epoch %d: %d of %d satellites carried", i, st.Satellites, all)
		}
	}
	if lost > 0 {
		t.Errorf("arcs continued in all but %d of 10 laps", lost)
	}
	if high > 2.5*low {
		t.Errorf("level %.3f to %.3f m within a lap", low, high)
	}
}

// A phase that comes back between whole numbers, for want of half a cycle or by a
// clock that ran away meanwhile, is not gone on with.
func TestPath_MendsWholeCyclesOnly(t *testing.T) {
	for _, by := range []float64{0.5, 0.3, 7.5} {
		d := newDrive(25)
		d.start()
		hidden := quarter(d)
		for i := range 100 {
			edit := without(nil)
			if i < 8 {
				edit = without(hidden)
			}
			if i == 8 {
				for s := range hidden {
					d.rx.Slip(s, l1, by, true)
					d.rx.Slip(s, l5, by, true)
				}
			}
			st := d.step(edit)
			if h, _ := d.off(st); st.Lack != None || h > 0.003 {
				t.Fatalf("%g cycles, epoch %d: %v, %.3f m off", by, i, st.Lack, h)
			}
			// Before the position is handed over to all phases that are there.
			if i > 20 && d.path.anchor.from == d.path.anchor.time && st.Satellites > len(d.sky.Satellites())-len(hidden) {
				t.Fatalf("%g cycles, epoch %d: %d satellites carried", by, i, st.Satellites)
			}
		}
	}
}

// A slip that only the test of ours sees, by a whole number, is mended too.
func TestPath_MendsUnreportedSlips(t *testing.T) {
	d := newDrive(22)
	d.rx.Phase = 0.002
	d.start()
	sat := d.sky.Satellites()[2]
	for i := range 60 {
		if i == 10 {
			d.rx.Slip(sat, l1, 4, false)
		}
		st := d.step(nil)
		if h, _ := d.off(st); st.Lack != None || h > 0.02 {
			t.Fatalf("epoch %d: %v, %.3f m off", i, st.Lack, h)
		}
		if i > 20 && !d.path.body(sat).tracks[0].anchored {
			t.Fatalf("epoch %d: the phase that slipped is not carried", i)
		}
	}
}

func (p *Path) body(id satellite.ID) *body { return &p.sats[p.place[id.Index()]-1] }

// Under a bridge hardly a satellite is left, for a second and a half, and all come back
// with other whole numbers: the position goes on from where dead reckoning has it, and
// what that may be off is inside.
func TestPath_Rejoins(t *testing.T) {
	for _, left := range []int{0, 3, 4} {
		d := newDrive(26)
		d.rx.Phase = 0.002
		d.start()
		hidden := map[satellite.ID]bool{}
		for i, s := range d.sky.Satellites() {
			hidden[s] = i >= left
		}
		for range 40 {
			d.step(nil)
		}
		before := bound(d.path.State(), 0)
		for i := range 8 {
			st := d.step(without(hidden))
			if st.Lack != FewPhases {
				t.Fatalf("%d satellites left, epoch %d: %v", left, i, st.Lack)
			}
			if d.path.Rejoin(d.place(), [2]float64{}) {
				t.Fatalf("%d satellites left: carried on", left)
			}
		}
		for s := range hidden {
			if hidden[s] {
				d.rx.Slip(s, l1, 3, true)
				d.rx.Slip(s, l5, -4, true)
			}
		}
		d.step(nil)
		f := geodesy.NewFrame(d.place().LLA())
		if !d.path.Rejoin(f.ToECEF(geodesy.ENU{E: 0.04, N: -0.03, U: 0.05}), [2]float64{0.04 * 0.04, 0.1 * 0.1}) {
			t.Fatalf("%d satellites left: not carried on", left)
		}
		for i := range 100 {
			st := d.step(nil)
			h, u := d.off(st)
			if st.Lack != None || h < 0.03 || h > bound(st, 0) || u > bound(st, 1) || bound(st, 0) > before+0.35 {
				t.Fatalf("%d satellites left, epoch %d: %v, %.3f m off, level %.3f, before %.3f m", left, i, st.Lack, h, bound(st, 0), before)
			}
		}
		if age := d.path.State().Age; math.Abs(age-29.8) > 0.01 {
			t.Errorf("age %.2f s: counts from the known position", age)
		}
		if d.path.Rejoin(d.place(), [2]float64{}) {
			t.Error("rejoined without an interval")
		}
	}
	// Where the phases go on, dead reckoning does not move the position.
	d := newDrive(26)
	d.start()
	d.step(nil)
	if d.path.Rejoin(d.place(), [2]float64{1e-4, 1e-4}) {
		t.Error("rejoined although the phases go on")
	}
}
