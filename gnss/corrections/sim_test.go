package corrections

import (
	"fmt"
	"math"
	"math/rand"
	"sort"
	"testing"

	"kerbline/gnss"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/rtcm"
)

// fault is something done to a simulated session from one time to another.
type fault struct {
	kind     string
	from, to float64
	p        float64      // strength, by kind
	shift    geodesy.ECEF // m, of the base
	id       int          // new station id, 0 for the same
	silent   float64      // s of silence, base_restarted
	mode     string       // which way of it, by kind
}

// session is a car lapping with a base beside the track, simulated as far as
// the link can see it: corrections once a second over a serial radio, a rover
// that uses whole epochs, holds its ambiguities 12 s and a float 45 s.
type session struct {
	seed   int64
	length float64 // s
	faults []fault
	every  float64 // s between observation epochs, 0 for 1
	hz     float64 // of the rover, 0 for 10
	noGSV  bool    // no C/N0
}

const simStart = 1778922000.0

var simBase = geodesy.LLA{Lat: 44.5 * geodesy.Degree, Lon: 11.4 * geodesy.Degree, H: 120}.ECEF()

func (s session) fault(t float64, kinds ...string) *fault {
	for i := range s.faults {
		f := &s.faults[i]
		for _, k := range kinds {
			if f.kind == k && t >= f.from && t < f.to {
				return f
			}
		}
	}
	return nil
}

