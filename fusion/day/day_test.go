package day

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// drive feeds a collector a car on a round course of 400 m: standing for a
// while, then at v m/s with a line every 0.1 s. touch changes each line.
type drive struct {
	c        *Collector
	t, s     float64
	v        float64
	n        int
	settings fusion.Config
	lat, lon float64 // deg, middle of the course
	base     geodesy.ECEF
}

const (
	round  = 400.0
	host0  = 1_791_367_200.5
	radius = round / (2 * math.Pi)
)

// blank is what a monitor knows before anything came.
var blank = *fusion.NewMonitor(fusion.DefaultConfig(), nil).Snapshot()

func newDrive(v float64) *drive {
	d := &drive{v: v, t: host0, settings: fusion.DefaultConfig(), lat: 48, lon: 11, base: geodesy.ECEF{X: 4_475_369, Y: 940_002, Z: 4_431_442}}
	d.settings.Base.ECEF = [3]float64{4_475_369, 940_002, 4_431_442}
	d.c = NewCollector("drive", &d.settings, nil)
	return d
}

func (d *drive) run(seconds float64, touch func(s *fusion.Snapshot)) {
	nan := math.NaN()
	for range int(math.Round(seconds / 0.1)) {
		s := blank
		a := d.s / radius
		s.T, s.UTC, s.HostMinusUTC = d.t, d.t-0.5, 0.5
		s.Verdict, s.Advice = fusion.Usable, fusion.AdviseMap
		s.HasPos, s.Pos = true, geodesy.LLA{Lat: d.lat*geodesy.Degree + radius*math.Sin(a)/6.37e6, Lon: d.lon*geodesy.Degree + radius*math.Cos(a)/4.26e6, H: 500}
		s.Speed, s.SpeedCap, s.Coast, s.Handover = d.v, 25, 9, 1.5
		s.PLLat.Total, s.PLLon.Total, s.PLYaw.Total = 0.2, 0.25, 0.5*geodesy.Degree
		s.ALLat, s.ALLon, s.ALYaw = 0.5, 1, 3*geodesy.Degree
		s.HasCourse, s.LapLength, s.Station, s.Cross, s.CourseYaw = true, round, d.s, 0.1, math.Remainder(a+math.Pi/2, 2*math.Pi)
		s.Epoch.Quality, s.Epoch.Age, s.Epoch.Station, s.Epoch.Sats, s.Epoch.UTC = gnss.QualityFixed, 1, 7, 20, d.t-0.6
		s.Epoch.HasPos, s.Epoch.Pos = true, s.Pos
		s.EpochAge, s.IMUAge, s.IMURate, s.WheelAge = 0.05, 0.005, 200, nan
		s.Link.Condition, s.Link.Base, s.Link.BaseOff, s.Link.BaseECEF = corrections.Flowing, corrections.BaseAsSurveyed, 0.001, d.base
		s.LeverOff, s.LeverSigma = [2]float64{0.02, -0.01}, [2]float64{0.02, 0.02}
		if touch != nil {
			touch(&s)
		}
		d.c.Add(&s, nil)
		d.n++
		d.t += 0.1
		d.s = math.Mod(d.s+d.v*0.1, round)
	}
}

func (d *drive) judge() *Check { return Judge([]*Session{d.c.Session()}, Ask{}) }

func row(t testing.TB, c *Check, key string) *Row {
	t.Helper()
	for i := range c.Rows {
		if c.Rows[i].Key == key {
			return &c.Rows[i]
		}
	}
	t.Fatalf("no criterion %q", key)
	return nil
}

