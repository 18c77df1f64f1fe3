package rtcm

import (
	"fmt"
	"math"
)

// fields walks the fields of a message in their order, reading or writing each:
// one description serves both directions. It reads when w is nil.
type fields struct {
	r   reader
	w   *bitWriter
	err error // the first value that did not fit
}

func (f *fields) writing() bool { return f.w != nil }

func (f *fields) fail(v float64, n int) {
	if f.err == nil {
		f.err = fmt.Errorf("rtcm: value %g does not fit a field of %d bits", v, n)
	}
}

// uint is an unsigned field of n bits.
func (f *fields) uint(v *int, n int) {
	if !f.writing() {
		*v = int(f.r.u(n))
		return
	}
	if *v < 0 || uint64(*v) >= 1<<n {
		f.fail(float64(*v), n)
	}
	f.w.put(uint64(*v), n)
}

func (f *fields) flag(v *bool) {
	k := int(bit(*v))
	f.uint(&k, 1)
	*v = k != 0
}

// unsigned is a scaled field of n bits, signed one in two's complement.
func (f *fields) unsigned(v *float64, n int, scale float64) { f.scaled(v, n, scale, 0, 1<<n-1) }
func (f *fields) signed(v *float64, n int, scale float64) {
	f.scaled(v, n, scale, -1<<(n-1), 1<<(n-1)-1)
}

func (f *fields) scaled(v *float64, n int, scale float64, least, most int64) {
	if !f.writing() {
		if least < 0 {
			*v = float64(f.r.s(n)) * scale
		} else {
			*v = float64(f.r.u(n)) * scale
		}
		return
	}
	x := math.Round(*v / scale)
	if !(x >= float64(least) && x <= float64(most)) {
		f.fail(*v, n)
		x = 0
	}
	f.w.put(uint64(int64(x)), n)
}

// magnitude is a scaled field of n bits, sign first, then the magnitude
// (GLONASS). Minus zero reads as zero with its sign kept.
func (f *fields) magnitude(v *float64, n int, scale float64) {
	if !f.writing() {
		minus := f.r.flag()
		*v = float64(f.r.u(n-1)) * scale
		if minus {
			*v = -*v
		}
		return
	}
	x := math.Round(math.Abs(*v) / scale)
	if !(x <= float64(int64(1)<<(n-1)-1)) {
		f.fail(*v, n)
		x = 0
	}
	f.w.put(bit(math.Signbit(*v)), 1)
	f.w.put(uint64(x), n-1)
}

// p2 is 2^-n.
func p2(n int) float64 { return math.Ldexp(1, -n) }

// half is 2^-n semicircles in rad.
func half(n int) float64 { return math.Ldexp(math.Pi, -n) }