// arrivals returns what reaches the monitor, times counted from simStart, and
// the host clock's offset.
func (s session) arrivals() (in []arrival, off float64) {
	rng := rand.New(rand.NewSource(s.seed))
	off = 0.1 + rng.Float64()
	type use struct{ at, epoch float64 } // a whole epoch at the rover
	var uses []use

	sats := []int{2, 5, 9, 14, 17, 22, 28}
	queue := 0.0 // when the link is free
	if s.every == 0 {
		s.every = 1
	}
	if s.hz == 0 {
		s.hz = 10
	}
	for i := 0; float64(i)*s.every < s.length; i++ {
		e := float64(i) * s.every
		unix := simStart + e
		base, id := simBase, 1201
		for _, f := range s.faults {
			if (f.kind == "base_moved" || f.kind == "base_restarted") && e >= f.from {
				base.X, base.Y, base.Z = simBase.X+f.shift.X, simBase.Y+f.shift.Y, simBase.Z+f.shift.Z
				if f.id > 0 {
					id = f.id
				}
			}
		}
		_, tow := gnsstime.UTCToGPS(unix)
		day, moscow := gnsstime.UTCToGLONASS(unix)
		msm := rtcm.MSM{Type: 7, Station: id, Sats: sats[:5+rng.Intn(3)], Signals: []int{2, 16}, Filler: rng.Uint64()}
		var frames [][]byte
		for k, sys := range []rtcm.System{rtcm.GPS, rtcm.GLONASS, rtcm.Galileo, rtcm.BeiDou} {
			msm.System, msm.More, msm.EpochMs, msm.Day = sys, k < 3, int64(tow*1000), 0
			switch sys {
			case rtcm.GLONASS:
				msm.EpochMs, msm.Day = int64(moscow*1000), day
			case rtcm.BeiDou:
				msm.EpochMs = int64(gnsstime.UTCToBDT(unix) * 1000)
			}
			frames = append(frames, rtcm.EncodeMSM(msm))
		}
		if i%10 == 0 {
			frames = append(frames, rtcm.EncodeBase(1005, id, base, 0), rtcm.EncodeBiases(id, [4]float64{}))
		}

		if s.fault(e, "link_silent") != nil {
			continue
		}
		if f := s.fault(e, "base_restarted"); f != nil && e < f.from+f.silent {
			continue
		}
		if f := s.fault(e, "link_sparse_rate"); f != nil && i%int(f.p) != 0 {
			continue
		}
		whole := true
		if f := s.fault(e, "link_sparse_systems"); f != nil {
			frames = append(frames[:int(f.p):int(f.p)], frames[4:]...)
			whole = f.p > 2 || f.mode == "still used"
		}
		if s.fault(e, "link_sparse_types") != nil {
			frames = frames[:4]
		}
		if f := s.fault(e, "link_sparse_frames"); f != nil {
			var kept [][]byte
			for _, b := range frames {
				if rng.Float64() >= f.p {
					kept = append(kept, b)
				} else {
					whole = false
				}
			}
			frames = kept
		}
		corrupt := s.fault(e, "link_corrupt")
		sent := e + 0.27 + 0.03*rng.Float64()
		if f := s.fault(e, "link_late"); f != nil {
			if sent += f.p; f.mode != "at once" {
				sent += f.p * (math.Min(1, (e-f.from)/5) - 1)
			}
		}
		at := math.Max(sent, queue)
		for _, b := range frames {
			if corrupt != nil && corrupt.mode == "frames" && rng.Float64() < corrupt.p {
				b[3+rng.Intn(len(b)-3)] ^= 1 << rng.Intn(8)
				whole = false
			}
			for n := 0; len(b) > 0; b = b[n:] {
				n = min(len(b), 60+rng.Intn(60))
				piece := append([]byte(nil), b[:n]...)
				switch {
				case corrupt == nil || corrupt.mode == "frames":
				case corrupt.mode == "packets": // some, a bit each
					if rng.Float64() < corrupt.p {
						piece[rng.Intn(n)] ^= 1 << rng.Intn(8)
						whole = false
					}
				case corrupt.mode == "cut": // some lose bytes
					if rng.Float64() < corrupt.p {
						k := rng.Intn(n)
						piece = append(piece[:k], piece[min(n, k+1+rng.Intn(20)):]...)
						whole = false
					}
				default:
					for k := range piece {
						if rng.Float64() < corrupt.p {
							piece[k] ^= byte(1 + rng.Intn(255))
							whole = false
						}
					}
				}
				at += float64(len(piece)) / 8000
				in = append(in, arrival{t: at, bytes: piece})
			}
		}
		queue = at
		if whole {
			uses = append(uses, use{at, e})
		}
	}

	// The rover at 10 Hz on a circle of 60 m radius at 8 m/s, standing first.
	ref := geodesy.LLA{Lat: 44.501 * geodesy.Degree, Lon: 11.401 * geodesy.Degree, H: 121}
	frame := geodesy.NewFrame(ref)
	next, using := 0, math.NaN()
	good := 0.0 // since when fixed could be had
	pull := 4 + 8*rng.Float64()
	floating := true
	for i := 1; float64(i)/s.hz < s.length; i++ {
		u := float64(i) / s.hz
		arr := u + 0.08 + 0.006*rng.ExpFloat64()
		for next < len(uses) && uses[next].at < u+0.05 {
			if f := s.fault(u, "receiver_not_using"); f != nil {
				if f.mode == "at once" {
					using = math.NaN()
				}
			} else {
				if math.IsNaN(using) || u-using > 12 {
					good, floating = u, true
				}
				using = uses[next].epoch
			}
			next++
		}
		if s.fault(u, "receiver_silent") != nil || rng.Float64() < 0.02 {
			continue
		}
		age := u - using
		q := gnss.QualityFixed
		nsat := 24 + rng.Intn(3)
		cn0 := 44 + rng.NormFloat64()*0.5
		switch {
		case !(age <= 45):
			q, floating, good, age = gnss.QualitySingle, true, u, math.NaN()
		case age > 12:
			q, floating, good = gnss.QualityFloat, true, u
		case floating && u-good < pull:
			q = gnss.QualityFloat
		default:
			floating = false
		}
		if s.noGSV {
			cn0 = math.NaN()
		}
		if f := s.fault(u, "sky_blocked"); f != nil {
			nsat = int(f.p) + rng.Intn(2)
			if !s.noGSV {
				cn0 = 33
			}
			q = gnss.QualityFloat
			if f.p < 5 {
				q = gnss.QualityNone
			}
			if d := (u - f.from) / (f.to - f.from); f.mode == "to single" && d > 0.3 && d < 0.8 {
				q = gnss.QualitySingle
			}
			floating, good = true, u
		}
		e := &gnss.Epoch{UTC: simStart + u, DateSeen: true, Arrival: arr, Complete: arr + 0.008, HasPos: q != gnss.QualityNone, HasH: q != gnss.QualityNone,
			Quality: q, Sats: nsat, HDOP: 0.6, PDOP: math.NaN(), Age: age, Station: 1201, CN0: cn0, Tracked: nsat}
		if f := s.fault(u, "receiver_not_using"); f != nil && f.mode == "fewer satellites" && age > 12 {
			e.Sats = 8
		}
		if !corrected(e) {
			e.Station, e.Age = -1, math.NaN()
		}
		for _, f := range s.faults {
			if f.id > 0 && u >= f.from+f.silent+1 && e.Station >= 0 {
				e.Station = f.id
			}
		}
		phi, v := 0.0, 0.0
		if u > 30 {
			v = math.Min(8, (u-30)*1.0)
			if u < 38 {
				phi = (u - 30) * (u - 30) / 2 / 60
			} else {
				phi = 32.0/60 + (u-38)*8/60
			}
		}
		noise := 0.006
		sin, cos := math.Sincos(phi)
		p := geodesy.ENU{E: 60*sin + noise*rng.NormFloat64(), N: 60*(1-cos) + noise*rng.NormFloat64(), U: 2 * noise * rng.NormFloat64()}
		x := frame.ToECEF(p)
		for _, f := range s.faults {
			if u >= f.from {
				x.X, x.Y, x.Z = x.X+f.shift.X, x.Y+f.shift.Y, x.Z+f.shift.Z
			}
		}
		e.Pos = x.LLA()
		e.Speed = math.Abs(v + 0.03*rng.NormFloat64())
		e.Course = math.Pi/2 - phi
		in = append(in, arrival{t: e.Complete, epoch: e})
	}
	sort.SliceStable(in, func(i, k int) bool { return in[i].t < in[k].t })
	for i := range in {
		in[i].t += simStart + off
		if e := in[i].epoch; e != nil {
			e.Arrival += simStart + off
			e.Complete += simStart + off
		}
	}
	return in, off
}