// Exact bounds (Garwood 1936; Clopper and Pearson 1934), tabled: 0 events at
// 95 %: 2.995732; 1: 4.743865; 0 of 10 one-sided 0.25886555. Hence none in 24
// min is at most 7.4893 an hour, and fewer than 2 an hour needs 2.995732/2 h.
func TestHowSure(t *testing.T) {
	cfg := fusion.DefaultConfig()
	for _, tt := range []struct {
		n             int
		minutes, rate float64
		want          string
	}{
		{0, 24, 2, "none in 24 min of driving: at most 7.5 an hour at 95 %; to claim fewer than 2 an hour, drive 66 min more without one"},
		{1, 60, 2, "1 in 60 min of driving: at most 4.7 an hour at 95 %; to claim fewer than 2 an hour, drive 82 min more without one"},
		{0, 6, 2, "none in 6.0 min of driving: at most 30 an hour at 95 %; to claim fewer than 2 an hour, drive 84 min more without one"},
		{0, 180, 2, "none in 3.0 h of driving: at most 1.0 an hour at 95 %; fewer than 2 an hour is shown"},
	} {
		j := &judge{cfg: &cfg, lim: &cfg.Day, driving: 60 * tt.minutes}
		if got := j.rate(tt.n, tt.rate); got != tt.want {
			t.Errorf("%d in %g min: %q, want %q", tt.n, tt.minutes, got, tt.want)
		}
	}
	d := newDrive(10)
	d.run(20+10*round/10+25, nil) // ten whole laps of settled driving
	c := d.judge()
	if r := row(t, c, "usable"); len(c.Sessions[0].Lap.Laps) < 10 || !strings.Contains(r.Sure, "throughout in 10 of 10 laps: in at least 74.1 % of laps at 95 %") {
		t.Errorf("usable: %q", r.Sure)
	}
}

// A clean drive is a yes up to the speed driven; nothing is known of places
// that were not driven, and the answer then is no.
func TestAnswers(t *testing.T) {
	d := newDrive(10)
	d.run(300, nil)
	if c := d.judge(); c.Answer != Provisional || c.Headline != "yes, provisional up to 10.0 m/s: 85 min more without a step to make it firm" {
		t.Errorf("clean: %s, want a provisional yes up to 10.0 m/s; %+v", c.Headline, c.Reasons)
	}

	d = newDrive(10)
	d.run(100, nil)
	if c := d.judge(); c.Answer != CannotSay || row(t, c, "driven").State != Fail || c.Headline != "cannot say: settled driving 1.3 min, must be at least 4.0 min" {
		t.Errorf("short: %s", c.Headline)
	}

	// The last 50 m are never reached: the car goes back to 0.
	d = newDrive(10)
	for range 12 {
		d.s = 0
		d.run(35, nil)
	}
	c := d.judge()
	if r := row(t, c, "coverage"); c.Answer != CannotSay || r.State != Fail || math.Abs(r.Value-70.0/80) > 0.02 || !strings.Contains(r.Sure, "unseen: 35") {
		t.Errorf("half a lap: %s, coverage %v %q", c.Headline, r.Value, r.Sure)
	}

	// Faster than the cap for a fifth of the time.
	d = newDrive(10)
	d.run(300, func(s *fusion.Snapshot) {
		if d.n%5 == 0 {
			s.SpeedCap = 8
		}
	})
	if c := d.judge(); c.Answer != YesBelow || c.Firm || c.Speed != 8 || c.Headline != "yes, provisional below 8.0 m/s: 85 min more without a step to make it firm" {
		t.Errorf("slow cap: %s, %v", c.Headline, c.Speed)
	}

	// Never usable at all.
	d = newDrive(10)
	d.run(300, func(s *fusion.Snapshot) {
		s.Verdict = fusion.Unusable
		s.Reasons[0], s.NReasons = fusion.Reason{Code: "imu-silent"}, 1
	})
	if c := d.judge(); c.Answer != No || c.Because != "the inertial sensor was silent" {
		t.Errorf("never usable: %s because %q", c.Headline, c.Because)
	}

	// Nothing at all.
	d = newDrive(0)
	if c := d.judge(); c.Answer != CannotSay || len(c.Reasons) == 0 {
		t.Errorf("nothing: %s", c.Headline)
	}
}

