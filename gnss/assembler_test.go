package gnss

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/nmea"
	"kerbline/gnss/satellite"
)

func utc(s string) float64 {
	t, err := time.Parse("2006-01-02 15:04:05.999", s)
	if err != nil {
		panic(err)
	}
	return float64(t.UnixMilli()) / 1000
}

// feed pushes lines (bodies without $ and checksum) into an assembler and
// keeps what comes out.
type feed struct {
	*testing.T
	a   *Assembler
	p   *nmea.Parser
	out []*Epoch
}

func newFeed(t *testing.T) *feed { return &feed{T: t, a: NewAssembler(), p: nmea.NewParser()} }

func (f *feed) emit(e *Epoch) { f.out = append(f.out, e) }

func (f *feed) push(t float64, bodies ...string) *feed {
	f.Helper()
	for _, b := range bodies {
		s, err := f.p.Parse(fmt.Appendf(nil, "$%s*%02X", b, sum(b)))
		if err != nil {
			f.Fatal(err)
		}
		f.a.Push(t, s, f.emit)
	}
	return f
}

func sum(body string) (x byte) {
	for i := range len(body) {
		x ^= body[i]
	}
	return x
}

// take returns the epochs since the last take.
func (f *feed) take(n int) []*Epoch {
	f.Helper()
	out := f.out
	f.out = nil
	if len(out) != n {
		f.Fatalf("%d epochs, want %d: %+v", len(out), n, out)
	}
	return out
}

func (f *feed) tick(t float64) *feed { f.a.Tick(t, f.emit); return f }

const pos = "4807.0380000,N,01131.0000000,E"

// hms writes a Unix time as a receiver does.
func hms(unix float64) string {
	cs := int64(math.Round(unix*100)) % 8640000
	return fmt.Sprintf("%02d%02d%02d.%02d", cs/360000, cs/6000%60, cs/100%60, cs%100)
}

func gga(unix float64, talker string) string {
	return talker + "GGA," + hms(unix) + "," + pos + ",4,17,0.6,545.4000,M,46.9000,M,1.2,2003"
}
func gst(unix float64) string { return "GNGST," + hms(unix) + ",0.9,,,,0.026,0.020,0.045" }
func rmc(unix float64, kn string) string {
	return "GNRMC," + hms(unix) + ",A," + pos + "," + kn + ",084.4," + time.Unix(int64(unix), 0).UTC().Format("020106") + ",,,R,V"
}
func vtg(kn string) string { return "GNVTG,084.4,T,,M," + kn + ",N,,K,R" }
func zda(unix float64) string {
	return "GNZDA," + hms(unix) + time.Unix(int64(unix), 0).UTC().Format(",02,01,2006") + ",00,00"
}

func TestEpoch_AllFields(t *testing.T) {
	at := utc("2025-01-01 00:00:00")
	f := newFeed(t)
	f.push(at+0.08, "GPGSV,1,1,03,03,40,111,44,04,15,270,,06,60,010,48", "GNGSA,A,3,03,06,,,,,,,,,,,1.1,0.6,0.9,1",
		"GNGGA,000000.00,"+pos+",4,17,0.6,545.4000,M,46.9000,M,1.0,2003",
		"GNGST,000000.00,0.9,0.030,0.012,35.0,0.026,0.020,0.045",
		"GPGBS,000000.00,1.4,1.3,3.1,03,,-21.4,3.8,1,0",
		"GNRMC,000000.00,A,"+pos+",19.438445,084.4,010125,3.1,E,F,C",
		"GNTHS,090.000,A")
	f.a.Flush(at+0.09, f.emit)
	e := f.take(1)[0]
	want := Epoch{
		UTC: at, DateSeen: true, Arrival: at + 0.08, Complete: at + 0.09, Talker: [2]byte{'G', 'N'},
		HasPos: true, HasH: true, Quality: QualityFixed, Sats: 17, HDOP: 0.6, PDOP: 1.1, Age: 1, Station: 2003,
		Mode: 'F', Status: 'A', Nav: 'C',
		SigmaN: 0.026, SigmaE: 0.020, SigmaU: 0.045, RMSRange: 0.9,
		FaultSat: 3, FaultBias: -21.4, FaultSigma: 3.8, ErrN: 1.4, ErrE: 1.3, ErrU: 3.1,
		Tracked: 2, Of: [satellite.NSystems]int8{satellite.GPS: 2}, CN0: 46,
		// Checked to a tolerance below.
		Pos: e.Pos, Speed: e.Speed, Course: e.Course, Heading: e.Heading,
	}
	if *e != want {
		t.Errorf("got\n%+v\nwant\n%+v", *e, want)
	}
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"latitude", e.Pos.Lat / geodesy.Degree, 48.1173},
		{"longitude", e.Pos.Lon / geodesy.Degree, 691.0 / 60},
		{"height", e.Pos.H, 592.3}, // 545.4 + 46.9
		{"speed", e.Speed, 19.438445 * 463 / 900},
		{"course", e.Course / geodesy.Degree, 84.4},
		{"heading", e.Heading / geodesy.Degree, 90},
	} {
		if !(math.Abs(c.got-c.want) < 1e-9) {
			t.Errorf("%s %v, want %v", c.name, c.got, c.want)
		}
	}
}