func simConfig() Config {
	c := DefaultConfig()
	c.Surveyed, c.Base = true, simBase
	return c
}

// runSession plays s and returns its episodes with times counted like the
// faults'.
func runSession(s session, cfg Config) []Episode {
	in, off := s.arrivals()
	_, eps := play(cfg, in, nil)
	for i := range eps {
		e := &eps[i]
		for _, x := range []*float64{&e.Start, &e.FaultEnd, &e.Flowing, &e.Requalified, &e.Detected, &e.Closed} {
			*x -= simStart + off
		}
	}
	return eps
}

// kinds makes a fault of each cause, of random strength.
var kinds = []struct {
	cause Cause
	make  func(rng *rand.Rand, from, to float64) fault
}{
	{LinkSilent, func(_ *rand.Rand, from, to float64) fault { return fault{kind: "link_silent", from: from, to: to} }},
	{LinkCorrupt, func(r *rand.Rand, from, to float64) fault {
		return fault{kind: "link_corrupt", from: from, to: to, p: []float64{0.002, 0.005, 0.02, 0.1}[r.Intn(4)]}
	}},
	{LinkSparse, func(r *rand.Rand, from, to float64) fault {
		switch r.Intn(3) {
		case 0:
			return fault{kind: "link_sparse_systems", from: from, to: to, p: float64(1 + r.Intn(3))}
		case 1:
			return fault{kind: "link_sparse_rate", from: from, to: to, p: float64(3 + r.Intn(6))}
		}
		return fault{kind: "link_sparse_frames", from: from, to: to, p: 0.4 + 0.4*r.Float64()}
	}},
	{LinkLate, func(r *rand.Rand, from, to float64) fault {
		return fault{kind: "link_late", from: from, to: to, p: 4 + 8*r.Float64()}
	}},
	{BaseRestarted, func(r *rand.Rand, from, to float64) fault {
		f := fault{kind: "base_restarted", from: from, to: 1e9, silent: to - from}
		switch r.Intn(3) {
		case 0:
			f.id = 7
		case 1:
			f.shift = geodesy.ECEF{X: 1.2, Y: -0.4, Z: 0.9}
		default:
			f.id, f.shift = 7, geodesy.ECEF{X: 0.2, Y: -0.4, Z: 0.1}
		}
		return f
	}},
	{BaseMoved, func(r *rand.Rand, from, to float64) fault {
		k := 0.1 + 0.6*r.Float64()
		return fault{kind: "base_moved", from: from, to: 1e9, shift: geodesy.ECEF{X: 0.6 * k, Y: -0.64 * k, Z: 0.48 * k}}
	}},
	{ReceiverNotUsing, func(_ *rand.Rand, from, to float64) fault {
		return fault{kind: "receiver_not_using", from: from, to: to}
	}},
	{SkyBlocked, func(r *rand.Rand, from, to float64) fault {
		return fault{kind: "sky_blocked", from: from, to: to, p: float64(3 + r.Intn(7))}
	}},
	{ReceiverSilent, func(_ *rand.Rand, from, to float64) fault { return fault{kind: "receiver_silent", from: from, to: to} }},
}