// An unknown state never passes: a criterion without a value is unseen.
func TestUnknownIsNotGood(t *testing.T) {
	d := newDrive(10)
	nan := math.NaN()
	d.run(300, func(s *fusion.Snapshot) {
		s.Speed, s.SpeedCap, s.Station, s.HasCourse, s.HasPos = nan, nan, nan, false, false
		s.Verdict, s.EpochAge, s.Epoch.Speed = fusion.Unproven, nan, nan
		s.PLLat.Total, s.PLLon.Total, s.PLYaw.Total = nan, nan, nan
		s.Link.Base, s.Link.BaseOff = corrections.BaseUnheard, nan
	})
	c := d.judge()
	if c.Answer != CannotSay {
		t.Errorf("answer %s", c.Headline)
	}
	for i := range c.Rows {
		if r := &c.Rows[i]; math.IsNaN(r.Value) != (r.State == Unseen) {
			t.Errorf("%s: value %v is %v", r.Key, r.Value, r.State)
		}
	}
}

// Breaks: what they cost, what they are put down to, and when the car was given
// away.
func TestBreaks(t *testing.T) {
	d := newDrive(10)
	d.run(60, nil)
	lose := func(v fusion.Verdict) func(*fusion.Snapshot) {
		return func(s *fusion.Snapshot) {
			s.Verdict = v
			s.Reasons[0], s.NReasons = fusion.Reason{Code: "fix-quality"}, 1
		}
	}
	at := d.t
	d.run(5, lose(fusion.Coasting))
	d.run(7, lose(fusion.Unusable))
	d.run(60, nil)
	d.run(3, lose(fusion.Coasting))
	d.run(120, nil)
	end := at + 12
	d.c.Add(nil, []fusion.Event{{T: at - 2, End: end - 1, Kind: fusion.EventOutage, Cause: "link_silent", Detail: "in words", Where: 5}})
	s := d.c.Session()
	if len(s.Breaks) != 2 || s.Handovers() != 1 {
		t.Fatalf("%d breaks, %d handovers, want 2 and 1: %+v", len(s.Breaks), s.Handovers(), s.Breaks)
	}
	a, b := &s.Breaks[0], &s.Breaks[1]
	near := func(what string, got, want float64) {
		if math.Abs(got-want) > 0.11 {
			t.Errorf("%s is %.2f, want %.2f", what, got, want)
		}
	}
	near("first lost", a.Lost, 12)
	near("second lost", b.Lost, 3)
	near("carried", a.Handover-a.From, 5)
	near("coast budget", a.Coast, 9)
	near("begin", a.From, at-host0)
	if a.Cause != "link_silent" || a.Outage != 0 || b.Cause != "fix-quality" || b.Outage != -1 {
		t.Errorf("causes %q (%d), %q (%d)", a.Cause, a.Outage, b.Cause, b.Outage)
	}
	c := Judge([]*Session{s}, Ask{})
	if r := row(t, c, "longest"); r.State != Fail || r.Effect != Stops {
		t.Errorf("longest: %v %v, want a fail that stops", r.State, r.Effect)
	}
	if c.Because != "nothing came over the link" {
		t.Errorf("because %q", c.Because)
	}
}

