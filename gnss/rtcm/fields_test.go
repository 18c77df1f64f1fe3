package rtcm

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/satellite"
)

// publishedFrames returns the frames of testdata/frames.json by their source.
func publishedFrames(t *testing.T) map[string][]byte {
	b, err := os.ReadFile("testdata/frames.json")
	if err != nil {
		t.Fatal(err)
	}
	var list []struct{ Src, Hex string }
	if err := json.Unmarshal(b, &list); err != nil {
		t.Fatal(err)
	}
	frames := map[string][]byte{}
	for _, f := range list {
		frames[f.Src] = unhex(t, f.Hex)
	}
	return frames
}

// Every field of published frames, as another decoder reads them.
func TestObservables_PublishedFields(t *testing.T) {
	frames := publishedFrames(t)
	b, err := os.ReadFile("testdata/fields.txt")
	if err != nil {
		t.Fatal(err)
	}
	var o Observables
	compared := 0
	for line := range strings.Lines(string(b)) {
		name, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		if name == "#" {
			continue
		}
		if name == "frame" {
			raw := frames[rest]
			if err := o.Decode(raw); err != nil {
				t.Fatalf("%s: %v", rest, err)
			}
			again, err := o.Encode()
			if err != nil || !bytes.Equal(again, raw) {
				t.Errorf("%s: %v; encodes to\n%x, was\n%x", rest, err, again, raw)
			}
			continue
		}
		got := column(&o, name)
		want := strings.Fields(rest)
		if len(got) != len(want) {
			t.Errorf("%s: %d values, want %d", name, len(got), len(want))
			continue
		}
		for i := range got {
			compared++
			if name == "CELLS" {
				if got[i] != any(want[i]) {
					t.Errorf("cell %d is %v, want %s", i, got[i], want[i])
				}
				continue
			}
			w, err := strconv.ParseFloat(want[i], 64)
			if err != nil {
				t.Fatal(err)
			}
			if g := got[i].(float64); math.Abs(g-w) > 1e-10 {
				t.Errorf("%s, number %d is %.10f, want %.10f", name, i, g, w)
			}
		}
	}
	if compared < 600 {
		t.Errorf("%d values compared", compared)
	}
}

// column returns a field of all satellites or cells of o by its name in
// fields.txt.
func column(o *Observables, name string) (values []any) {
	codeMs, _ := codeScale(o.Type)
	phaseMs, _ := phaseScale(o.Type)
	for i := range o.Sats[:o.NSats] {
		s := &o.Sats[i]
		switch name {
		case "PRN":
			values = append(values, float64(s.Number))
		case "DF397":
			values = append(values, float64(s.RoughMs))
		case "INFO":
			values = append(values, float64(s.Info))
		case "DF398":
			values = append(values, float64(s.RoughMod)/1024)
		case "DF399":
			values = append(values, float64(s.Rate))
		}
	}
	for i := range o.Cells[:o.NCells] {
		c := &o.Cells[i]
		switch name {
		case "CELLS":
			values = append(values, fmt.Sprintf("%d:%v", o.Sats[c.Sat].Number, signals[o.System][c.Signal]))
		case "DF400", "DF405":
			values = append(values, float64(c.Code)*codeMs)
		case "DF401", "DF406":
			values = append(values, float64(c.Phase)*phaseMs)
		case "DF402", "DF407":
			values = append(values, float64(c.Lock))
		case "DF420":
			values = append(values, float64(bit(c.HalfCycle)))
		case "DF408":
			values = append(values, float64(c.CNR)/16)
		case "DF404":
			values = append(values, float64(c.Rate)*fineRateLSB)
		}
	}
	return values
}

// Lock times of DF407 (table of the project's check values, from memory) and
// of DF402 (from memory).
func TestLockTime(t *testing.T) {
	for i, ms := range map[uint16]float64{0: 0, 63: 63, 64: 64, 95: 126, 96: 128, 127: 252, 128: 256, 451: 286720, 487: 638976, 488: 655360, 703: 66060288, 704: 67108864} {
		if got := lockTime(7, i); got != ms/1000 {
			t.Errorf("DF407 %d is %g s, want %g", i, got, ms/1000)
		}
	}
	if got := lockTime(6, 705); !math.IsNaN(got) {
		t.Errorf("DF407 705, not in use, is %g s", got)
	}
	for i, ms := range map[uint16]float64{0: 0, 1: 32, 2: 64, 15: 524288} {
		if got := lockTime(4, i); got != ms/1000 {
			t.Errorf("DF402 %d is %g s, want %g", i, got, ms/1000)
		}
	}
	for _, typ := range []int{4, 7} {
		for i := range uint16(15) {
			if got := LockIndicator(typ, lockTime(typ, i)); got != i {
				t.Errorf("MSM%d: indicator of %g s is %d, want %d", typ, lockTime(typ, i), got, i)
			}
		}
	}
	if LockIndicator(7, 1e9) != 704 || LockIndicator(4, 1e9) != 15 || LockIndicator(7, 0.0635) != 63 {
		t.Error("the longest times")
	}
}

