package fusion

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"kerbline/gnss"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/rtcm"
)

// tape reads measurements from bytes: odd values are as near as ordinary ones.
type tape struct {
	b []byte
	t float64
}

func (p *tape) byte() byte {
	if len(p.b) == 0 {
		return 0
	}
	c := p.b[0]
	p.b = p.b[1:]
	return c
}

// number returns a value about scale, or now and then one that no sensor means.
func (p *tape) number(scale float64) float64 {
	switch c := p.byte(); {
	case c < 4:
		return [4]float64{math.NaN(), math.Inf(1), math.Inf(-1), 0}[c]
	case c < 8 && len(p.b) >= 8:
		v := math.Float64frombits(binary.LittleEndian.Uint64(p.b))
		p.b = p.b[8:]
		return v
	default:
		return scale * (float64(c) - 130) / 125
	}
}

func (p *tape) epoch() *gnss.Epoch {
	e := blankEpoch()
	e.UTC, e.Arrival = p.t-0.08+p.number(0.05), p.t+p.number(0.01)
	e.Complete = e.Arrival
	c := p.byte()
	e.HasPos, e.HasH = c&1 == 0, c&2 == 0
	e.Quality = gnss.Quality(c >> 2 & 7)
	if c&32 != 0 {
		e.Quality = gnss.QualityFixed
	}
	e.Pos = geodesy.LLA{Lat: 0.8 + p.number(1e-6), Lon: 0.2 + p.number(1e-6), H: 100 + p.number(3)}
	e.Sats, e.HDOP, e.Age, e.Station = int(p.byte()), 1+p.number(2), 5+p.number(20), int(p.byte())
	e.Speed, e.Course = 5+p.number(10), p.number(7)
	e.SigmaE, e.SigmaN, e.SigmaU = p.number(0.1), p.number(0.1), p.number(0.2)
	e.Heading = p.number(7)
	if c&64 != 0 {
		e.Status = 'V'
	}
	e.FaultSat, e.FaultBias, e.FaultSigma = int(p.byte())-1, p.number(10), p.number(1)
	return &e
}

func (p *tape) next() (m Measurement, ok bool) {
	if len(p.b) == 0 {
		return m, false
	}
	c := p.byte()
	switch c >> 5 { // how time goes on
	case 0:
		p.t += p.number(100)
	case 1:
		p.t -= 0.5
	default:
		p.t += float64(c>>5) * 0.004
	}
	m.T = p.t
	m.Kind = Kind(c&15) % (KindNote + 1)
	m.Channel = Channel(p.byte())
	m.Reason, m.N = p.byte(), int32(p.number(1e4))
	switch m.Kind {
	case KindIMU:
		m.W = [3]float64{p.number(1), p.number(1), p.number(2)}
		m.F = [3]float64{p.number(5), p.number(5), 9.8 + p.number(5)}
	case KindWheel:
		m.V = p.number(12)
	case KindEpoch:
		m.Epoch = p.epoch()
	case KindFrame:
		f := &rtcm.Message{Number: int(p.byte()) + 1000, Station: int(p.byte()), EpochMs: int64(p.number(6e8)), System: rtcm.NoSystem}
		if c := p.byte(); c < 200 {
			f.System = rtcm.System(c % uint8(rtcm.NSystems))
		}
		f.HasBase = c&16 != 0
		f.Base = geodesy.ECEF{X: 4.4e6 + p.number(1e3), Y: 9e5 + p.number(1e3), Z: 4.4e6 + p.number(1e3)}
		m.Frame = f
	case KindNote:
		m.Note = "mark start"
	}
	if math.IsNaN(p.t) || math.Abs(p.t) > 1e12 {
		p.t = 1.7e9
	}
	return m, true
}

// sane checks what holds on every line, whatever came in.
func sane(t *testing.T, s *Snapshot) {
	t.Helper()
	if s.Verdict > Unusable || s.Advice > AdviseMap || s.NReasons < 0 || s.NReasons > MaxReasons {
		t.Fatalf("verdict %d, advice %d, %d reasons", s.Verdict, s.Advice, s.NReasons)
	}
	if s.Verdict != Usable && s.Verdict != Coasting {
		return
	}
	for name, v := range map[string]float64{"lat": s.Pos.Lat, "lon": s.Pos.Lon, "h": s.Pos.H, "yaw": s.Yaw, "speed": s.Speed,
		"sigma lat": s.SigmaLat, "sigma lon": s.SigmaLon, "pl lat": s.PLLat.Total, "pl lon": s.PLLon.Total, "pl yaw": s.PLYaw.Total, "coast": s.Coast} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%s with %s %v", s.Verdict, name, v)
		}
	}
	if s.Verdict == Usable && (s.PLLat.Total > s.ALLat || s.PLLon.Total > s.ALLon || s.PLYaw.Total > s.ALYaw || s.Epoch.Quality != gnss.QualityFixed || s.NeedsProof) {
		t.Fatalf("usable with levels %v %v %v, quality %s, proof %v", s.PLLat.Total, s.PLLon.Total, s.PLYaw.Total, s.Epoch.Quality, s.NeedsProof)
	}
}

// Nothing that a decoder could hand over, and nothing it could not, stops the
// monitor or makes it call usable what it has no numbers for.
func FuzzStep(f *testing.F) {
	rng := rand.New(rand.NewPCG(1, 1))
	for _, n := range []int{0, 40, 400, 4000} {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		f.Add(false, b)
		f.Add(true, b)
	}
	r := newRig(30)
	start, cfg := r.measurements(), r.cfg
	cfg.Marks = []Mark{{Name: "start", Lat: 45.84, Lon: 11.46, H: 100}}
	f.Fuzz(func(t *testing.T, driving bool, b []byte) {
		m := NewMonitor(cfg, nil)
		p := tape{b: b, t: 1.7e9}
		if driving {
			for i := range start {
				m.Step(&start[i])
			}
			if m.Snapshot().Verdict != Usable {
				t.Fatal("not usable before the fuzzing")
			}
			p.t = start[len(start)-1].T
		}
		seq := m.Snapshot().Seq
		for in, ok := p.next(); ok; in, ok = p.next() {
			snap, _ := m.Step(&in)
			if snap == nil {
				continue
			}
			if seq++; snap.Seq != seq {
				t.Fatalf("line %d has number %d", seq, snap.Seq)
			}
			sane(t, snap)
		}
		m.Close()
	})
}
