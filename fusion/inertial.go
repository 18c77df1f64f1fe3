package fusion

import (
	"math"

	"kerbline/fusion/eskf"

	"gonum.org/v1/gonum/spatial/r3"
)

const imuRing = 4096 // samples kept: 4 s at 1 kHz

type imuSample struct {
	t    float64 // host s, end of the interval the sample is the mean of
	w, f r3.Vec  // rad/s, m/s^2, body forward-left-up
}

// inertial buffers IMU samples until the filter asks for them, and watches
// what they say by themselves: rate, vibration, rest, saturation.
type inertial struct {
	ring       [imuRing]imuSample
	head, tail uint64 // next to integrate, next to write
	last       imuSample
	n          uint64  // samples taken
	period     float64 // s, usual
	gapEnd     float64 // host s at which the last hole in the samples ended
	gap        float64 // s, how long it was
	saturated  float64 // host s of the last saturated sample

	// High-frequency variance of one axis, from first differences (white noise
	// of variance s has differences of variance 2s).
	accVar       float64
	acc, gyro    eskf.Roughness
	wMean, fMean r3.Vec // exponential means over about 0.1 s

	restSince  float64 // host s since which the data look like rest, NaN when they do not
	sumW, sumF r3.Vec  // over the present rest
	nRest      float64
}

func (q *inertial) reset() {
	*q = inertial{restSince: math.NaN(), gapEnd: math.NaN(), saturated: math.NaN()}
	q.last.t = math.NaN()
}

// push takes one sample; rest says whether wheel and receiver allow rest, and
// bias is the gyro bias believed so far. It returns the interval since the
// sample before, NaN for the first, and false when time did not advance.
func (q *inertial) push(s imuSample, rest bool, bias r3.Vec, gap float64) (dt float64, ok bool) {
	dt = s.t - q.last.t
	if !(dt > 0) && q.n > 0 {
		return dt, false
	}
	first := q.n == 0 || dt > gap
	if q.n == 0 {
		dt = math.NaN()
	}
	q.ring[q.tail%imuRing] = s
	q.tail++
	if q.tail-q.head > imuRing {
		q.head = q.tail - imuRing
	}
	q.n++
	if first {
		q.wMean, q.fMean = s.w, s.f
		q.acc.Restart()
		q.gyro.Restart()
		q.restSince = math.NaN()
	} else {
		const a = 0.02
		q.accVar += a * (r3.Norm2(r3.Sub(s.f, q.last.f))/6 - q.accVar)
		q.acc.Push(s.f, q.period)
		q.gyro.Push(s.w, q.period)
		if q.period == 0 {
			q.period = dt
		}
		q.period += a * (dt - q.period)
		const b = 0.05
		q.wMean = r3.Add(q.wMean, r3.Scale(b, r3.Sub(s.w, q.wMean)))
		q.fMean = r3.Add(q.fMean, r3.Scale(b, r3.Sub(s.f, q.fMean)))
	}
	q.last = s
	// Rest: nothing turns, nothing shakes, and wheel or receiver agree.
	if rest && r3.Norm(r3.Sub(q.wMean, bias)) < 0.05 && q.accVar < 0.15*0.15 {
		if math.IsNaN(q.restSince) {
			q.restSince, q.nRest, q.sumW, q.sumF = s.t, 0, r3.Vec{}, r3.Vec{}
		}
		q.nRest++
		q.sumW, q.sumF = r3.Add(q.sumW, s.w), r3.Add(q.sumF, s.f)
	} else {
		q.restSince = math.NaN()
	}
	return dt, true
}

// restFor returns for how long the data have looked like rest, s.
func (q *inertial) restFor() float64 {
	if math.IsNaN(q.restSince) {
		return 0
	}
	return q.last.t - q.restSince
}

// restMeans returns mean rate and specific force over the present rest.
func (q *inertial) restMeans() (w, f r3.Vec) {
	return r3.Scale(1/q.nRest, q.sumW), r3.Scale(1/q.nRest, q.sumF)
}

// next returns the oldest sample not yet integrated, nil when there is none.
func (q *inertial) next() *imuSample {
	if q.head == q.tail {
		return nil
	}
	return &q.ring[q.head%imuRing]
}

const wheelRing = 1024 // samples kept: 4 s at 256 Hz

type wheelSample struct{ t, v float64 }

// wheels buffers wheel speed until the filter asks for it.
type wheels struct {
	ring       [wheelRing]wheelSample
	head, tail uint64
	last       wheelSample // newest
	now, old   wheelSample // newest at or before the filter's time, and the one before
	n          uint64
	period     float64
	before     float64 // m/s, the sample before last
	noise      float64 // (m/s)², white noise of one sample, as the samples show it
	fused      float64 // host s of the last one fused
	refused    int     // refused in a row
}

func (q *wheels) reset() {
	*q = wheels{fused: math.NaN()}
	q.last.t, q.now.t, q.old.t = math.NaN(), math.NaN(), math.NaN()
}

func (q *wheels) push(s wheelSample) bool {
	dt := s.t - q.last.t
	if !(dt > 0) && q.n > 0 {
		return false
	}
	if q.n == 1 {
		q.period = dt
	} else if q.n > 1 && dt < 1 {
		q.period += 0.05 * (dt - q.period)
	}
	// The second difference of white noise has six times its variance. No car
	// shows in it when samples are close; a spinning wheel does, for a sample or
	// two.
	if q.n > 2 && q.period < 0.03 && dt < 2*q.period {
		d := s.v - 2*q.last.v + q.before
		q.noise += 0.02 * (min(d*d/6, 25*max(q.noise, 1e-4)) - q.noise)
	}
	q.before = q.last.v
	q.ring[q.tail%wheelRing] = s
	q.tail++
	if q.tail-q.head > wheelRing {
		q.head = q.tail - wheelRing
	}
	q.n++
	q.last = s
	return true
}

// sigma returns a noise of wheel speed (m/s) that covers the configured one and
// what the samples show.
func (q *wheels) sigma(configured float64) float64 {
	return math.Sqrt(max(configured*configured, q.noise))
}

// until moves on to the newest sample at or before t: it becomes now.
func (q *wheels) until(t float64) {
	for q.head != q.tail {
		s := &q.ring[q.head%wheelRing]
		if s.t > t {
			break
		}
		q.old, q.now = q.now, *s
		q.head++
	}
}

// at returns the wheel speed at t, carried on from the two newest samples no
// faster than tyres can accelerate a car.
func (q *wheels) at(t float64) float64 {
	const grip = 12.0 // m/s²
	if dt := q.now.t - q.old.t; dt > 0 && dt < 0.2 {
		a := (q.now.v - q.old.v) / dt
		return q.now.v + math.Max(-grip, math.Min(grip, a))*(t-q.now.t)
	}
	return q.now.v
}

// due returns the time of the next sample that is to be fused, NaN when it is
// not there yet.
func (q *wheels) due() float64 {
	for i := q.head; i != q.tail; i++ {
		if s := &q.ring[i%wheelRing]; !(s.t-q.fused < wheelEvery) {
			return s.t
		}
	}
	return math.NaN()
}

// fresh reports whether wheel speed is coming in at time t.
func (q *wheels) fresh(t float64) bool { return q.n > 0 && t-q.last.t < 0.3 }