// 20 seeds a cause: right in at least 95 %, begin and end within 2 s. Where
// only a third of the frames is broken, whole epochs come between the first
// and the last of them, so those may be 6 s off.
func TestCauses_Simulated(t *testing.T) {
	for _, k := range kinds {
		t.Run(k.cause.String(), func(t *testing.T) {
			const seeds = 20
			wrong := 0
			for seed := range int64(seeds) {
				rng := rand.New(rand.NewSource(seed))
				from := 90 + 30*rng.Float64()
				to := from + 15 + 35*rng.Float64()
				s := session{seed: seed, length: 240, faults: []fault{k.make(rng, from, to)}}
				eps := runSession(s, simConfig())
				say := ""
				if len(eps) != 1 {
					say = fmt.Sprintf("%d episodes", len(eps))
				} else {
					e := eps[0]
					end := e.End() - to
					if k.cause == BaseMoved {
						end = e.End() - s.length
					}
					tol := 2.0
					if s.faults[0].kind == "link_corrupt" && s.faults[0].p < 0.005 {
						tol = 6
					}
					if e.Cause != k.cause || math.Abs(e.Start-from) > tol || math.Abs(end) > tol {
						say = "off"
					}
				}
				if say != "" {
					wrong++
					t.Logf("seed %d %+v: %s", seed, s.faults[0], say)
					for _, e := range eps {
						t.Logf("   %v starts %+.2f, ends %+.2f: %s", e.Cause, e.Start-from, e.End()-to, e.Paragraph(0, nil))
					}
				}
			}
			if wrong > seeds/20 {
				t.Errorf("%d of %d wrong", wrong, seeds)
			}
		})
	}
}