// A measured drive, field by field with the table that its encoder wrote:
// every observation of the first epochs.
func TestReal_FieldByField(t *testing.T) {
	for _, name := range []string{"rover", "base"} {
		b := realFile(t, "phase/"+name+"_moving_msm7.rtcm3")
		rows, err := csv.NewReader(bytes.NewReader(realFile(t, "phase/"+name+"_moving_msm7.expected.csv"))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]observation.Observation{}
		var s Scanner
		var j Epochs
		s.Push(b, func(m *Message) {
			if m.MSM == 0 {
				return
			}
			if err := j.Push(s.Raw(), gnsstime.Time{Week: 2176, TOW: 282600}, func(e *observation.Epoch) {
				for _, q := range e.Obs {
					got[fmt.Sprintf("%.1f %v %v", e.Time.TOW, q.Sat, q.Signal)] = q
				}
			}); err != nil {
				t.Error(err)
			}
		}, nil)
		if len(rows) < 100 {
			t.Fatalf("%d rows", len(rows))
		}
		differences := 0
		for _, r := range rows[1:] {
			q, ok := got[r[1]+" "+r[2]+" "+r[3]]
			if !ok {
				t.Errorf("%s: no %v", name, r[:4])
				continue
			}
			check := func(what string, g float64, text string, within float64) {
				want := math.NaN()
				if text != "" {
					want, _ = strconv.ParseFloat(text, 64)
				}
				if !(math.Abs(g-want) <= within) && !(math.IsNaN(g) && math.IsNaN(want)) {
					differences++
					t.Errorf("%s: %v %s is %.6f, want %.6f", name, r[1:4], what, g, want)
				}
			}
			check("code", q.Code, r[4], 5.1e-6)
			check("phase range", q.Phase*q.Wavelength(), r[5], 6e-7)
			check("phase", q.Phase, r[6], 6e-6)
			check("rate", -q.Doppler*q.Wavelength(), r[7], 1e-6)
			check("lock", q.Lock*1000, r[9], 1e-9)
			check("half cycle", float64(bit(q.HalfCycle)), r[10], 0)
			check("C/N0", q.CN0, r[11], 1e-9)
		}
		t.Logf("%s: %d observations, %d differences", name, len(rows)-1, differences)
	}
}

// What is encoded decodes to the same, for every system and type.
func TestObservables_AllTypes(t *testing.T) {
	for sys := range NSystems {
		for typ := 1; typ <= 7; typ++ {
			o := sampleObservables(sys, typ, 99)
			raw, err := o.Encode()
			if err != nil {
				t.Fatalf("%v MSM%d: %v", sys, typ, err)
			}
			var d Observables
			if err := d.Decode(raw); err != nil {
				t.Fatalf("%v MSM%d: %v", sys, typ, err)
			}
			if d != o {
				t.Errorf("%v MSM%d: decodes to\n%+v, was\n%+v", sys, typ, d, o)
			}
			var m Message
			m.Decode(raw)
			if m.Truncated || m.System != sys || m.MSM != typ || m.Cells != o.NCells || m.Sats != o.NSats {
				t.Errorf("%v MSM%d: header %+v", sys, typ, m)
			}
			// One bit less than the fields need is refused.
			short := Frame(raw[headLen : len(raw)-crcLen-1])
			if err := d.Decode(short); err == nil {
				t.Errorf("%v MSM%d: cut short and accepted", sys, typ)
			}
		}
	}
}