// What no sentence says is NaN or -1.
func TestEpoch_UnknownIsNeverZero(t *testing.T) {
	at := utc("2025-01-01 00:00:00.4")
	f := newFeed(t)
	f.push(at, "GNGGA,000000.40,,,,,0,,,,,,,,")
	f.a.Flush(at, f.emit)
	e := *f.take(1)[0]
	for name, v := range map[string]float64{"HDOP": e.HDOP, "PDOP": e.PDOP, "Age": e.Age, "Speed": e.Speed, "Course": e.Course,
		"SigmaN": e.SigmaN, "SigmaE": e.SigmaE, "SigmaU": e.SigmaU, "RMSRange": e.RMSRange, "FaultBias": e.FaultBias, "FaultSigma": e.FaultSigma,
		"ErrN": e.ErrN, "ErrE": e.ErrE, "ErrU": e.ErrU, "Heading": e.Heading, "CN0": e.CN0} {
		if !math.IsNaN(v) {
			t.Errorf("%s is %v, want NaN", name, v)
		}
	}
	if e.Sats != -1 || e.Station != -1 || e.FaultSat != -1 || e.Tracked != -1 {
		t.Errorf("integers %d %d %d %d, want -1", e.Sats, e.Station, e.FaultSat, e.Tracked)
	}
	if e.HasPos || e.HasH || e.Quality != QualityNone || e.DateSeen {
		t.Errorf("%+v claims what it cannot know", e)
	}
}