// Other ways in which the same might go wrong, 20 seeds each: how much is
// broken, what is left of the messages, how far satellites fall, how long the
// receiver says nothing.
func TestCauses_Variations(t *testing.T) {
	metres := geodesy.ECEF{X: 3.1, Y: -4.4, Z: 2.2}
	for _, v := range []struct {
		what     string
		cause    Cause
		fault    fault
		shortest float64 // s
		longest  float64
	}{
		{"every byte broken", LinkCorrupt, fault{kind: "link_corrupt", p: 1}, 10, 60},
		{"every packet broken", LinkCorrupt, fault{kind: "link_corrupt", p: 1, mode: "packets"}, 10, 60},
		{"one packet in three broken", LinkCorrupt, fault{kind: "link_corrupt", p: 0.3, mode: "packets"}, 15, 60},
		{"one frame in three broken", LinkCorrupt, fault{kind: "link_corrupt", p: 0.33, mode: "frames"}, 15, 60},
		{"one frame in four broken", LinkCorrupt, fault{kind: "link_corrupt", p: 0.25, mode: "frames"}, 30, 60},
		{"bytes lost", LinkCorrupt, fault{kind: "link_corrupt", p: 0.5, mode: "cut"}, 15, 60},
		{"only GPS left", LinkSparse, fault{kind: "link_sparse_systems", p: 1}, 15, 60},
		{"only GPS left, which the receiver uses", LinkSparse, fault{kind: "link_sparse_systems", p: 1, mode: "still used"}, 10, 60},
		{"one constellation lost", LinkSparse, fault{kind: "link_sparse_systems", p: 3}, 10, 60},
		{"every second epoch", LinkSparse, fault{kind: "link_sparse_rate", p: 2}, 20, 60},
		{"every third epoch", LinkSparse, fault{kind: "link_sparse_rate", p: 3}, 20, 60},
		{"every fifth epoch", LinkSparse, fault{kind: "link_sparse_rate", p: 5}, 20, 60},
		{"no station messages", LinkSparse, fault{kind: "link_sparse_types"}, 40, 90},
		{"late at once", LinkLate, fault{kind: "link_late", p: 5, mode: "at once"}, 20, 60},
		{"late by a little", LinkLate, fault{kind: "link_late", p: 3}, 20, 60},
		{"no bytes for a short time", LinkSilent, fault{kind: "link_silent"}, 5, 10},
		{"no bytes for a long time", LinkSilent, fault{kind: "link_silent"}, 60, 110},
		{"restarted elsewhere", BaseRestarted, fault{kind: "base_restarted", id: 77, shift: metres}, 20, 60},
		{"restarted quickly as another", BaseRestarted, fault{kind: "base_restarted", id: 77}, 6, 10},
		{"moved by metres", BaseMoved, fault{kind: "base_moved", shift: metres}, 20, 60},
		{"port closed", ReceiverNotUsing, fault{kind: "receiver_not_using", mode: "at once"}, 8, 60},
		{"not used, fewer satellites from then on", ReceiverNotUsing, fault{kind: "receiver_not_using", mode: "fewer satellites"}, 20, 60},
		{"satellites to 8", SkyBlocked, fault{kind: "sky_blocked", p: 8}, 5, 30},
		{"satellites to 14", SkyBlocked, fault{kind: "sky_blocked", p: 14}, 5, 30},
		{"satellites to 18", SkyBlocked, fault{kind: "sky_blocked", p: 18}, 5, 30},
		{"satellites to 7, float, single, float", SkyBlocked, fault{kind: "sky_blocked", p: 7, mode: "to single"}, 10, 30},
		{"no satellites", SkyBlocked, fault{kind: "sky_blocked", p: 0}, 3, 30},
		{"no sentence for a moment", ReceiverSilent, fault{kind: "receiver_silent"}, 1.1, 3},
		{"no sentence", ReceiverSilent, fault{kind: "receiver_silent"}, 3, 30},
		{"no sentence for long", ReceiverSilent, fault{kind: "receiver_silent"}, 30, 80},
	} {
		t.Run(v.what, func(t *testing.T) {
			const seeds = 20
			wrong := 0
			for seed := range int64(seeds) {
				rng := rand.New(rand.NewSource(seed))
				f := v.fault
				f.from = 90 + 30*rng.Float64()
				to := f.from + v.shortest + (v.longest-v.shortest)*rng.Float64()
				s := session{seed: seed, length: 280, noGSV: v.cause == SkyBlocked && seed%2 == 0}
				end := to
				switch f.to = to; v.cause {
				case BaseMoved:
					f.to, end = 1e9, s.length
				case BaseRestarted:
					f.to, f.silent = 1e9, to-f.from
				}
				tol := 2.0
				switch {
				case f.kind == "link_sparse_types":
					tol = 6 // they come every 10 s
				case f.p == 0.25:
					tol = 6 // a third of the epochs are whole, also at its ends
				}
				s.faults = []fault{f}
				eps := runSession(s, simConfig())
				if len(eps) == 1 && eps[0].Cause == v.cause && math.Abs(eps[0].Start-f.from) <= tol && math.Abs(eps[0].End()-end) <= tol {
					continue
				}
				wrong++
				t.Logf("seed %d, %.1f s to %.1f s", seed, f.from, end)
				for _, e := range eps {
					t.Logf("   %v starts %+.2f, ends %+.2f: %v: %s", e.Cause, e.Start-f.from, e.End()-end, e.Facts, e.Paragraph(0, nil))
				}
			}
			if wrong > seeds/20 {
				t.Errorf("%d of %d wrong", wrong, seeds)
			}
		})
	}
}