// sampleObservables fills every field that a type has with numbers from a seed.
func sampleObservables(sys System, typ int, seed uint64) (o Observables) {
	x := seed + uint64(sys)<<8 + uint64(typ)
	next := func(n int) uint64 { // n bits
		x = x*6364136223846793005 + 1442695040888963407
		return x >> (64 - n)
	}
	o = Observables{System: sys, Type: typ, Station: int(next(12)), EpochMs: int64(next(26)), Day: -1, More: next(1) == 1,
		IODS: uint8(next(3)), Reserved: uint8(next(7)), Steering: uint8(next(2)), ExternalClock: uint8(next(2)),
		DivergenceFree: next(1) == 1, Smoothing: uint8(next(3)),
		SatMask: 0x8000400000200001, SignalMask: 1<<30 | 1<<16 | 1, NSats: 4, NSignals: 3}
	if sys == GLONASS {
		o.Day = int(next(3))
	}
	o.CellMask = 0xB6F << 52
	o.NCells = 9
	o.number()
	signed := func(n int) int64 { return int64(next(n)<<(64-n)) >> (64 - n) }
	for i := range o.Sats[:o.NSats] {
		s := &o.Sats[i]
		s.RoughMod = uint16(next(10))
		if typ >= 4 {
			s.RoughMs = uint8(next(8))
		}
		if typ == 5 || typ == 7 {
			s.Info, s.Rate = uint8(next(4)), int16(signed(14))
		}
	}
	w := cellBits[typ]
	field := func(n int) int64 {
		if n == 0 {
			return 0
		}
		return signed(n)
	}
	for i := range o.Cells[:o.NCells] {
		c := &o.Cells[i]
		c.Code, c.Phase, c.Rate = int32(field(w.code)), int32(field(w.phase)), int16(field(w.rate))
		if w.lock > 0 {
			c.Lock, c.HalfCycle = uint16(next(w.lock)), next(1) == 1
		}
		if w.cnr > 0 {
			c.CNR = uint16(next(w.cnr))
		}
	}
	return o
}

// Numbers that stand for "not observed" give NaN, not a range.
func TestObservables_NotObserved(t *testing.T) {
	o := sampleObservables(GPS, 7, 1)
	o.Sats[0].RoughMs = noRough
	for i := range o.Cells[:o.NCells] {
		c := &o.Cells[i]
		_, none := codeScale(7)
		c.Code = none
		_, none = phaseScale(7)
		c.Phase, c.Rate, c.CNR, c.Lock = none, noFineRate, 0, 705
	}
	all, _ := o.AppendTo(nil, nil)
	if len(all) == 0 {
		t.Fatal("nothing observed")
	}
	for _, q := range all {
		for what, v := range map[string]float64{"code": q.Code, "phase": q.Phase, "Doppler": q.Doppler, "C/N0": q.CN0, "lock": q.Lock} {
			if !math.IsNaN(v) {
				t.Errorf("%v %v: %s is %g", q.Sat, q.Signal, what, v)
			}
		}
	}
	// A GLONASS channel comes from the message, or from what is known.
	g := sampleObservables(GLONASS, 7, 1)
	g.Sats[0].Info = 3
	all, _ = g.AppendTo(nil, nil)
	if want := 1602e6 - 4*0.5625e6; all[0].Hz != want {
		t.Errorf("channel -4: %g Hz, want %g", all[0].Hz, want)
	}
	g = sampleObservables(GLONASS, 4, 1)
	all, _ = g.AppendTo(nil, func(int) int { return satellite.NoChannel })
	if all[0].Hz != 0 || !math.IsNaN(all[0].Phase) {
		t.Errorf("no channel known: %g Hz, phase %g", all[0].Hz, all[0].Phase)
	}
	all, _ = g.AppendTo(nil, func(int) int { return 5 })
	if all[0].Hz != 1602e6+5*0.5625e6 {
		t.Errorf("channel 5: %g Hz", all[0].Hz)
	}
}