func TestEpoch_PositionFromOneSentence(t *testing.T) {
	at := utc("2025-01-01 00:00:10")
	for _, tt := range []struct {
		name     string
		lines    []string
		has, h   bool
		q        Quality
		talker   string
		station  int
		latMin   float64 // minutes beyond 48 degrees, to tell the sentences apart
		override bool
	}{
		{"GGA wins", []string{"GNRMC,000010.00,A,4801.0,N,01131.0,E,1,2,010125,,,R", "GNGNS,000010.00,4802.0,N,01131.0,E,RR,9,1,2,3,,7", "GPGGA,000010.00,4803.0,N,01131.0,E,5,8,1,2,M,3,M,1,9"}, true, true, QualityFloat, "GP", 9, 3, false},
		{"GNS without GGA", []string{"GNRMC,000010.00,A,4801.0,N,01131.0,E,1,2,010125,,,R", "GNGNS,000010.00,4802.0,N,01131.0,E,RF,9,1,2,3,,7"}, true, true, QualityFloat, "GN", 7, 2, false},
		{"RMC alone", []string{"GNRMC,000010.00,A,4801.0,N,01131.0,E,1,2,010125,,,R"}, true, false, QualityFixed, "GN", -1, 1, false},
		{"old RMC alone", []string{"GPRMC,000010.00,A,4801.0,N,01131.0,E,1,2,010125,,"}, true, false, QualityUnknown, "GP", -1, 1, false},
		{"RMC warns", []string{"GNRMC,000010.00,V,4801.0,N,01131.0,E,1,2,010125,,,A"}, false, false, QualityNone, "GN", -1, 0, false},
		{"GGA without fix silences RMC", []string{"GNRMC,000010.00,A,4801.0,N,01131.0,E,1,2,010125,,,R", "GNGGA,000010.00,4803.0,N,01131.0,E,0,0,,,,,,,"}, false, false, QualityNone, "GN", -1, 0, false},
		{"GGA with a quality and no position", []string{"GNGGA,000010.00,,,,,1,8,1,2,M,3,M,,"}, false, false, QualitySingle, "GN", -1, 0, false},
		{"no separation, no height", []string{"GNGGA,000010.00,4803.0,N,01131.0,E,4,8,1,2,M,,M,,"}, true, false, QualityFixed, "GN", -1, 3, false},
		{"no altitude, no height", []string{"GNGGA,000010.00,4803.0,N,01131.0,E,4,8,1,,M,3,M,,"}, true, false, QualityFixed, "GN", -1, 3, false},
		{"GNS without fix", []string{"GNGNS,000010.00,4802.0,N,01131.0,E,NN,0,,,,,"}, false, false, QualityNone, "GN", -1, 0, false},
	} {
		f := newFeed(t).push(at, tt.lines...)
		f.a.Flush(at, f.emit)
		e := f.take(1)[0]
		lat := 0.0
		if tt.has {
			lat = (48 + tt.latMin/60) * geodesy.Degree
		}
		if e.HasPos != tt.has || e.HasH != tt.h || e.Quality != tt.q || string(e.Talker[:]) != tt.talker || e.Station != tt.station || math.Abs(e.Pos.Lat-lat) > 1e-12 {
			t.Errorf("%s: %+v", tt.name, *e)
		}
	}
}

// Constructed sentences over the turn of the year (pynmea2 1.15.0 reads them
// alike): 235959.90 -> 000000.00 is 0.10 s, whichever sentence has the date.
func TestDayRollover(t *testing.T) {
	at := utc("2024-12-31 23:59:59.9")
	for name, start := range map[string][]string{
		"RMC":         {"GNRMC,235959.90,A," + pos + ",19.438445,084.4,311224,3.1,E,R,S"},
		"ZDA":         {"GNZDA,235959.90,31,12,2024,00,00"},
		"host clock":  nil,
		"RMC no more": {"GNRMC,235959.90,A," + pos + ",19.438445,084.4,311224,3.1,E,R,S"},
	} {
		// The host clock is a minute ahead, so it says January throughout.
		f := newFeed(t)
		for i := range 5 {
			u := at + float64(i)/10
			f.push(u+60, gga(u, "GN"))
			switch {
			case i == 0:
				f.push(u+60, start...)
			case name == "RMC":
				f.push(u+60, rmc(u, "1"))
			case name == "ZDA":
				f.push(u+60, zda(u))
			}
		}
		f.a.Flush(at+61, f.emit)
		for i, e := range f.take(5) {
			if want := at + float64(i)/10; math.Abs(e.UTC-want) > 1e-6 || e.DateSeen != (start != nil) {
				t.Errorf("%s: epoch %d at %f (date seen: %v), want %f", name, i, e.UTC, e.DateSeen, want)
			}
		}
	}
}

func TestLeapSecondAndMissedWeeks(t *testing.T) {
	at := utc("2017-01-01 00:00:00")
	f := newFeed(t).push(at, "GNZDA,235960.50,31,12,2016,00,00", "GNGGA,235960.50,"+pos+",4,17,0.6,1,M,2,M,,")
	f.push(at+1, "GNGGA,000000.00,"+pos+",4,17,0.6,1,M,2,M,,")
	f.a.Flush(at+2, f.emit)
	e := f.take(2)
	if e[0].UTC != at+0.5 || e[1].UTC != at {
		t.Errorf("leap second at %f, then %f, want %f and %f", e[0].UTC, e[1].UTC, at+0.5, at)
	}

	// 2025-01-01 reported 1024 weeks early as 2005-05-18.
	at = utc("2025-01-01 12:00:00")
	f = newFeed(t).push(at+300, "GNRMC,120000.00,A,"+pos+",1,2,180505,,,R,V")
	f.a.Flush(at+300, f.emit)
	if e := f.take(1)[0]; e.UTC != at || e.WeeksAdded != 1024 {
		t.Errorf("UTC %f with %d weeks added, want %f with 1024", e.UTC, e.WeeksAdded, at)
	}
	// A host clock that knows nothing does not put a date right.
	f = newFeed(t).push(5, "GNRMC,120000.00,A,"+pos+",1,2,180505,,,R,V")
	f.a.Flush(5, f.emit)
	if e := f.take(1)[0]; e.UTC != utc("2005-05-18 12:00:00") || e.WeeksAdded != 0 {
		t.Errorf("UTC %f with %d weeks added, want 2005 as told", e.UTC, e.WeeksAdded)
	}
}