// One broken epoch while the receiver still requalifies is not part of the
// silence before it.
func TestSingleBadEpochAfter(t *testing.T) {
	for seed := range int64(10) {
		s := session{seed: seed, length: 240, faults: []fault{
			{kind: "link_silent", from: 100, to: 130}, {kind: "link_corrupt", from: 134.5, to: 135.5, p: 0.1}}}
		eps := runSession(s, simConfig())
		if len(eps) != 1 || eps[0].Cause != LinkSilent || math.Abs(eps[0].End()-130) > 1.5 {
			t.Errorf("seed %d: %d episodes, the first %v to %.1f s, want link_silent to 130 s", seed, len(eps), eps[0].Cause, eps[0].End())
		}
	}
}

// Other rates of base and rover: the cause is right, and begin and end are
// known to one epoch of the corrections and one of the rover more.
func TestRates_Simulated(t *testing.T) {
	for _, every := range []float64{0.2, 1, 2, 5} {
		for _, hz := range []float64{1, 5, 25} {
			for _, kind := range []string{"nominal", "link_silent", "link_late", "receiver_not_using"} {
				s := session{seed: 1, length: 300, every: every, hz: hz}
				f := fault{kind: kind, from: 151.3, to: 193.7, p: 9}
				if kind != "nominal" {
					s.faults = []fault{f}
				}
				eps := runSession(s, simConfig())
				if kind == "nominal" {
					if len(eps) > 0 {
						t.Errorf("every %g s at %g Hz: %v without a fault: %s", every, hz, eps[0].Cause, eps[0].Paragraph(0, nil))
					}
					continue
				}
				if len(eps) != 1 || eps[0].Cause.String() != kind {
					t.Errorf("every %g s at %g Hz, %s: %d episodes", every, hz, kind, len(eps))
					for _, e := range eps {
						t.Log(e.Facts, e.Paragraph(0, nil))
					}
					continue
				}
				tol := max(2, every+1/hz+0.5)
				if a, b := eps[0].Start-f.from, eps[0].End()-f.to; math.Abs(a) > tol || math.Abs(b) > tol {
					t.Errorf("every %g s at %g Hz, %s: starts %+.1f s, ends %+.1f s off", every, hz, kind, a, b)
				}
			}
		}
	}
}

func TestNominal_Simulated(t *testing.T) {
	for seed := range int64(10) {
		if eps := runSession(session{seed: seed, length: 300}, simConfig()); len(eps) != 0 {
			t.Errorf("seed %d: %v from %.1f to %.1f: %v", seed, eps[0].Cause, eps[0].Start, eps[0].End(), eps[0].Facts)
		}
	}
}