// A lap shifted as a whole is found, whatever side the driver keeps to.
func TestLapShift(t *testing.T) {
	d := newDrive(10)
	lap := 0
	r := rand.New(rand.NewPCG(1, 2))
	offsets := map[int]float64{2: 0.4, 5: -0.3}
	d.run(330, func(s *fusion.Snapshot) {
		if s.Station < 0.5 {
			lap++
		}
		sin, cos := math.Sincos(s.CourseYaw)
		s.Cross = 0.02*r.NormFloat64() + offsets[lap]
		if lap == 6 { // 0.20 m east, 0.10 m south
			s.Cross += -sin*0.20 + cos*-0.10
		}
	})
	s := d.c.Session()
	shifted := 0
	for i := range s.Lap.Laps {
		l := &s.Lap.Laps[i]
		switch dist := l.Shift(); {
		case math.IsNaN(dist):
		case dist > 0.1:
			shifted++
			if math.Abs(l.ShiftE-0.20) > 0.03 || math.Abs(l.ShiftN+0.10) > 0.03 {
				t.Errorf("lap %d: shift %.3f east, %.3f north, want 0.20, -0.10", i+1, l.ShiftE, l.ShiftN)
			}
		case dist > 0.06:
			t.Errorf("lap %d: shift %.3f m, want none", i+1, dist)
		}
	}
	if shifted != 1 {
		t.Errorf("%d laps shifted, want 1", shifted)
	}
}

// The scatter at rest is about the mean of each stretch, two axes together.
func TestRest(t *testing.T) {
	d := newDrive(0)
	r := rand.New(rand.NewPCG(3, 4))
	frame := geodesy.NewFrame(geodesy.LLA{Lat: 48 * geodesy.Degree, Lon: 11 * geodesy.Degree, H: 500})
	d.run(200, func(s *fusion.Snapshot) {
		s.Still = true
		s.Epoch.Pos = frame.ToLLA(geodesy.ENU{E: 0.01 * r.NormFloat64(), N: 0.02 * r.NormFloat64()})
		s.Vibration = math.Sqrt(3*200) * 0.002
	})
	s := d.c.Session()
	if want := math.Hypot(0.01, 0.02); math.Abs(s.Rest.rms()-want) > 0.0015 {
		t.Errorf("scatter %.4f m, want %.4f", s.Rest.rms(), want)
	}
	if math.Abs(s.AccNoise-0.002) > 1e-9 {
		t.Errorf("noise %.5f m/s^2/sqrt(Hz), want 0.002", s.AccNoise)
	}
}

// Bins join as the session grows, and no extreme or second is lost.
func TestSeriesKeepsExtremes(t *testing.T) {
	var s Series
	r := rand.New(rand.NewPCG(5, 6))
	var all Range
	const n = 200_000
	for i := range n {
		b := s.bin(float64(i) * 0.1)
		v := math.Exp(3 * r.NormFloat64())
		all.Add(v)
		b.Of[Speed].Add(v)
		b.Verdict[i%4] += 0.1
	}
	if len(s.Bins) > maxBins || len(s.Bins) < maxBins/2 {
		t.Errorf("%d bins, want %d to %d", len(s.Bins), maxBins/2, maxBins)
	}
	var got Range
	var sec float64
	for i := range s.Bins {
		got.Join(s.Bins[i].Of[Speed])
		for _, v := range s.Bins[i].Verdict {
			sec += v
		}
	}
	if got != all || math.Abs(sec-n*0.1) > 1e-6 {
		t.Errorf("range %v, %v s; want %v, %v s", got, sec, all, n*0.1)
	}
	if math.Abs(float64(len(s.Bins))*s.Step-n*0.1) > s.Step {
		t.Errorf("%d bins of %g s do not cover %g s", len(s.Bins), s.Step, n*0.1)
	}
}

