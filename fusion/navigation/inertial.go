package navigation

import (
	"math"

	"kerbline/fusion/eskf"

	"gonum.org/v1/gonum/spatial/r3"
)

const imuRing = 4096 // samples kept: 4 s at 1 kHz

// What the samples say by themselves. Shares are those of one sample in an
// exponential mean. Common practice, no source.
const (
	meanShare = 0.05 // of rate and specific force: some 0.1 s at 200 Hz
	varShare  = 0.02 // of the variance and of the usual interval: some 0.25 s at 200 Hz
	slowShare = 0.01 // of the force that a pull shows in: some 0.5 s at 200 Hz

	restTurn  = 0.05 // rad/s beyond the bias: a car that stands turns by less
	restShake = 0.15 // m/s², 1 sigma of one axis at high frequency: an engine at idle shakes by less
	restPull  = 0.12 // m/s²: a car that moves off pulls by more
)

// What the wheel samples say. Common practice, no source.
const (
	wheelShare = 0.05 // of a sample in the usual interval
	noiseShare = 0.02 // of a sample in the noise
	noiseClose = 0.03 // s: samples further apart show the car's motion, not noise
	noiseSpike = 25.0 // times the variance, at most, that one sample counts: a spinning wheel
	noiseLeast = 1e-4 // (m/s)², the variance from which a spike counts
	wheelSlow  = 1.0  // s: a longer interval is a gap and not usual
	wheelFresh = 0.3  // s without a sample for which wheel speed counts as coming in
	wheelReach = 0.2  // s between two samples that show an acceleration
	tyreGrip   = 12.0 // m/s², most by which a speed is carried on
)

// Sample is one reading of the inertial sensor in body axes.
type Sample struct {
	T    float64 // host s, end of the interval the sample is the mean of
	W, F r3.Vec  // rad/s, m/s^2, body forward-left-up
}

// Inertial buffers IMU samples until the filter asks for them, and watches
// what they say by themselves: rate, vibration, rest, saturation.
type Inertial struct {
	ring       [imuRing]Sample
	head, tail uint64 // next to integrate, next to write
	Last       Sample
	N          uint64  // samples taken
	Period     float64 // s, usual
	GapEnd     float64 // host s at which the last gap in the samples ended
	GapLength  float64 // s
	Saturated  float64 // host s of the last saturated sample

	// High-frequency variance of one axis, from first differences (white noise
	// of variance s has differences of variance 2s).
	AccVar       float64
	acc, gyro    eskf.Roughness
	slowF        r3.Vec // m/s², exponential mean over about 100 samples
	MeanW, MeanF r3.Vec // exponential means over about 0.1 s

	RestSince  float64 // host s since which the data look like rest, NaN when they do not
	RestEnd    float64 // host s at which the last rest ended, NaN before
	sumW, sumF r3.Vec  // over the present rest
	RestCount  float64 // samples in it
}

// Reset forgets all samples.
func (q *Inertial) Reset() {
	*q = Inertial{RestSince: math.NaN(), RestEnd: math.NaN(), GapEnd: math.NaN(), Saturated: math.NaN()}
	q.Last.T = math.NaN()
}

// Push takes one sample; rest says whether wheel and receiver allow rest, and
// bias is the gyro bias believed so far. It returns the interval since the
// sample before, NaN for the first, and false when time did not advance.
func (q *Inertial) Push(s Sample, rest bool, bias r3.Vec, gap float64) (dt float64, ok bool) {
	dt = s.T - q.Last.T
	if !(dt > 0) && q.N > 0 {
		return dt, false
	}
	first := q.N == 0 || dt > gap
	if q.N == 0 {
		dt = math.NaN()
	}
	q.ring[q.tail%imuRing] = s
	q.tail++
	if q.tail-q.head > imuRing {
		q.head = q.tail - imuRing
	}
	q.N++
	if first {
		q.MeanW, q.MeanF = s.W, s.F
		q.acc.Restart()
		q.gyro.Restart()
		q.RestSince = math.NaN()
	} else {
		q.AccVar += varShare * (r3.Norm2(r3.Sub(s.F, q.Last.F))/6 - q.AccVar)
		if q.Period == 0 {
			q.Period = dt
		}
		q.Period += varShare * (dt - q.Period)
		q.acc.Push(s.F, q.Period)
		q.gyro.Push(s.W, q.Period)
		q.MeanW = r3.Add(q.MeanW, r3.Scale(meanShare, r3.Sub(s.W, q.MeanW)))
		q.MeanF = r3.Add(q.MeanF, r3.Scale(meanShare, r3.Sub(s.F, q.MeanF)))
	}
	q.Last = s
	// Rest: nothing turns, nothing shakes, nothing pulls, and wheel or receiver
	// agree.
	q.slowF = r3.Add(q.slowF, r3.Scale(slowShare, r3.Sub(s.F, q.slowF)))
	if first {
		q.slowF = s.F
	}
	if q.RestCount > 1/slowShare && !math.IsNaN(q.RestSince) {
		_, f := q.RestMeans()
		rest = rest && r3.Norm(r3.Sub(q.slowF, f)) < restPull
	}
	if rest && r3.Norm(r3.Sub(q.MeanW, bias)) < restTurn && q.AccVar < restShake*restShake {
		if math.IsNaN(q.RestSince) {
			q.RestSince, q.RestCount, q.sumW, q.sumF = s.T, 0, r3.Vec{}, r3.Vec{}
		}
		q.RestCount++
		q.sumW, q.sumF = r3.Add(q.sumW, s.W), r3.Add(q.sumF, s.F)
	} else if !math.IsNaN(q.RestSince) {
		q.RestSince, q.RestEnd = math.NaN(), s.T
	}
	return dt, true
}

