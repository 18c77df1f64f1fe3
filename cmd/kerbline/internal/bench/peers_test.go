package bench

import (
	"bufio"
	"bytes"
	"math"
	"strconv"
	"strings"
	"testing"

	gonmea "github.com/adrianmo/go-nmea"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"kerbline/fusion"
	"kerbline/fusion/eskf"
	"kerbline/gnss/nmea"
	"kerbline/gnss/rtcm"
)

// dense is a textbook error-state filter: 15 states, matrices multiplied in
// full by gonum. Order of the errors: position, velocity, attitude (body side),
// gyro bias, accelerometer bias.
type dense struct {
	p, v, bg, ba r3.Vec
	q            quat.Number
	g            float64
	gyro, acc    float64 // noise densities

	P, F, t, H, K, PHt, J *mat.Dense
}

const nDense = 15

func newDense(v r3.Vec, sigma [5]float64) *dense {
	sq := func(r, c int) *mat.Dense { return mat.NewDense(r, c, nil) }
	d := &dense{v: v, q: quat.Number{Real: 1}, P: sq(nDense, nDense), F: sq(nDense, nDense), t: sq(nDense, nDense), J: sq(nDense, nDense),
		H: sq(3, nDense), K: sq(nDense, 3), PHt: sq(nDense, 3)}
	for i := range nDense {
		d.P.Set(i, i, sigma[i/3]*sigma[i/3])
	}
	return d
}

func skew(v r3.Vec) [3][3]float64 {
	return [3][3]float64{{0, -v.Z, v.Y}, {v.Z, 0, -v.X}, {-v.Y, v.X, 0}}
}

// block sets rows and columns from (r, c) to s·A·B.
func block(m *mat.Dense, r, c int, s float64, a, b [3][3]float64) {
	for i := range 3 {
		for j := range 3 {
			sum := 0.0
			for k := range 3 {
				sum += a[i][k] * b[k][j]
			}
			m.Set(r+i, c+j, s*sum)
		}
	}
}

var one = [3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}

func apply(m [3][3]float64, v r3.Vec) r3.Vec {
	return r3.Vec{X: m[0][0]*v.X + m[0][1]*v.Y + m[0][2]*v.Z, Y: m[1][0]*v.X + m[1][1]*v.Y + m[1][2]*v.Z, Z: m[2][0]*v.X + m[2][1]*v.Y + m[2][2]*v.Z}
}

func eye(m *mat.Dense) {
	m.Zero()
	for i := range nDense {
		m.Set(i, i, 1)
	}
}

func (d *dense) predict(w, f r3.Vec, dt float64) {
	R := eskf.Matrix(d.q)
	fb, wb := r3.Sub(f, d.ba), r3.Sub(w, d.bg)
	a := apply(R, fb)
	a.Z -= d.g
	d.p = r3.Add(d.p, r3.Add(r3.Scale(dt, d.v), r3.Scale(dt*dt/2, a)))
	d.v = r3.Add(d.v, r3.Scale(dt, a))
	d.q = quat.Mul(d.q, eskf.Exp(r3.Scale(dt, wb)))
	d.q = quat.Scale(1/quat.Abs(d.q), d.q)
	eye(d.F)
	block(d.F, 0, 3, dt, one, one)
	block(d.F, 3, 6, -dt, R, skew(fb))
	block(d.F, 3, 12, -dt, R, one)
	turn := skew(wb)
	for i := range 3 {
		for j := range 3 {
			d.F.Set(6+i, 6+j, one[i][j]-turn[i][j]*dt)
		}
	}
	block(d.F, 6, 9, -dt, one, one)
	d.t.Mul(d.F, d.P)
	d.P.Mul(d.t, d.F.T())
	for i := range 3 {
		d.P.Set(3+i, 3+i, d.P.At(3+i, 3+i)+d.acc*d.acc*dt)
		d.P.Set(6+i, 6+i, d.P.At(6+i, 6+i)+d.gyro*d.gyro*dt)
	}
}

// update takes the innovation y of the three states from at on, with variance
// r each, in Joseph form; a position goes through the lever arm.
func (d *dense) update(y r3.Vec, at int, r float64, lever r3.Vec) {
	d.H.Zero()
	block(d.H, 0, at, 1, one, one)
	if at == 0 {
		block(d.H, 0, 6, -1, eskf.Matrix(d.q), skew(lever))
	}
	d.PHt.Mul(d.P, d.H.T())
	var S, inv mat.Dense
	S.Mul(d.H, d.PHt)
	for i := range 3 {
		S.Set(i, i, S.At(i, i)+r)
	}
	if err := inv.Inverse(&S); err != nil {
		panic(err)
	}
	d.K.Mul(d.PHt, &inv)
	var dx mat.VecDense
	dx.MulVec(d.K, mat.NewVecDense(3, []float64{y.X, y.Y, y.Z}))
	eye(d.J)
	d.t.Mul(d.K, d.H)
	d.J.Sub(d.J, d.t)
	d.t.Mul(d.J, d.P)
	d.P.Mul(d.t, d.J.T())
	d.t.Mul(d.K, d.K.T())
	d.t.Scale(r, d.t)
	d.P.Add(d.P, d.t)
	at3 := func(i int) r3.Vec { return r3.Vec{X: dx.AtVec(i), Y: dx.AtVec(i + 1), Z: dx.AtVec(i + 2)} }
	d.p, d.v, d.bg, d.ba = r3.Add(d.p, at3(0)), r3.Add(d.v, at3(3)), r3.Add(d.bg, at3(9)), r3.Add(d.ba, at3(12))
	d.q = quat.Mul(d.q, eskf.Exp(at3(6)))
	d.q = quat.Scale(1/quat.Abs(d.q), d.q)
}

