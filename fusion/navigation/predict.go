package navigation

import (
	"math"

	"kerbline/fusion/eskf"

	"gonum.org/v1/gonum/spatial/r3"
)

// Prediction is the filter's output carried to now.
type Prediction struct {
	State eskf.State
	P     [eskf.NErr][eskf.NErr]float64
	W     r3.Vec // rad/s, body, bias removed
	F     r3.Vec // m/s^2, body, bias removed
}

// Predict fills d.Pred for host time now.
func (d *Driver) Predict(now float64) {
	p, q, f := &d.Pred, &d.IMU, &d.Filter
	p.State = f.State
	x := &p.State
	for i := q.head; i != q.tail; i++ {
		s := &q.ring[i%imuRing]
		if dt := s.T - x.T; dt > 0 {
			x.Integrate(s.W, s.F, math.Min(dt, d.set.IMU.Gap), &f.Params)
			x.T = s.T
		}
	}
	if dt := now - x.T; dt > 0 {
		x.Integrate(q.Last.W, q.Last.F, math.Min(dt, 0.5), &f.Params)
		x.T = now
	}
	d.CovNow(&p.P, now)
	p.W = r3.Sub(q.MeanW, f.GyroBias)
	p.F = r3.Sub(q.MeanF, f.AccBias)
}

// CovNow writes the filter's covariance carried to host time now to p.
func (d *Driver) CovNow(p *[eskf.NErr][eskf.NErr]float64, now float64) {
	d.Filter.CovAhead(p, d.IMU.MeanW, d.IMU.MeanF, now-d.Filter.T)
}

// OriginCov returns the covariance of the body origin's position under p, m², ENU.
// The sensor's place forward was estimated for the antenna's too: what the two
// tapes leave of it is added.
func (d *Driver) OriginCov(s *eskf.State, p *[eskf.NErr][eskf.NErr]float64) [3][3]float64 {
	c := s.OriginCov(p)
	a, b := d.set.LeverSigma*d.set.LeverSigma, d.set.IMU.PositionSigma*d.set.IMU.PositionSigma
	if a == 0 || b == 0 {
		return c
	}
	v := a * b / (a + b)
	n, e := math.Sincos(s.Yaw())
	c[0][0] += v * e * e
	c[0][1] += v * e * n
	c[1][0] += v * e * n
	c[1][1] += v * n * n
	return c
}

// slipWander is side slip that does not follow lateral acceleration, 1 sigma, rad: no
// state holds it, and the body's heading is off by it.
const slipWander = 0.0015

// YawVariance returns the variance of the body's yaw under p, rad².
func (d *Driver) YawVariance(s *eskf.State, p *[eskf.NErr][eskf.NErr]float64) float64 {
	return s.YawVariance(p) + slipWander*slipWander
}