// An epoch ends where its messages say so, or with the next instant; a stream
// that says so after every message is found out.
func TestEpochs(t *testing.T) {
	const week = 2200
	near := gnsstime.Time{Week: week, TOW: 1000}
	message := func(sys System, ms int64, more bool, station int) []byte {
		o := sampleObservables(sys, 7, 7)
		o.Station, o.More, o.EpochMs, o.Day = station, more, ms, -1
		switch sys {
		case GLONASS:
			o.Day, o.EpochMs = 0, ms-18000+3*3600000
		case BeiDou:
			o.EpochMs = ms - 14000
		}
		raw, err := o.Encode()
		if err != nil {
			t.Fatal(err)
		}
		return raw
	}
	type got struct {
		tow      float64
		obs      int
		complete bool
		station  int
	}
	run := func(frames ...[]byte) (list []got, j Epochs) {
		emit := func(e *observation.Epoch) {
			if e.Time.Week != week {
				t.Errorf("week %d", e.Time.Week)
			}
			list = append(list, got{e.Time.TOW, len(e.Obs), e.Complete, e.Station})
		}
		for _, f := range frames {
			if err := j.Push(f, near, emit); err != nil {
				t.Log(err)
			}
		}
		j.Flush(emit)
		return list, j
	}
	same := func(name string, have, want []got) {
		t.Helper()
		if fmt.Sprint(have) != fmt.Sprint(want) {
			t.Errorf("%s: %v, want %v", name, have, want)
		}
	}
	_, single := run(message(GPS, 1000000, false, 1))
	n := 9 - single.Counts.Unnamed
	_, single = run(message(GLONASS, 1000000, false, 1))
	nGLO := 9 - single.Counts.Unnamed
	_, single = run(message(BeiDou, 1000000, false, 1))
	nBDS := 9 - single.Counts.Unnamed

	list, _ := run(message(GPS, 1000000, true, 1), message(GLONASS, 1000000, true, 1), message(BeiDou, 1000000, false, 1), message(GPS, 1001000, false, 1))
	same("three systems", list, []got{{1000, n + nGLO + nBDS, true, 1}, {1001, n, true, 1}})
	list, _ = run(message(GPS, 1000000, true, 1), message(GPS, 1001000, true, 1))
	same("no last message", list, []got{{1000, n, false, 1}, {1001, n, false, 1}})
	list, _ = run(message(GPS, 1000000, true, 1), message(GLONASS, 1000000, true, 2))
	same("two stations", list, []got{{1000, n, false, 1}, {1000, nGLO, false, 2}})
	list, j := run(message(GPS, 1000000, false, 1), message(BeiDou, 1000000, false, 1), message(GPS, 1001000, false, 1), message(BeiDou, 1001000, false, 1))
	same("every message is called the last", list, []got{{1000, n, true, 1}, {1000, nBDS, false, 1}, {1001, n + nBDS, false, 1}})
	list, j = run(message(GPS, 1000000, true, 1), message(GPS, 1000000, false, 1))
	same("the same twice", list, []got{{1000, n, true, 1}})
	if j.Counts.Repeated != n {
		t.Errorf("%d repeated, want %d", j.Counts.Repeated, n)
	}
	broken := message(GPS, 1000000, false, 1)[:60]
	list, j = run(message(GPS, 1000000, true, 1), Frame(broken[3:57]), message(BeiDou, 1000000, false, 1))
	same("one is cut short", list, []got{{1000, n + nBDS, true, 1}})
	if j.Counts.Refused != 1 || j.Counts.Messages != 2 {
		t.Errorf("counts %+v", j.Counts)
	}
}