// Every order of the sentences of an epoch gives the same epochs, and from the
// third second on the last sentence completes each at once.
func TestAnyOrder(t *testing.T) {
	start := utc("2025-06-01 12:00:00")
	kinds := []func(u float64) string{
		func(u float64) string { return gga(u, "GN") },
		func(u float64) string { return rmc(u, "10") },
		gst,
		func(u float64) string { return vtg("10") },
	}
	var orders [][]int
	var permute func(done []int)
	permute = func(done []int) {
		if len(done) == len(kinds) {
			orders = append(orders, append([]int(nil), done...))
		}
	next:
		for k := range kinds {
			for _, d := range done {
				if d == k {
					continue next
				}
			}
			permute(append(done, k))
		}
	}
	permute(nil)
	for _, order := range orders {
		f := newFeed(t)
		for i := range 40 {
			u := start + float64(i)/10
			for n, k := range order {
				f.push(u+0.09+0.003*float64(n), kinds[k](u))
			}
			f.tick(u + 0.101)
		}
		f.a.Flush(start+5, f.emit)
		for i, e := range f.take(40) {
			if math.Abs(e.UTC-start-float64(i)/10) > 1e-6 || !e.HasPos || e.SigmaN != 0.026 || math.Abs(e.Speed-5.14444) > 1e-4 || e.Station != 2003 {
				t.Fatalf("order %v, epoch %d: %+v", order, i, *e)
			}
			if i >= 20 && e.Complete-e.Arrival > 0.0121 {
				t.Fatalf("order %v: epoch %d waited %.3f s", order, i, e.Complete-e.Arrival)
			}
		}
		if d := f.a.Dropped(); d.Late > 8 || d.Twice+d.Foreign > 0 {
			t.Errorf("order %v: dropped %+v", order, d)
		}
	}
}

// A date and a velocity once a second delay no other epoch and are in theirs.
func TestSlowSentences(t *testing.T) {
	start := utc("2025-06-01 12:00:00")
	f := newFeed(t)
	for i := range 50 {
		u := start + float64(i)/10
		f.push(u+0.090, gga(u, "GN"))
		f.push(u+0.092, gst(u))
		if i%10 == 0 {
			f.push(u+0.094, zda(u), vtg("20"))
		}
	}
	f.a.Flush(start+6, f.emit)
	for i, e := range f.take(50) {
		wait, speed := 0.002, math.NaN()
		if i%10 == 0 {
			wait, speed = 0.004, 20*463.0/900
		}
		if i >= 10 && math.Abs(e.Complete-e.Arrival-wait) > 1e-6 {
			t.Errorf("epoch %d waited %.3f s, want %.3f", i, e.Complete-e.Arrival, wait)
		}
		if math.IsNaN(speed) != math.IsNaN(e.Speed) || math.Abs(e.Speed-speed) > 1e-9 {
			t.Errorf("epoch %d: speed %v, want %v", i, e.Speed, speed)
		}
	}
}

