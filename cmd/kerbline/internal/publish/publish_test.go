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

func pair(t *testing.T) (*Publisher, *Listener) {
	t.Helper()
	l, err := Listen("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p, err := Dial("udp://"+l.Addr(), false)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close(); l.Close() })
	return p, l
}

// What a second screen makes of a verdict is the verdict.
func TestThereAndBack(t *testing.T) {
	p, l := pair(t)
	unknown := blank()
	unknown.T, unknown.Seq = 1778922001, 2
	for _, s := range []*fusion.Snapshot{full(1778922000.5, 1), &unknown} {
		p.Send(s)
		v, err := l.Next(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if d := float64(v.ValidUntil) - s.T; math.Abs(d-Hold) > 1e-3 {
			t.Errorf("valid for %v s, want %v", d, Hold)
		}
		back := Snapshot(&v)
		want, got := lines.AppendVerdict(nil, s), lines.AppendVerdict(nil, &back)
		if string(got) != string(want) {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
}

// Silence, old news and rubbish all mean the same: nothing usable was heard.
func TestAbsence(t *testing.T) {
	p, l := pair(t)
	silent := func(what string) {
		t.Helper()
		begin := time.Now()
		v, err := l.Next(context.Background())
		if !errors.Is(err, ErrSilent) {
			t.Errorf("%s: heard %+v, %v", what, v, err)
		}
		if d := time.Since(begin); d > 450*time.Millisecond {
			t.Errorf("%s: said after %v, want %v s", what, d, Hold)
		}
	}
	silent("nothing sent")
	p.Send(full(1000, 5))
	if _, err := l.Next(context.Background()); err != nil {
		t.Fatal(err)
	}
	p.Send(full(1000, 5)) // the same again
	p.Send(full(999, 4))  // late on the way
	c, _ := net.Dial("udp", l.Addr())
	defer c.Close()
	for _, b := range []string{"", "{}", "rubbish", `{"t":2000,"verdict":"usable"}`, `{"t":2000,"verdict":"usable","valid_until":1999}`,
		`{"t":null,"verdict":"usable","valid_until":1}`, strings.Repeat("x", 60000)} {
		fmt.Fprint(c, b)
	}
	silent("old news and rubbish")
	if l.Refused != 9 {
		t.Errorf("%d datagrams refused, want 9", l.Refused)
	}
	p.Send(full(1000.7, 6))
	if v, err := l.Next(context.Background()); err != nil || v.Seq != 6 {
		t.Errorf("%v, %v", v, err)
	}
	// Held up on its way: newer than the last, but far behind its time.
	time.Sleep(1500 * time.Millisecond)
	p.Send(full(1000.8, 7))
	silent("late")
	// A monitor that starts again with an earlier clock is heard after a silence.
	l.heard -= forget // as if it had lasted
	p.Send(full(500, 1))
	if v, err := l.Next(context.Background()); err != nil || v.T != 500 {
		t.Errorf("%v, %v", v, err)
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
		if _, err := Dial(tt.addr, false); err == nil || !strings.Contains(err.Error(), tt.say) {
			t.Errorf("Dial(%q): %v, want %q", tt.addr, err, tt.say)
		}
	}
	p, err := Dial("192.0.2.7:47100", true) // TEST-NET-1, RFC 5737: nobody
	if err != nil {
		t.Skipf("no route at all here: %v", err)
	}
	p.Close()
	if _, err := Listen("192.0.2.7:47100"); err == nil || !strings.Contains(err.Error(), "want a free port") {
		t.Errorf("listening on a foreign address: %v", err)
	}
}

// Nobody listening and a sender that hangs hold up nothing.
func TestSendNeverWaits(t *testing.T) {
	before := runtime.NumGoroutine()
	l, err := Listen("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr()
	l.Close()
	p, err := Dial(addr, false)
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
	hang := &Publisher{conn: a, queue: make(chan []byte, ring), free: make(chan []byte, ring), done: make(chan struct{})}
	for range ring {
		hang.free <- make([]byte, 0, 2048)
	}
	go hang.run()
	begin := time.Now()
	for i := range 1000 {
		s.T, s.Seq = float64(i), uint64(i)
		hang.Send(s)
	}
	if d := time.Since(begin); d > time.Second {
		t.Errorf("a thousand sends to a network that takes nothing took %v", d)
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
	for i := 0; runtime.NumGoroutine() > before && i < 100; i++ {
		time.Sleep(10 * time.Millisecond)
	}
	if n := runtime.NumGoroutine(); n > before {
		t.Errorf("%d goroutines, %d before", n, before)
	}
}
