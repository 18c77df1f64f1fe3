package integrity

import "math"

// handling is how wheels and tyres depart from one scale and one slip: learned from
// what the wheel path and a believed receiver differ by over some seconds, and until
// then in the covariance. Sizes are those of cars, common practice, no source.
//
//	sideways: slip·a + bend·a³, tyres give towards their limit
//	forward:  wheel = scale·v·(1 + pull·dv/dt), a driven wheel turns faster than the road
type handling struct {
	x  [3]float64    // slip beside the filter's, rad/(m/s²); bend, rad/(m/s²)³; pull, share per m/s²
	p  [3][3]float64 // covariance
	at float64       // host s, when learned last
}

// handlingPrior is what is not known before the first turn, 1 sigma: a sixth of a
// usual slip; a third more slip at 8 m/s²; 1.2 % of slip of a wheel at 3 m/s².
var handlingPrior = [3]float64{0.0005, 2.5e-5, 0.004}

const (
	handlingSpan   = 4.0   // s, of a displacement that is learned from
	handlingForget = 900.0 // s: tyres warm up and wear
	handlingGate   = 13.8  // of a displacement, chi squared of 2, 1 in 1000
)

func (q *handling) init() {
	*q = handling{at: math.NaN()}
	for i, s := range handlingPrior {
		q.p[i][i] = s * s
	}
}

// explain takes what is known of it off the difference y with covariance c, and adds
// what is not; h is the displacement by a unit of each, east and north.
func (q *handling) explain(h *[3][2]float64, y *Vec3, c *Sym3) {
	for k := range 2 {
		for i := range 3 {
			y[k] -= q.x[i] * h[i][k]
			for l := range 2 {
				for j := range 3 {
					c[k][l] += h[i][k] * q.p[i][j] * h[j][l]
				}
			}
		}
	}
}

// learn takes the difference y with covariance c, at host time t.
func (q *handling) learn(t float64, h *[3][2]float64, y Vec3, c Sym3) {
	if dt := t - q.at; dt > 0 {
		for i, s := range handlingPrior {
			q.p[i][i] = math.Min(s*s, q.p[i][i]+s*s*dt/handlingForget)
		}
	}
	q.at = t
	q.explain(h, &y, &c)
	det := c[0][0]*c[1][1] - c[0][1]*c[1][0]
	if !(det > 0) || !(NIS(&y, &c, 2) < handlingGate) {
		return
	}
	inv := [2][2]float64{{c[1][1] / det, -c[0][1] / det}, {-c[1][0] / det, c[0][0] / det}}
	var ph, gain [3][2]float64
	for i := range 3 {
		for k := range 2 {
			for j := range 3 {
				ph[i][k] += q.p[i][j] * h[j][k]
			}
		}
		for k := range 2 {
			gain[i][k] = ph[i][0]*inv[0][k] + ph[i][1]*inv[1][k]
		}
	}
	for i := range 3 {
		q.x[i] += gain[i][0]*y[0] + gain[i][1]*y[1]
		for j := range 3 {
			q.p[i][j] -= gain[i][0]*ph[j][0] + gain[i][1]*ph[j][1]
		}
	}
}