// Sentences lost at random: each epoch that had a position comes out once, in
// order, with what was left of it.
func TestMissingSentences(t *testing.T) {
	start := utc("2025-06-01 23:59:50")
	rng := rand.New(rand.NewPCG(3, 4))
	f := newFeed(t)
	type has struct{ gga, rmc, gst bool }
	var want []has
	for i := range 2000 {
		u := start + float64(i)/10
		h := has{rng.Float64() > 0.1, rng.Float64() > 0.1, rng.Float64() > 0.1}
		if h.gga {
			f.push(u+0.090, gga(u, "GN"))
		}
		if h.rmc {
			f.push(u+0.092, rmc(u, "10"))
		}
		if h.gst {
			f.push(u+0.094, gst(u))
		}
		if h.gga || h.rmc {
			want = append(want, h)
		}
		f.tick(u + 0.15)
	}
	f.a.Flush(start+200, f.emit)
	last := 0.0
	for i, e := range f.take(len(want)) {
		h := want[i]
		if e.UTC <= last || !e.HasPos || e.HasH != h.gga || (e.Status == 'A') != h.rmc || math.IsNaN(e.SigmaN) == h.gst {
			t.Fatalf("epoch %d of %+v: %+v", i, h, *e)
		}
		last = e.UTC
	}
	if d := f.a.Dropped(); d != (Dropped{}) {
		t.Errorf("dropped %+v, want nothing", d)
	}
}

func TestWaiting(t *testing.T) {
	at := utc("2025-06-01 12:00:00")
	f := newFeed(t).push(at+0.09, gga(at, "GN"))
	f.tick(at + 0.1).tick(at + 0.2)
	f.take(0)
	if e := f.tick(at + 0.25).take(1)[0]; e.Arrival != at+0.09 || e.Complete != at+0.25 {
		t.Errorf("arrived %.3f, complete %.3f", e.Arrival-at, e.Complete-at)
	}
	// Too late for it.
	f.push(at+0.30, gst(at)).tick(at + 1)
	f.take(0)
	if d := f.a.Dropped(); d.Late != 1 {
		t.Errorf("dropped %+v, want one late", d)
	}
	// The next one waits for that sentence, though the first came alone.
	f.push(at+1.09, gga(at+1, "GN"))
	f.take(0)
	f.push(at+1.1, gst(at+1))
	f.take(1)
	// A position that usually comes is waited for longer.
	f.push(at+2.09, gst(at+2)).tick(at + 2.5)
	f.take(0)
	f.push(at+2.55, gga(at+2, "GN"))
	if e := f.take(1)[0]; e.SigmaN != 0.026 || !e.HasPos {
		t.Errorf("%+v", *e)
	}
	// Without a solution there is no epoch, and no end of waiting.
	f.push(at+3.09, gst(at+3)).tick(at + 3.7)
	f.take(0)
	// The host clock steps back an hour: the open epoch is handed on.
	f.push(at+4.09, gga(at+4, "GN")).tick(at - 3600)
	f.take(1)
	// A second GGA of one time and talker.
	f.push(at+5.09, gga(at+5, "GN"), gga(at+5, "GN")).tick(at + 6)
	f.take(1)
	if d := f.a.Dropped(); d.Twice != 1 {
		t.Errorf("dropped %+v, want one twice", d)
	}
}

// Sentences without a time go to the epoch they stand next to.
func TestUntimed(t *testing.T) {
	start := utc("2025-06-01 12:00:00")
	for _, tt := range []struct {
		name string
		gap  float64 // s, VTG after the GGA of its epoch
	}{
		{"after", 0.004}, {"before", -0.004}, {"long after, slow port", 0.030}, {"long before, slow port", -0.030},
	} {
		f := newFeed(t)
		lost := 0
		for i := range 60 {
			u := start + float64(i)/10
			kn := fmt.Sprint(i)
			if i%7 == 6 { // this VTG is lost
				kn = ""
				lost++
			}
			if tt.gap < 0 && kn != "" {
				f.push(u+0.09+tt.gap, vtg(kn))
			}
			f.push(u+0.09, gga(u, "GN"))
			if tt.gap > 0 && kn != "" {
				f.push(u+0.09+tt.gap, vtg(kn))
			}
			f.tick(u + 0.149)
		}
		f.a.Flush(start+10, f.emit)
		for i, e := range f.take(60) {
			if i < 10 {
				continue // learning
			}
			want := float64(i) * 463 / 900
			if i%7 == 6 {
				want = math.NaN()
			}
			if math.IsNaN(want) != math.IsNaN(e.Speed) || math.Abs(e.Speed-want) > 1e-9 {
				t.Errorf("%s: epoch %d has speed %v, want %v", tt.name, i, e.Speed, want)
			}
		}
	}
}