// What was observed is what a receiver of the messages reads: within half of
// the last bit of each field.
func TestObservables_Fill(t *testing.T) {
	for _, at := range []gnsstime.Time{{Week: 2446, TOW: 3}, {Week: 2446, TOW: 604799.8}, {Week: 2446, TOW: 86417.25}} {
		e := observation.Epoch{Time: at, Station: 17}
		for sys := range NSystems {
			for n := range 3 {
				for _, id := range []uint8{2, 22} {
					sig := signals[sys][id]
					hz := sys.Frequency(sig, n-7)
					if sig.Band == 0 || hz == 0 {
						continue
					}
					code := 2.2e7 + 1e6*float64(n) + float64(sys)*1e5 + float64(id)
					e.Obs = append(e.Obs, observation.Observation{Sat: satellite.ID{System: sys, Number: uint8(3 + 20*n)}, Signal: sig, Hz: hz,
						Code: code, Phase: (code - 50) * hz / satellite.SpeedOfLight, Doppler: (1000 - 700*float64(n)) * hz / 1.6e9, CN0: 40.25 + float64(n), Lock: 12.3, HalfCycle: n == 1})
				}
			}
		}
		for typ := 4; typ <= 7; typ++ {
			var got []observation.Observation
			for sys := range NSystems {
				var o, d Observables
				if err := o.Fill(&e, sys, typ, true); err != nil {
					t.Fatal(err)
				}
				raw, err := o.Encode()
				if err != nil {
					t.Fatal(err)
				}
				if err := d.Decode(raw); err != nil || d != o {
					t.Fatalf("MSM%d of %v: %v", typ, sys, err)
				}
				if u := d.Time(at.Add(1e5)); math.Abs(u.Sub(at)) > 1e-9 {
					t.Errorf("%v: time %+v, want %+v", sys, u, at)
				}
				got, _ = d.AppendTo(got, func(slot int) int { return (slot-3)/20 - 7 })
			}
			if len(got) != len(e.Obs) {
				t.Fatalf("MSM%d: %d observations, want %d", typ, len(got), len(e.Obs))
			}
			code, phase, cn0 := 0.0003, 0.0003, 0.04
			if typ < 6 {
				code, phase, cn0 = 0.01, 0.0003, 0.51
			}
			for i, q := range got {
				w := e.Obs[i]
				near := func(what string, a, b, within float64) {
					if !(math.Abs(a-b) <= within) {
						t.Errorf("MSM%d %v %v: %s %.6f, want %.6f", typ, w.Sat, w.Signal, what, a, b)
					}
				}
				if q.Sat != w.Sat || q.Signal != w.Signal || q.HalfCycle != w.HalfCycle || q.Hz != w.Hz {
					t.Errorf("MSM%d: %+v, want %+v", typ, q, w)
				}
				near("code", q.Code, w.Code, code)
				near("phase, m", q.Phase*q.Wavelength(), w.Phase*w.Wavelength(), phase)
				near("C/N0", q.CN0, w.CN0, cn0)
				if typ == 5 || typ == 7 {
					near("Doppler", q.Doppler, w.Doppler, 0.001)
				}
				if !(q.Lock <= w.Lock && q.Lock > w.Lock/2) {
					t.Errorf("MSM%d: lock %g s of %g", typ, q.Lock, w.Lock)
				}
			}
		}
	}
	far := observation.Epoch{Time: gnsstime.Time{Week: 2446}, Obs: []observation.Observation{{Sat: satellite.ID{System: GPS, Number: 1},
		Signal: satellite.Signal{Band: '1', Attribute: 'C'}, Hz: 1575.42e6, Code: 2.2e7, Phase: 1}}}
	if err := new(Observables).Fill(&far, GPS, 7, false); err == nil {
		t.Error("a phase far from its code is filled in")
	}
}

// What is kept stays as it was, the rest is gone without a trace.
func TestObservables_Keep(t *testing.T) {
	for sys := range NSystems {
		o := sampleObservables(sys, 7, 3)
		all, _ := o.AppendTo(nil, nil)
		gone := o.Sats[1].Number
		o.Keep(func(n uint8) bool { return n != gone })
		raw, err := o.Encode()
		if err != nil {
			t.Fatal(err)
		}
		var d Observables
		if err := d.Decode(raw); err != nil || d != o {
			t.Fatalf("%v: %v", sys, err)
		}
		left, _ := d.AppendTo(nil, nil)
		k := 0
		for _, q := range all {
			if q.Sat.Number == gone {
				continue
			}
			if k >= len(left) || fmt.Sprint(left[k]) != fmt.Sprint(q) {
				t.Fatalf("%v: observation %d differs", sys, k)
			}
			k++
		}
		if k != len(left) || len(all) > 0 && k == len(all) {
			t.Errorf("%v: %d of %d left, want %d", sys, len(left), len(all), k)
		}
	}
}

// Every C/N0 falls by as much, and what is too weak then is gone.
func TestObservables_Dim(t *testing.T) {
	for _, typ := range []int{4, 5, 7} {
		o := sampleObservables(GPS, typ, 3)
		all, _ := o.AppendTo(nil, nil)
		o.Dim(9, 22)
		raw, err := o.Encode()
		if err != nil {
			t.Fatal(err)
		}
		var d Observables
		if err := d.Decode(raw); err != nil || d != o {
			t.Fatalf("MSM%d: %v", typ, err)
		}
		left, _ := d.AppendTo(nil, nil)
		k := 0
		for _, q := range all {
			if q.CN0-9 < 22 {
				continue
			}
			if k >= len(left) || left[k].Sat != q.Sat || left[k].Signal != q.Signal || !(math.Abs(left[k].CN0-q.CN0+9) < 0.51) && !math.IsNaN(q.CN0) {
				t.Fatalf("MSM%d: observation %d is %+v, was %+v", typ, k, left[min(k, len(left)-1)], q)
			}
			k++
		}
		if k != len(left) || k == len(all) || k == 0 {
			t.Errorf("MSM%d: %d of %d left, want %d", typ, len(left), len(all), k)
		}
	}
}
