package eskf

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Imperfect is what is wrong with an inertial sensor beyond bias and scale about
// up, 1 sigma each. It is estimated by no state: what it does follows the
// motion, a corner one way and the next the other, and enters as process noise.
// A constant that repeats is no white noise; taken as one over [motionMemory]
// it is not smaller than what it does to velocity and attitude in a corner.
type Imperfect struct {
	AccScale  float64 // share: scale of an accelerometer, and of each axis into another
	GyroCross float64 // share of the turn about up that shows about forward and left
	GyroScale float64 // share of the turn about up by which its scale is not one number
	GyroPerG  float64 // rad/s per m/s²: what a gyro reads of specific force
}

// motionMemory is for how long what an imperfect sensor reads of the motion
// goes on as it is: about a corner, s.
const motionMemory = 1.0

// Widen returns the noise densities acc (m/s²/√Hz) and gyro (rad/s/√Hz) of the
// axes with what turn rate w (rad/s) and specific force f (m/s²) add to them;
// sensor axes, biases taken off.
func (q *Imperfect) Widen(acc, gyro, w, f r3.Vec, gravity float64) (r3.Vec, r3.Vec) {
	f.Z -= gravity
	k := math.Sqrt(2 * motionMemory)
	force := k * r3.Norm(f)
	a := q.AccScale * force
	tilt := math.Hypot(q.GyroPerG*force, k*q.GyroCross*w.Z)
	yaw := math.Hypot(q.GyroPerG*force, k*q.GyroScale*w.Z)
	return r3.Vec{X: math.Hypot(acc.X, a), Y: math.Hypot(acc.Y, a), Z: math.Hypot(acc.Z, a)},
		r3.Vec{X: math.Hypot(gyro.X, tilt), Y: math.Hypot(gyro.Y, tilt), Z: math.Hypot(gyro.Z, yaw)}
}

// SetNoise takes the noise densities of the axes: of forward and left the
// larger, of up its own. The sensor stands about level.
func (p *Params) SetNoise(acc, gyro r3.Vec) {
	more := func(x, y float64) float64 { return math.Sqrt(max(0, x*x-y*y)) }
	p.AccNoise = max(acc.X, acc.Y)
	p.UpNoise = more(acc.Z, p.AccNoise)
	p.GyroNoise = gyro.Z
	p.TiltNoise = more(max(gyro.X, gyro.Y), gyro.Z)
}