// A heading that THS calls not valid is none, whatever HDT says, and RMC's
// velocity, which has a time, goes before VTG's.
func TestPrecedence(t *testing.T) {
	at := utc("2025-06-01 12:00:00")
	for _, lines := range [][]string{
		{"GNHDT,084.400,T", "GNTHS,,V", rmc(at, "10"), vtg("20")},
		{"GNTHS,,V", vtg("20"), "GNHDT,084.400,T", rmc(at, "10")},
	} {
		f := newFeed(t).push(at, gga(at, "GN")).push(at, lines...)
		f.a.Flush(at, f.emit)
		if e := f.take(1)[0]; !math.IsNaN(e.Heading) || math.Abs(e.Speed-5.14444) > 1e-4 {
			t.Errorf("%v: heading %v, speed %v", lines, e.Heading, e.Speed)
		}
	}
}

// One receiver under several talkers is one epoch.
func TestTalkersOfOneReceiver(t *testing.T) {
	start := utc("2025-06-01 12:00:00")
	f := newFeed(t)
	for i := range 30 {
		u := start + float64(i)/10
		talker := "GP" // it changes with the constellations in use
		if i >= 10 && i != 20 {
			talker = "GN"
		}
		f.push(u+0.09, gga(u, talker), strings.Replace(gst(u), "GN", "GL", 1), strings.Replace(rmc(u, "1"), "GN", "GP", 1))
	}
	f.a.Flush(start+4, f.emit)
	for i, e := range f.take(30) {
		if !e.HasPos || math.IsNaN(e.SigmaN) || e.Status != 'A' {
			t.Errorf("epoch %d: %+v", i, *e)
		}
	}
	if d := f.a.Dropped(); d != (Dropped{}) {
		t.Errorf("dropped %+v, want nothing", d)
	}
}

// Two receivers on one wire, the same time or not: the epochs are the first
// one's, until it falls silent.
func TestTwoReceivers(t *testing.T) {
	start := utc("2025-06-01 12:00:00")
	other := func(u float64) []string {
		return []string{strings.Replace(gga(u, "GP"), "4807.038", "4807.039", 1), strings.Replace(rmc(u, "20"), "GN", "GP", 1)}
	}
	for _, tt := range []struct {
		name        string
		offset      float64 // s, the second one's epochs after the first's
		delay       float64 // s, its sentences after
		learn, both int     // epochs until it is known, and of both in that time
	}{
		{"same time, sentence by sentence", 0, 0, 0, 0},
		{"same time, later", 0, 0.05, 3, 0},
		{"between", 0.05, 0.05, 4, 4},
	} {
		f := newFeed(t)
		for i := range 50 {
			u := start + float64(i)/10
			if i < 30 {
				f.push(u+0.09, gga(u, "GN"))
				f.push(u+0.09+tt.delay, other(u + tt.offset)[0])
				f.push(u+0.09, rmc(u, "10"))
				f.push(u+0.09+tt.delay, other(u + tt.offset)[1])
			} else {
				f.push(u+0.09+tt.delay, other(u+tt.offset)...)
			}
			f.tick(u + 0.1499)
		}
		f.a.Flush(start+6, f.emit)
		var gn, gp, early int
		for _, e := range f.out {
			lat := e.Pos.Lat/geodesy.Degree*60 - 48*60
			switch {
			case string(e.Talker[:]) == "GN" && math.Abs(lat-7.038) < 1e-9:
				gn++
				if e.UTC-start > 0.5 && math.Abs(e.Speed-5.14444) > 1e-4 {
					t.Errorf("%s: speed %v of the other receiver in the epoch at %.2f", tt.name, e.Speed, e.UTC-start)
				}
			case string(e.Talker[:]) == "GP" && math.Abs(lat-7.039) < 1e-9:
				gp++
				if e.UTC-start < 2.99 {
					early++
				}
			default:
				t.Errorf("%s: %+v mixes the two", tt.name, *e)
			}
		}
		if gn != 30 || early > tt.both || gp-early < 15 || gp-early > 20 {
			t.Errorf("%s: %d epochs of the first, %d of the second before it fell silent, %d after; want 30, at most %d, 15 to 20",
				tt.name, gn, early, gp-early, tt.both)
		}
		if d := f.a.Dropped(); d.Foreign < 40 {
			t.Errorf("%s: dropped %+v, want most of the second's sentences", tt.name, d)
		}
	}
}