// Memory does not grow with the length: three hours with a break in every lap.
func TestBounded(t *testing.T) {
	if testing.Short() {
		t.Skip("three hours of lines")
	}
	d := newDrive(20)
	for range 600 {
		d.run(17, nil)
		at := d.t
		d.run(1, func(s *fusion.Snapshot) { s.Verdict = fusion.Coasting })
		d.c.Add(nil, []fusion.Event{
			{T: at, End: math.NaN(), Kind: fusion.EventJump, Cause: "step", Size: 0.2, Where: 3},
			{T: at, End: at + 1, Kind: fusion.EventOutage, Cause: "unknown", Where: 3},
			{T: at, End: at + 1, Kind: fusion.EventReceiver, Size: 1, Where: 3},
		})
	}
	s := d.c.Session()
	for _, tt := range []struct {
		what     string
		got, max int
	}{{"bins", len(s.Series.Bins), maxBins}, {"points", len(s.Track.Points), maxPoints}, {"laps", len(s.Lap.Laps), maxLaps},
		{"breaks", len(s.Breaks), maxBreaks}, {"jumps", len(s.Jumps), maxJumps}, {"outages", len(s.Outages), maxOutages}, {"events", len(s.Events), maxEvents}} {
		if tt.got > tt.max || tt.got == 0 {
			t.Errorf("%d %s, want 1 to %d", tt.got, tt.what, tt.max)
		}
	}
	if s.NJumps != 600 || s.NOut != 600 || s.NBreaks != 600 || s.Lap.NLaps < 530 {
		t.Errorf("counted %d jumps, %d outages, %d breaks, %d laps, want 600 of each and some 540 laps", s.NJumps, s.NOut, s.NBreaks, s.Lap.NLaps)
	}
	if math.Abs(s.Total()-float64(d.n)*0.1) > 0.2 {
		t.Errorf("%.1f s by verdict of %.1f s", s.Total(), float64(d.n)*0.1)
	}
}

// A computer clock that is set back takes nothing away.
func TestClockSetBack(t *testing.T) {
	d := newDrive(10)
	d.run(100, nil)
	d.t -= 40
	d.run(100, nil)
	s := d.c.Session()
	if math.Abs(s.Total()-200) > 0.3 || math.Abs(s.Length-200) > 0.3 {
		t.Errorf("%.1f s by verdict, length %.1f s, want 200", s.Total(), s.Length)
	}
}

// Several recordings count together.
func TestTogether(t *testing.T) {
	var ss []*Session
	for i := range 2 {
		d := newDrive(10)
		d.t += 600 * float64(i)
		d.run(150, nil)
		ss = append(ss, d.c.Session())
	}
	if c := Judge(ss[:1], Ask{}); c.Answer != CannotSay {
		t.Errorf("one: %s, want too little driven", c.Headline)
	}
	c := Judge(ss, Ask{})
	if c.Answer != Provisional || math.Abs(c.Settled-260) > 1 {
		t.Errorf("both: %s on %.0f s", c.Headline, c.Settled)
	}
}

// The JSON output is valid where figures are unknown, and every criterion has
// its figures.
func TestJSON(t *testing.T) {
	d := newDrive(10)
	d.run(30, nil)
	var b strings.Builder
	if err := d.judge().WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	var out struct {
		Answer   string   `json:"answer"`
		Speed    *float64 `json:"speed_mps"`
		Criteria []struct {
			Key   string   `json:"key"`
			Value *float64 `json:"value"`
			State string   `json:"state"`
		} `json:"criteria"`
		NotChecked []string `json:"not_checked"`
	}
	if err := json.Unmarshal([]byte(b.String()), &out); err != nil {
		t.Fatal(err)
	}
	if out.Answer != "cannot_say" || out.Speed != nil || len(out.Criteria) < 15 || len(out.NotChecked) == 0 {
		t.Errorf("%+v", out)
	}
	for _, c := range out.Criteria {
		if (c.Value == nil) != (c.State == "unseen") {
			t.Errorf("%s: value %v, state %s", c.Key, c.Value, c.State)
		}
	}
}

// Every reason of the monitor and every cause has words and a remedy.
func TestWords(t *testing.T) {
	for _, tt := range []struct {
		got, want string
	}{{minutes(1440), "24 min"}, {minutes(342), "5.7 min"}, {down(11.29), "11.2"}, {down(12.3), "12.3"}, {place(223.4), "at 223 m of the lap"}, {place(math.NaN()), ""}} {
		if tt.got != tt.want {
			t.Errorf("%q, want %q", tt.got, tt.want)
		}
	}
}