// The filters below start alike and see alike.
var (
	sigmas = [5]float64{0.3, 0.3, 0.03, 0.01, 0.1}
	lever  = r3.Vec{X: 0.3, Z: 0.8}
)

const (
	gravity   = 9.81
	gyroNoise = 1e-3
	accNoise  = 1e-2
)

func newOurs(every int) *eskf.Filter {
	f := &eskf.Filter{Params: eskf.Params{GyroNoise: gyroNoise, AccNoise: accNoise, Gravity: gravity, CovEvery: every}}
	f.InitMoving(0, r3.Vec{}, r3.Vec{X: 10}, 0, 0, 0, eskf.Sigmas{PosH: sigmas[0], PosV: sigmas[0], Vel: sigmas[1], Tilt: sigmas[2], Yaw: sigmas[2],
		GyroBias: sigmas[3], AccBias: sigmas[4]})
	return f
}

func newTwin() *dense {
	d := newDense(r3.Vec{X: 10}, sigmas)
	d.g, d.gyro, d.acc = gravity, gyroNoise, accNoise
	return d
}

// sample is inertial sample i of the filters' drive: 200 Hz in a turn.
func sample(i int) (w, f r3.Vec) {
	return r3.Vec{X: 0.01, Y: 0.02, Z: 0.3 + 1e-3*float64(i%7)}, r3.Vec{X: 0.1, Y: 0.2, Z: 9.81}
}

// ours and twin play n samples with a position and a velocity every twentieth.
func ours(f *eskf.Filter, n int) {
	for i := range n {
		w, a := sample(i)
		f.Predict(w, a, 0.005)
		if i%20 == 19 {
			z := r3.Add(f.Pos, f.ToWorld(lever))
			o := f.Position(r3.Add(z, r3.Vec{X: 0.01, Y: -0.01, Z: 0.02}), [3]float64{1e-4, 1e-4, 1e-4}, lever, w)
			f.Apply(&o)
			o = f.Velocity3D(r3.Add(f.Vel, r3.Vec{X: 0.02, Y: -0.01, Z: 0.01}), [3]float64{4e-3, 4e-3, 4e-3}, r3.Vec{}, w, r3.Vec{})
			f.Apply(&o)
		}
	}
}

func twin(d *dense, n int) {
	for i := range n {
		w, a := sample(i)
		d.predict(w, a, 0.005)
		if i%20 == 19 {
			d.update(r3.Vec{X: 0.01, Y: -0.01, Z: 0.02}, 0, 1e-4, lever)
			d.update(r3.Vec{X: 0.02, Y: -0.01, Z: 0.01}, 3, 4e-3, r3.Vec{})
		}
	}
}

// The twin does the filter's job: driven through the same turn with the same
// noise-free observations, both come from the same wrong start to the same
// state with the same uncertainty.
func TestPeers_Filter(t *testing.T) {
	f, d := newOurs(1), newTwin()
	truth, free := f.State, f.Params
	wrong := r3.Vec{X: 0.2, Y: -0.1, Z: 0.1}
	f.Pos, d.p = r3.Add(f.Pos, wrong), r3.Add(d.p, wrong)
	for i := range 4000 {
		w, a := sample(i)
		truth.Integrate(w, a, 0.005, &free)
		f.Predict(w, a, 0.005)
		d.predict(w, a, 0.005)
		if i%20 != 19 {
			continue
		}
		z := r3.Add(truth.Pos, truth.ToWorld(lever))
		o := f.Position(z, [3]float64{1e-4, 1e-4, 1e-4}, lever, w)
		f.Apply(&o)
		o = f.Velocity3D(truth.Vel, [3]float64{4e-3, 4e-3, 4e-3}, r3.Vec{}, w, r3.Vec{})
		f.Apply(&o)
		d.update(r3.Sub(z, r3.Add(d.p, apply(eskf.Matrix(d.q), lever))), 0, 1e-4, lever)
		d.update(r3.Sub(truth.Vel, d.v), 3, 4e-3, r3.Vec{})
	}
	f.Flush()
	for i, at := range []int{eskf.IPos, eskf.IVel, eskf.IAtt, eskf.IGyr, eskf.IAcc} {
		for k := range 3 {
			a, b := math.Sqrt(f.P[at+k][at+k]), math.Sqrt(d.P.At(3*i+k, 3*i+k))
			if math.Abs(a-b) > 0.01*b {
				t.Errorf("sigma of error %d: %g, the twin has %g", at+k, a, b)
			}
		}
	}
	if a, b := r3.Norm(r3.Sub(f.Pos, truth.Pos)), r3.Norm(r3.Sub(d.p, truth.Pos)); a > 0.01 || b > 0.03 {
		t.Errorf("%g m from the truth, the twin %g m: want less than 0.01, and 0.03 for attitude at the start of a step", a, b)
	}
}

