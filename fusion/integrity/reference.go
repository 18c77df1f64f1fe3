package integrity

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// EpochFix is where the receiver has the car at a fixed epoch.
type EpochFix struct {
	Fix     int     // the same number means the same ambiguities
	Pos     r3.Vec  // m, ENU, body origin
	Arm     r3.Vec  // m, ENU, from there to the antenna
	Vel     r3.Vec  // m/s, ENU, the filter's
	Latency float64 // s, by which the epoch was placed in time
	White   [3]float64
}

// since returns the displacement since a, m, ENU: as if both had been placed in
// time by the same latency.
func (s *EpochFix) since(a *EpochFix) r3.Vec {
	return r3.Sub(r3.Sub(s.Pos, a.Pos), r3.Scale(s.Latency-a.Latency, a.Vel))
}

// decorrelated returns by how much the difference of the receiver's slow error
// over dt seconds varies, in units of its variance (Gauss-Markov, time constant
// tau, s).
func decorrelated(dt, tau float64) float64 { return 2 * (1 - math.Exp(-dt/tau)) }

// Comparison is the receiver's displacement beside that of a reference.
type Comparison struct {
	OK  bool
	Y   Vec3    // m, ENU, receiver less reference
	C   Sym3    // m²
	NIS float64 // 2 degrees of freedom
	Fix int     // of the epoch it begins at
	For float64 // s, its length
	Own float64 // m², mean variance of one axis by the reference's own errors
}

// References are the displacements that do not follow the filter: by wheels and
// gyro, and by the receiver's own velocity.
type References struct {
	Wheel    WheelPath
	Velocity VelocityPath
}

// Init prepares both.
func (r *References) Init() {
	r.Wheel.Reset()
	r.Wheel.car.init()
	r.Velocity.init()
}

// Runs reports whether either reference runs at host time t.
func (r *References) Runs(t float64) bool {
	return r.Wheel.ok || t-r.Velocity.t < reach
}

// Reset begins both anew: the position was set.
func (r *References) Reset() {
	r.Wheel.Reset()
	r.Velocity.Reset()
}

// blunt is the 1 sigma of a displacement, m, from which it says nothing of a
// receiver. Common practice, no source.
const blunt = 2.0

// compare compares the displacement since the marks of both references, either
// of which may be nil, to an epoch to which both were carried; whole as in
// VelocityPath.compare.
func (r *References) compare(o *wheelMark, d *velocityMark, now *EpochFix, e *PathError, whole bool) (w [2]Comparison) {
	if o != nil {
		w[0].Y, w[0].C = r.Wheel.compare(o, now, e)
		w[0].Own = own(&w[0].C, now, &o.EpochFix, e.Corr*e.Corr*decorrelated(r.Wheel.t-o.t, e.CorrTime))
		w[0].OK, w[0].Fix, w[0].For = true, o.Fix, r.Wheel.t-o.t
	}
	if d != nil && r.Velocity.here {
		w[1].Y, w[1].C = r.Velocity.compare(d, now, whole)
		q := &r.Velocity.noise
		w[1].Own = own(&w[1].C, now, &d.EpochFix, q.Corr*q.Corr*decorrelated(r.Velocity.t-d.t, q.CorrTime))
		w[1].OK, w[1].Fix, w[1].For = true, d.Fix, r.Velocity.t-d.t
	}
	for i := range w {
		if w[i].OK = w[i].OK && w[i].C[0][0]+w[i].C[1][1] < blunt*blunt; w[i].OK {
			w[i].NIS = NIS(&w[i].Y, &w[i].C, 2)
		}
	}
	return w
}

// own takes what is the receiver's off the covariance c of a comparison: the white
// noise of both epochs and the variance slow, m². The mean of both axes is left.
func own(c *Sym3, now, then *EpochFix, slow float64) float64 {
	white := now.White[0] + now.White[1] + then.White[0] + then.White[1]
	return math.Max(0, (c[0][0]+c[1][1]-white)/2-slow)
}

// byVelocity is the place of the comparison by reported velocity.
const byVelocity = 1

// Over compares the displacement over the last span seconds before t, by wheels and
// by reported velocity.
func (r *References) Over(t, span float64, now *EpochFix, e *PathError) [2]Comparison {
	return r.compare(r.Wheel.before(t, span), r.Velocity.before(t, span), now, e, false)
}

// record remembers both beside a fixed epoch.
func (r *References) record(now *EpochFix, e *PathError) {
	r.Wheel.record(now, e)
	r.Velocity.record(now)
}

// Learn takes what an epoch of a receiver that is believed, to which both were
// carried, says of their errors.
func (r *References) Learn(now *EpochFix) { r.Velocity.learn(now) }

// Suspect says that the receiver of late may not have been where it said.
func (r *References) Suspect() { r.Velocity.dropWaiting() }

// LearnCar takes what such an epoch says of the car's handling; it need not be
// proven, a displacement is the same from a wrong place.
func (r *References) LearnCar(now *EpochFix, e *PathError) { r.Wheel.learn(now, e) }

// Mark is both references as they stand at an epoch to which they were carried.
type Mark struct{ marks }

// Mark returns them.
func (r *References) Mark(now *EpochFix, e *PathError) (k Mark) {
	if o := &r.Wheel; o.ok {
		k.wheel = o.markAt(now, e)
	}
	if o := &r.Velocity; o.here {
		k.velocity = o.markAt(now)
	}
	return k
}

// Sharpest returns the comparison since k whose horizontal covariance is
// smallest; OK is false where neither reference reaches back to it.
func (r *References) Sharpest(k *Mark, now *EpochFix, e *PathError) (best Comparison) {
	for _, w := range r.since(&k.marks, now, e) {
		if w.OK && (!best.OK || w.C[0][0]+w.C[1][1] < best.C[0][0]+best.C[1][1]) {
			best = w
		}
	}
	return best
}

// Tear notes that the filter broke off: wheels and gyro begin anew, the path by
// reported velocity goes on without the filter.
func (r *References) Tear() {
	r.Wheel.Reset()
	r.Velocity.torn = true
}

// marks are both references as they stood at an earlier epoch. One of another
// run than the path's, or none, is of no use.
type marks struct {
	wheel    wheelMark
	velocity velocityMark
}

// oldest returns the marks span seconds before t, or the oldest there are.
func (r *References) oldest(t, span float64) (k marks) {
	if a := r.Wheel.oldest(t, span); a != nil {
		k.wheel = *a
	}
	if a := r.Velocity.oldest(t, span); a != nil {
		k.velocity = *a
	}
	return k
}

// since compares the displacement since marks k, as far as they are of this run.
func (r *References) since(k *marks, now *EpochFix, e *PathError) [2]Comparison {
	var o *wheelMark
	var d *velocityMark
	if k.wheel.run == r.Wheel.run {
		o = &k.wheel
	}
	if k.velocity.run == r.Velocity.run {
		d = &k.velocity
	}
	return r.compare(o, d, now, e, true)
}

// turned returns v turned counter-clockwise about up by a.
func turned(v r3.Vec, a float64) r3.Vec {
	sin, cos := math.Sincos(a)
	return r3.Vec{X: cos*v.X - sin*v.Y, Y: sin*v.X + cos*v.Y, Z: v.Z}
}