// A collector with a truth file judges by it.
func TestTruth(t *testing.T) {
	d := newDrive(10)
	tr := score.NewTruth(geodesy.LLA{Lat: 48 * geodesy.Degree, Lon: 11 * geodesy.Degree, H: 500})
	for i := range 3000 {
		a := float64(i) * 10 * 0.1 / radius
		p := geodesy.LLA{Lat: 48*geodesy.Degree + radius*math.Sin(a)/6.37e6, Lon: 11*geodesy.Degree + radius*math.Cos(a)/4.26e6, H: 500}
		if err := tr.Add(host0+float64(i)*0.1, p, math.NaN(), 0); err != nil {
			t.Fatal(err)
		}
	}
	d.c = NewCollector("truth", &d.settings, tr)
	d.run(299, func(s *fusion.Snapshot) {
		if d.n > 2000 && d.n < 2050 { // 3 m east, called usable
			s.Pos.Lon += 3 / 4.26e6
		}
	})
	c := d.judge()
	if r := row(t, c, "misleading"); c.Answer != No || r.State != Fail || math.Abs(r.Value-4.9) > 0.3 || !strings.HasPrefix(c.Because, "usable beyond its limit") {
		t.Errorf("%s because %q, misleading %v", c.Headline, c.Because, r.Value)
	}
}

// Every driven second counts once, at its place on the lap, by verdict and by
// whether the receiver was fixed.
func TestPlacesAddUp(t *testing.T) {
	d := newDrive(10)
	d.run(400, func(s *fusion.Snapshot) {
		if s.Station > 100 && s.Station < 150 {
			s.Verdict, s.Advice = fusion.Coasting, fusion.AdviseMapSlow
			s.Epoch.Quality = gnss.QualityFloat
		}
	})
	s := d.c.Session()
	var sum [numVerdicts]float64
	fixed := 0.0
	for i := range s.Lap.Places {
		p := &s.Lap.Places[i]
		at := (float64(i) + 0.5) * round / float64(len(s.Lap.Places))
		if at > 110 && at < 140 && (p.Sec[fusion.Usable] > 0 || p.Fixed > 0 || p.Sec[fusion.Coasting] == 0) || at > 160 && p.Sec[fusion.Coasting] > 0 {
			t.Errorf("place %d, at %.0f m: %+v", i, at, p.Sec)
		}
		for v := range sum {
			sum[v] += p.Sec[v]
		}
		fixed += p.Fixed
	}
	for v := range sum {
		if math.Abs(sum[v]-s.ByV[v]) > 1e-6 {
			t.Errorf("%v: %.1f s by place, %.1f s in all", fusion.Verdict(v), sum[v], s.ByV[v])
		}
	}
	if math.Abs(fixed-s.FixedS) > 1e-6 || fixed < 0.8*s.Settled || fixed > 0.9*s.Settled {
		t.Errorf("fixed for %.1f s by place, %.1f s in all, of %.1f s", fixed, s.FixedS, s.Settled)
	}
}

// What came for the first time, and when.
func TestFirsts(t *testing.T) {
	d := newDrive(10)
	for _, q := range []gnss.Quality{gnss.QualityUnknown, gnss.QualityFloat, gnss.QualityFixed} {
		d.run(5, func(s *fusion.Snapshot) {
			s.Verdict, s.Advice = fusion.Unproven, fusion.AdviseReactive
			s.Epoch.Quality = q
			if q == gnss.QualityUnknown {
				s.EpochAge = math.NaN()
			}
		})
	}
	d.run(5, nil)
	s := d.c.Session()
	for _, tt := range []struct {
		what      string
		got, want float64
	}{{"epoch", s.FirstEpoch, 5}, {"fix", s.FirstFix, 10}, {"usable", s.FirstUsable, 15}} {
		if !(math.Abs(tt.got-tt.want) < 0.15) {
			t.Errorf("first %s after %.2f s, want %g", tt.what, tt.got, tt.want)
		}
	}
}
