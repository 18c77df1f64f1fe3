package publish

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"runtime"
	"strings"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/version"
	"kerbline/fusion"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// full is a snapshot with a value in every field of a verdict line.
func full(t float64, seq uint64) *fusion.Snapshot {
	s := blank()
	s.T, s.Seq, s.Verdict, s.Advice = t, seq, fusion.Coasting, fusion.AdviseMapSlow
	s.SpeedCap, s.Coast, s.Handover = 7.5, 4.25, 1.5
	s.HasPos, s.Pos = true, geodesy.LLA{Lat: 44.29 * geodesy.Degree, Lon: 11.86 * geodesy.Degree, H: 151.5}
	s.Yaw, s.Speed = -1.25, 11.5
	s.SigmaLat, s.SigmaLon, s.SigmaYaw = 0.02, 0.03, 0.004
	s.PLLat.Total, s.PLLon.Total, s.PLYaw.Total = 0.2, 0.3, 0.04
	s.ALLat, s.ALLon, s.ALYaw = 0.5, 1, 0.05
	s.Epoch.Quality, s.Epoch.Age, s.Epoch.Station = gnss.QualityFixed, 1.5, 2003
	s.Link.Condition = corrections.Late
	s.Reasons[0], s.Reasons[1] = fusion.Reason{Code: "link-late"}, fusion.Reason{Code: "corr-age"}
	s.NReasons = 2
	return &s
}

// pair is a publisher and a listener that hear each other on a clock of the
// test; the listener has the first second behind it.
func pair(t *testing.T) (*Publisher, *Listener, *float64) {
	t.Helper()
	l, err := Listen("127.0.0.1:0", nil)
	if err != nil {
		t.Fatal(err)
	}
	p, err := Dial("udp://"+l.Addr(), false, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close(); l.Close() })
	now := 0.0
	l.now = func() float64 { return now }
	p.Send(full(1000, 1))
	for l.Refused == 0 {
		if v, err := l.Next(context.Background()); err == nil {
			t.Fatalf("the first second gives %+v", v)
		}
	}
	now = settle
	return p, l, &now
}

// next is the next verdict, however long a busy computer takes to bring it.
func (l *Listener) next(t *testing.T) lines.Verdict {
	t.Helper()
	for range 200 {
		v, err := l.Next(context.Background())
		if err == nil {
			return v
		}
		if !errors.Is(err, ErrSilent) {
			t.Fatal(err)
		}
	}
	t.Fatalf("never heard: %s", l.why)
	return lines.Verdict{}
}