// plainScanner finds frames the obvious way: gather everything, try each
// preamble, check the CRC byte by byte, begin again behind what fails.
type plainScanner struct{ buf []byte }

var plainTable = func() (t [256]uint32) {
	for i := range t {
		r := uint32(i) << 16
		for range 8 {
			if r <<= 1; r&0x1000000 != 0 {
				r ^= 0x1864CFB
			}
		}
		t[i] = r
	}
	return t
}()

func (p *plainScanner) push(b []byte, frame func([]byte)) {
	p.buf = append(p.buf, b...)
	i := 0
	for len(p.buf)-i >= 6 {
		if p.buf[i] != 0xD3 || p.buf[i+1]&0xFC != 0 {
			i++
			continue
		}
		n := 6 + int(p.buf[i+1]&3)<<8 + int(p.buf[i+2])
		if len(p.buf)-i < n {
			break
		}
		crc := uint32(0)
		for _, c := range p.buf[i : i+n] {
			crc = crc<<8&0xFFFFFF ^ plainTable[byte(crc>>16)^c]
		}
		if crc != 0 {
			i++
			continue
		}
		frame(p.buf[i : i+n])
		i += n
	}
	p.buf = append(p.buf[:0], p.buf[i:]...)
}

const chunk = 4096 // bytes that come at once

func scanOurs(b []byte) (frames int) {
	var s rtcm.Scanner
	for i := 0; i < len(b); i += chunk {
		s.Push(b[i:min(i+chunk, len(b))], func(*rtcm.Message) { frames++ }, func(rtcm.Refusal, int) {})
	}
	return frames
}

func scanPlain(b []byte) (frames int) {
	var p plainScanner
	var m rtcm.Message
	for i := 0; i < len(b); i += chunk {
		p.push(b[i:min(i+chunk, len(b))], func(raw []byte) {
			m.Decode(raw)
			frames++
		})
	}
	return frames
}

func TestPeers_Scanner(t *testing.T) {
	d := made(t)
	if a, b := scanOurs(d.corrections), scanPlain(d.corrections); a != b || a < 300 {
		t.Errorf("%d frames, the plain scanner has %d", a, b)
	}
}

func readOurs(b []byte) (sentences int) {
	f, p := &nmea.Framer{}, nmea.NewParser()
	for i := 0; i < len(b); i += chunk {
		f.Push(0, b[i:min(i+chunk, len(b))], func(l nmea.Line) {
			if s, err := p.Parse(l.Text); l.Err == nil && err == nil && s.Type != nmea.Other {
				sentences++
			}
		})
	}
	return sentences
}

// readAlone is go-nmea with the standard library's line reader.
func readAlone(b []byte) (sentences int) {
	var p gonmea.SentenceParser
	lines := bufio.NewScanner(bytes.NewReader(b))
	for lines.Scan() {
		if _, err := p.Parse(lines.Text()); err == nil {
			sentences++
		}
	}
	return sentences
}

func TestPeers_Sentences(t *testing.T) {
	d := made(t)
	if a, b := readOurs(d.sentences), readAlone(d.sentences); a != b || a < 3000 {
		t.Errorf("%d sentences, go-nmea has %d", a, b)
	}
}

func csvOurs(b []byte) (n int) {
	d := fusion.NewDecoder(fusion.DefaultConfig())
	for i := 0; i < len(b); i += chunk {
		d.Decode(fusion.Record{Channel: fusion.ChanIMU, Data: b[i:min(i+chunk, len(b))]}, func(m *fusion.Measurement) {
			if m.Kind == fusion.KindIMU {
				n++
			}
		})
	}
	return n
}

// csvPlain splits lines and converts columns with the standard library.
func csvPlain(b []byte) (n int) {
	lines := bufio.NewScanner(bytes.NewReader(b))
	var m fusion.Measurement
	for lines.Scan() {
		cols := strings.Split(lines.Text(), ",")
		if len(cols) != 7 {
			continue
		}
		var v [7]float64
		var err error
		for i := range v {
			if v[i], err = strconv.ParseFloat(cols[i], 64); err != nil {
				break
			}
		}
		if err != nil {
			continue
		}
		m.T, m.W, m.F = v[0], [3]float64(v[1:4]), [3]float64(v[4:7])
		n++
	}
	return n
}

func TestPeers_CSV(t *testing.T) {
	d := made(t)
	if a, b := csvOurs(d.imu), csvPlain(d.imu); a != b || a < 10000 {
		t.Errorf("%d samples, the plain reader has %d", a, b)
	}
}

var r3zero r3.Vec

// r3at is v moved by d on every axis.
func r3at(v r3.Vec, d float64) r3.Vec { return r3.Add(v, r3.Vec{X: d, Y: -d, Z: 2 * d}) }