// Before the receiver knows the time there are epochs all the same.
func TestNoTime(t *testing.T) {
	f := newFeed(t)
	for i := range 10 {
		f.push(1000+float64(i), "GPVTG,,,,,,,,,N", "GPRMC,,V,,,,,,,,,,N")
		if i != 5 {
			f.push(1000+float64(i), "GPGGA,,,,,,0,,,,,,,,")
		}
		f.tick(1000.6 + float64(i))
	}
	f.a.Flush(1011, f.emit)
	for i, e := range f.take(10) {
		if !math.IsNaN(e.UTC) || e.HasPos || e.Quality != QualityNone || e.Arrival != 1000+float64(i) {
			t.Errorf("%+v", *e)
		}
	}
}

// Positioning modes against fix qualities (follows from the definitions, from
// memory): R 4, F 5, D 2, P 3, A 1, E 6, M 7, S 8, N 0.
func TestModeAsQuality(t *testing.T) {
	at := utc("2025-06-01 12:00:00")
	for mode, want := range map[string]Quality{"N": 0, "A": 1, "D": 2, "P": 3, "R": 4, "F": 5, "E": 6, "M": 7, "S": 8, "": QualityUnknown, "X": QualityUnknown} {
		f := newFeed(t).push(at, "GNRMC,120000.00,A,"+pos+",1,2,010625,,,"+mode)
		f.a.Flush(at, f.emit)
		if e := f.take(1)[0]; e.Quality != want || e.HasPos != (want != QualityNone) {
			t.Errorf("mode %q: quality %v, position %v, want %v", mode, e.Quality, e.HasPos, want)
		}
	}
}

func TestSky(t *testing.T) {
	at := utc("2025-06-01 12:00:00")
	for _, tt := range []struct {
		name    string
		lines   []string
		tracked int
		cn0     float64
	}{
		{"none", nil, -1, math.NaN()},
		{"one cycle", []string{"GPGSV,1,1,03,1,1,1,40,2,2,2,,3,3,3,44"}, 2, 42},
		{"not tracked as 00", []string{"GPGSV,1,1,02,1,1,1,00,2,2,2,00"}, 0, math.NaN()},
		{"nothing in view", []string{"GBGSV,1,1,00,0"}, 0, math.NaN()},
		{"incomplete", []string{"GPGSV,2,1,05,1,1,1,40,2,2,2,,3,3,3,44,4,4,4,44"}, -1, math.NaN()},
		{"message lost", []string{"GPGSV,3,1,09,1,1,1,40", "GPGSV,3,3,09,3,3,3,44"}, -1, math.NaN()},
		{"two messages", []string{"GPGSV,2,1,02,1,1,1,40", "GPGSV,2,2,02,3,3,3,44"}, 2, 42},
		{"cycle after cycle", []string{"GPGSV,1,1,01,1,1,1,40", "GPGSV,2,1,02,1,1,1,30", "GPGSV,2,2,02,3,3,3,34"}, 2, 32},
		{"the last whole cycle counts", []string{"GPGSV,1,1,01,1,1,1,40", "GPGSV,2,1,02,1,1,1,30"}, 1, 40},
		{"constellations add", []string{"GPGSV,1,1,01,1,1,1,40", "GLGSV,1,1,01,65,1,1,30", "GAGSV,1,1,01,5,1,1,35"}, 3, 35},
		{"signals of one constellation do not", []string{"GPGSV,1,1,01,1,1,1,40,6", "GPGSV,1,1,01,1,1,1,44,1"}, 1, 44},
	} {
		f := newFeed(t).push(at, tt.lines...).push(at, gga(at, "GN"))
		f.a.Flush(at, f.emit)
		e := f.take(1)[0]
		if e.Tracked != tt.tracked || math.IsNaN(e.CN0) != math.IsNaN(tt.cn0) || e.CN0 != tt.cn0 && !math.IsNaN(e.CN0) {
			t.Errorf("%s: %d tracked, %v dB-Hz, want %d, %v", tt.name, e.Tracked, e.CN0, tt.tracked, tt.cn0)
		}
	}
	f := newFeed(t).push(at, "GPGSV,2,1,05,1,1,1,40,32,1,1,40,33,1,1,40,193,1,1,40", "GPGSV,2,2,05,7,1,1,00", "GLGSV,1,1,02,65,1,1,30,66,1,1,31",
		"GAGSV,1,1,01,5,1,1,35,7", "GAGSV,1,1,01,5,1,1,31,2", "GBGSV,1,1,01,5,1,1,35", "GNGSV,1,1,02,70,1,1,35,3,1,1,36").push(at, gga(at, "GN"))
	f.a.Flush(at, f.emit)
	if got, want := f.take(1)[0].Of, ([satellite.NSystems]int8{satellite.GPS: 3, satellite.GLONASS: 3, satellite.Galileo: 1, satellite.SBAS: 1, satellite.QZSS: 1, satellite.BeiDou: 1}); got != want {
		t.Errorf("by constellation %v, want %v", got, want)
	}
	// Old lists do not count.
	f = newFeed(t).push(at, "GPGSV,1,1,01,1,1,1,40", "GNGSA,A,3,03,06,,,,,,,,,,,1.1,0.6,0.9,1").push(at+60, gga(at+60, "GN"))
	f.a.Flush(at+60, f.emit)
	if e := f.take(1)[0]; e.Tracked != -1 || !math.IsNaN(e.PDOP) {
		t.Errorf("a minute later: %d tracked, PDOP %v", e.Tracked, e.PDOP)
	}
}