// What a second screen makes of a verdict is the verdict.
func TestThereAndBack(t *testing.T) {
	p, l, now := pair(t)
	unknown := blank()
	unknown.T, unknown.Seq = 1001.1, 3
	for i, s := range []*fusion.Snapshot{full(1001, 2), &unknown} {
		p.Send(s)
		*now = s.T - 1000
		v := l.next(t)
		if d := float64(v.ValidUntil) - s.T; math.Abs(d-Hold) > 1e-3 || v.N != uint64(i+2) || len(v.Session) != 16 || v.Build != version.String() || v.Session != l.session {
			t.Errorf("valid for %v s, want %v; n %d, session %q", d, Hold, v.N, v.Session)
		}
		back := Snapshot(&v)
		want, got := lines.AppendVerdict(nil, s), lines.AppendVerdict(nil, &back)
		if string(got) != string(want) {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
}

// Silence and rubbish mean the same: nothing usable was heard. They are said in
// time, and a datagram of somebody else changes nothing.
func TestAbsence(t *testing.T) {
	p, l, now := pair(t)
	silent := func(what string) {
		t.Helper()
		if v, err := l.Next(context.Background()); !errors.Is(err, ErrSilent) {
			t.Errorf("%s: heard %+v, %v", what, v, err)
		}
	}
	silent("nothing sent")
	p.Send(full(1001, 5))
	l.next(t)
	c, _ := net.Dial("udp", l.Addr())
	defer c.Close()
	other := string(lines.AppendLive(nil, full(1001.1, 6), lines.Live{Session: l.session, N: 9, Hold: Hold}))
	before := l.Refused
	rubbish := []string{"", "{}", "rubbish", other, `{"t":2000,"verdict":"usable"}`, `{"t":2000,"verdict":"usable","valid_until":1999}`,
		`{"t":null,"verdict":"usable","valid_until":1}`, strings.Repeat("x", 60000)}
	for _, b := range rubbish {
		fmt.Fprint(c, b)
	}
	for range 200 {
		silent("rubbish")
		if l.Refused-before >= uint64(len(rubbish)) {
			break
		}
	}
	if n := l.Refused - before; n != uint64(len(rubbish)) {
		t.Errorf("%d datagrams refused, want %d", n, len(rubbish))
	}
	*now = settle + 0.7
	p.Send(full(1001.7, 6))
	if v := l.next(t); v.Seq != 6 {
		t.Errorf("%+v", v)
	}
	last := full(500, 1)
	if s := Nothing(last); s.Verdict != fusion.Unusable || s.Advice != fusion.AdviseStop || s.HasPos || s.T != 500 || s.NReasons != 1 {
		t.Errorf("nothing heard shows as %+v", s)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := l.Next(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// A step of the computer's clock begins a new session, since consumers measure
// delays by that clock; a clock that is drawn slowly to another does not.
func TestClockStepBeginsASession(t *testing.T) {
	a, b := net.Pipe()
	defer b.Close()
	offset := 0.0
	steady := 0.0
	p := newPublisher("pipe", a, nil, func() (float64, float64) { return 1e9 + steady + offset, steady })
	got := make([]byte, 4096)
	send := func() lines.Verdict {
		t.Helper()
		steady += 0.1
		p.Send(full(1e9+steady+offset, 1))
		n, err := b.Read(got)
		if err != nil {
			t.Fatal(err)
		}
		v, err := lines.ParseVerdict(got[:n])
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	first := send()
	for i := range 1000 {
		offset += 5e-5 // 500 parts in a million
		if v := send(); v.Session != first.Session || v.N != uint64(i+2) {
			t.Fatalf("session %s n %d after %v s of drift, want %s and %d", v.Session, v.N, offset, first.Session, i+2)
		}
	}
	for _, step := range []float64{3600, -2} {
		offset += step
		if v := send(); v.Session == first.Session || v.N != 1 {
			t.Errorf("a step of %v s: session %s n %d", step, v.Session, v.N)
		} else {
			first = v
		}
	}
	p.Close()
}

func TestUnknownWordsMeanTheWorst(t *testing.T) {
	s := Snapshot(&lines.Verdict{Verdict: "splendid", Advice: "fly", Link: "?", Quality: 77})
	if s.Verdict != fusion.Unusable || s.Advice != fusion.AdviseStop || s.Link.Condition != corrections.Untapped || s.Epoch.Quality != gnss.QualityUnknown {
		t.Errorf("%v %v %v %v", s.Verdict, s.Advice, s.Link.Condition, s.Epoch.Quality)
	}
}

func TestDialRefuses(t *testing.T) {
	for _, tt := range []struct{ addr, say string }{
		{"192.0.2.7:47100", "--publish-remote"}, {"nonsense", "want host:port"}, {"127.0.0.1:99999", "want host:port"},
	} {
		if _, err := Dial(tt.addr, false, nil); err == nil || !strings.Contains(err.Error(), tt.say) {
			t.Errorf("Dial(%q): %v, want %q", tt.addr, err, tt.say)
		}
	}
	p, err := Dial("192.0.2.7:47100", true, testKey(t, "a phrase of many words")) // TEST-NET-1, RFC 5737: nobody
	if err != nil {
		t.Skipf("no route at all here: %v", err)
	}
	p.Close()
	if _, err := Listen("192.0.2.7:47100", testKey(t, "a phrase of many words")); err == nil || !strings.Contains(err.Error(), "want a free port") {
		t.Errorf("listening on a foreign address: %v", err)
	}
}

// Nobody listening and a sender that hangs hold up nothing.
func TestSendNeverWaits(t *testing.T) {
	before := runtime.NumGoroutine()
	l, err := Listen("127.0.0.1:0", nil)
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr()
	l.Close()
	p, err := Dial(addr, false, nil)
	if err != nil {
		t.Fatal(err)
	}
	s := full(1, 1)
	if n := testing.AllocsPerRun(2000, func() { p.Send(s) }); n != 0 {
		t.Errorf("%v allocations a verdict, want none", n)
	}
	p.Close()
	if sent, dropped := p.Counts(); sent+dropped < 2000 {
		t.Errorf("%d sent and %d dropped of 2001", sent, dropped)
	}
	a, b := net.Pipe() // takes nothing until read
	hang := newPublisher("pipe", a, nil, clocks())
	for i := range 1000 { // were the network waited for, this would not end
		s.T, s.Seq = float64(i), uint64(i)
		hang.Send(s)
	}
	// The newest verdicts are the ones that wait.
	got := make([]byte, 4096)
	last := ""
	go hang.Close()
	for range ring {
		n, err := b.Read(got)
		if err != nil {
			break
		}
		last = string(got[:n])
	}
	if !strings.HasPrefix(last, `{"t":999.0000,"seq":999,`) {
		t.Errorf("last sent: %.40s", last)
	}
	b.Close()
	for i := 0; runtime.NumGoroutine() > before && i < 6000; i++ {
		time.Sleep(10 * time.Millisecond)
	}
	if n := runtime.NumGoroutine(); n > before {
		t.Errorf("%d goroutines, %d before", n, before)
	}
}