// Before reports whether all samples are from before host time t.
func (q *Inertial) Before(t float64) bool { return !(q.Last.T >= t) }

// RestFor returns for how long the data have looked like rest, s.
func (q *Inertial) RestFor() float64 {
	if math.IsNaN(q.RestSince) {
		return 0
	}
	return q.Last.T - q.RestSince
}

// RestMeans returns mean rate and specific force over the present rest.
func (q *Inertial) RestMeans() (w, f r3.Vec) {
	return r3.Scale(1/q.RestCount, q.sumW), r3.Scale(1/q.RestCount, q.sumF)
}

// next returns the oldest sample not yet integrated, nil when there is none.
func (q *Inertial) next() *Sample {
	if q.head == q.tail {
		return nil
	}
	return &q.ring[q.head%imuRing]
}

const wheelRing = 1024 // samples kept: 4 s at 256 Hz

// WheelSample is one reading of the wheel speed: host s, m/s.
type WheelSample struct{ T, V float64 }

// Wheels buffers wheel speed until the filter asks for it.
type Wheels struct {
	ring       [wheelRing]WheelSample
	head, tail uint64
	Last       WheelSample // newest
	Now, old   WheelSample // newest at or before the filter's time, and the one before
	N          uint64      // samples taken
	Period     float64     // s, usual
	before     float64     // m/s, the sample before last
	noise      float64     // (m/s)², white noise of one sample, as the samples show it
	fused      float64     // host s of the last one fused
	every      float64     // s between those fused, usual: at least WheelEvery, on the grid of the samples
	Refused    int         // refused in a row
}

// Reset forgets all samples.
func (q *Wheels) Reset() {
	*q = Wheels{fused: math.NaN(), every: WheelEvery}
	q.Last.T, q.Now.T, q.old.T = math.NaN(), math.NaN(), math.NaN()
}

// took notes that wheels or tyres were fused at host time t.
func (q *Wheels) took(t float64) {
	if dt := t - q.fused; dt < 1 {
		q.every += (dt - q.every) / 50
	}
	q.fused = t
}

// Push takes one sample and reports whether time advanced.
func (q *Wheels) Push(s WheelSample) bool {
	dt := s.T - q.Last.T
	if !(dt > 0) && q.N > 0 {
		return false
	}
	if q.N == 1 {
		q.Period = dt
	} else if q.N > 1 && dt < wheelSlow {
		q.Period += wheelShare * (dt - q.Period)
	}
	// The second difference of white noise has six times its variance. No car
	// shows in it when samples are close; a spinning wheel does, for a sample or
	// two.
	if q.N > 2 && q.Period < noiseClose && dt < 2*q.Period {
		d := s.V - 2*q.Last.V + q.before
		q.noise += noiseShare * (min(d*d/6, noiseSpike*max(q.noise, noiseLeast)) - q.noise)
	}
	q.before = q.Last.V
	q.ring[q.tail%wheelRing] = s
	q.tail++
	if q.tail-q.head > wheelRing {
		q.head = q.tail - wheelRing
	}
	q.N++
	q.Last = s
	return true
}

// Sigma returns a noise of wheel speed (m/s) that covers the configured one and
// what the samples show.
func (q *Wheels) Sigma(configured float64) float64 {
	return math.Sqrt(max(configured*configured, q.noise))
}

// Until moves on to the newest sample at or before t: it becomes now.
func (q *Wheels) Until(t float64) {
	for q.head != q.tail {
		s := &q.ring[q.head%wheelRing]
		if s.T > t {
			break
		}
		q.old, q.Now = q.Now, *s
		q.head++
	}
}

// At returns the wheel speed at t, carried on from the two newest samples no
// faster than tyres can accelerate a car.
func (q *Wheels) At(t float64) float64 {
	if dt := q.Now.T - q.old.T; dt > 0 && dt < wheelReach {
		a := (q.Now.V - q.old.V) / dt
		return q.Now.V + math.Max(-tyreGrip, math.Min(tyreGrip, a))*(t-q.Now.T)
	}
	return q.Now.V
}

// due returns the time of the next sample that is to be fused, NaN when it is
// not there yet.
func (q *Wheels) due() float64 {
	for i := q.head; i != q.tail; i++ {
		if s := &q.ring[i%wheelRing]; !(s.T-q.fused < WheelEvery) {
			return s.T
		}
	}
	return math.NaN()
}

// Fresh reports whether wheel speed is coming in at time t.
func (q *Wheels) Fresh(t float64) bool { return q.N > 0 && t-q.Last.T < wheelFresh }