func TestQuality_String(t *testing.T) {
	for q, want := range map[Quality]string{QualityNone: "none", QualityFixed: "fixed", QualityFloat: "float", QualitySimulated: "simulated", 9: "unknown", QualityUnknown: "unknown"} {
		if q.String() != want {
			t.Errorf("%d is %q, want %q", q, q, want)
		}
	}
}

// Only the epoch itself is allocated.
func TestAssembler_Allocs(t *testing.T) {
	p, q := nmea.NewParser(), nmea.NewParser()
	a := NewAssembler()
	n := 0
	emit := func(*Epoch) { n++ }
	u := utc("2025-06-01 12:00:00")
	gga := []byte("$GNGGA,000000.00," + pos + ",4,17,0.6,545.4000,M,46.9000,M,1.0,2003*50")
	gst := []byte("$GNGST,000000.00,0.9,0.030,0.012,35.0,0.026,0.020,0.045*71")
	step := func() {
		s, _ := p.Parse(gga)
		r, _ := q.Parse(gst)
		u += 0.1
		s.Time = math.Mod(u, 86400)
		r.Time = s.Time
		a.Push(u, s, emit)
		a.Push(u, r, emit)
		a.Tick(u, emit)
	}
	for range 30 {
		step()
	}
	if got := testing.AllocsPerRun(100, step); got > 1 {
		t.Errorf("%g allocations an epoch, want 1", got)
	}
	if n < 129 {
		t.Errorf("%d epochs", n)
	}
}

func ExampleAssembler() {
	p, a := nmea.NewParser(), NewAssembler()
	emit := func(e *Epoch) {
		fmt.Printf("%s, %s, %.1f m, age %.1f s, station %d\n",
			time.Unix(int64(e.UTC), 0).UTC().Format(time.DateTime), e.Quality, e.Pos.H, e.Age, e.Station)
	}
	host := 1735689600.08
	for _, line := range []string{
		"$GNGGA,000000.00,4807.0380000,N,01131.0000000,E,4,17,0.6,545.4000,M,46.9000,M,1.0,2003*50",
		"$GNRMC,000000.00,A,4807.0380000,N,01131.0000000,E,19.438445,084.4,010125,3.1,E,F,C*4E",
	} {
		s, err := p.Parse([]byte(line))
		if err != nil {
			fmt.Println(err)
			return
		}
		a.Push(host, s, emit)
	}
	a.Tick(host+0.2, emit) // nothing more came
	// Output: 2025-01-01 00:00:00, fixed, 592.3 m, age 1.0 s, station 2003
}
