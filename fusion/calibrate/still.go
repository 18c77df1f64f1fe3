package calibrate

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion/navigation"
)

const (
	stillBlock = 0.5  // s, stretches judged as still or not
	stillWheel = 0.05 // wheel speed below which the car may stand, whatever its unit
	stillGNSS  = 0.15 // m/s, the same for the receiver's speed, fixed or float
	stillLoose = 0.5  // m/s, and otherwise
)

// span is a range of inertial samples.
type span struct{ from, to int }

// still finds the stretches in which the car stands: wheel, or without one the
// receiver, says so, and the inertial sensor is not much livelier than usual
// then. The readings may still be in wrong units, so that is a comparison.
// Without wheel and receiver the quietest parts count. Each stretch has lost a
// block at either end.
func (c *calibrator) still() []span {
	type block struct {
		span
		vw, vf float64 // variances of rate and specific force
		slow   bool
	}
	var blocks []block
	var vw, vf []float64 // of the slow ones
	usual := 0.5         // the quantile that counts as usual
	if len(c.Wheel)+len(c.Epochs) == 0 {
		usual = 0.05
	}
	iw, ie := 0, 0
	number := func(i int) float64 { return math.Floor((c.IMU[i].T - c.IMU[0].T) / stillBlock) }
	for i := 0; i < len(c.IMU); {
		this := number(i)
		begin := c.IMU[0].T + stillBlock*this
		b := block{span: span{from: i}}
		var w, f r3.Vec
		for ; i < len(c.IMU) && number(i) == this; i++ {
			w, f = r3.Add(w, c.IMU[i].W), r3.Add(f, c.IMU[i].F)
		}
		b.to = i
		n := float64(b.to - b.from)
		w, f = r3.Scale(1/n, w), r3.Scale(1/n, f)
		for _, x := range c.IMU[b.from:b.to] {
			b.vw += r3.Norm2(r3.Sub(x.W, w)) / n
			b.vf += r3.Norm2(r3.Sub(x.F, f)) / n
		}
		b.slow = c.slow(begin, begin+stillBlock, &iw, &ie)
		if b.slow {
			vw, vf = append(vw, b.vw), append(vf, b.vf)
		}
		blocks = append(blocks, b)
	}
	if len(vw) == 0 {
		return nil
	}
	slices.Sort(vw)
	slices.Sort(vf)
	k := int(usual * float64(len(vw)))
	limit := func(v float64) float64 {
		if v == 0 {
			return math.Inf(1) // a coarse sensor that reads the same all the time
		}
		return 10 * v
	}
	lw, lf := limit(vw[k]), limit(vf[k])
	var out []span
	for i := 0; i < len(blocks); i++ {
		j := i
		for j < len(blocks) && blocks[j].slow && blocks[j].vw <= lw && blocks[j].vf <= lf {
			j++
		}
		if j-i >= 4 {
			out = append(out, span{blocks[i+1].from, blocks[j-2].to})
		}
		i = max(i, j-1)
	}
	return out
}

// slow reports whether wheel or receiver say that the car stands throughout
// [from, to). iw and ie are the wheel sample and epoch to look at next.
func (c *calibrator) slow(from, to float64, iw, ie *int) bool {
	if len(c.Wheel)+len(c.Epochs) == 0 {
		return true
	}
	seen, stands := false, true
	for ; *iw < len(c.Wheel) && c.Wheel[*iw].T < to; *iw++ {
		if x := c.Wheel[*iw]; x.T >= from {
			seen = true
			stands = stands && math.Abs(x.V) < stillWheel
		}
	}
	for ; *ie < len(c.Epochs) && c.Epochs[*ie].T < to; *ie++ {
		e := &c.Epochs[*ie]
		if len(c.Wheel) > 0 || e.T < from {
			continue
		}
		limit := stillLoose
		if e.Class >= navigation.ClassFloat {
			limit = stillGNSS
		}
		seen = true
		stands = stands && e.Speed < limit // an unknown speed is no rest
	}
	return seen && stands
}

// signals returns the six signals of the still parts, rates (rad/s) then
// specific forces (m/s^2), each broken where samples are missing.
func (c *calibrator) signals(parts []span) (s [6]runs) {
	gap := 3 * c.period()
	for _, p := range parts {
		for i := p.from; i < p.to; {
			j := i + 1
			for j < p.to && c.IMU[j].T-c.IMU[j-1].T < gap {
				j++
			}
			for k := range s {
				y := make([]float64, 0, j-i)
				for _, x := range c.IMU[i:j] {
					y = append(y, axes(&x)[k])
				}
				s[k] = append(s[k], y)
			}
			i = j
		}
	}
	return s
}

func axes(x *navigation.Sample) [6]float64 {
	return [6]float64{x.W.X, x.W.Y, x.W.Z, x.F.X, x.F.Y, x.F.Z}
}
