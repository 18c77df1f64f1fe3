package publish

import (
	"math"
	"strings"
	"testing"

	"kerbline/cmd/kerbline/internal/lines"
)

// sender makes verdicts of one session. Its clock runs 1000 s ahead of the
// consumer's.
type sender struct {
	addr, session string
	n             uint64
}

const clocksApart = 1000.0

// at is the session's next verdict, made at now of the consumer's clock.
func (s *sender) at(now float64) *lines.Verdict {
	s.n++
	t := lines.Float(now + clocksApart)
	return &lines.Verdict{T: t, Verdict: "usable", Advice: "map", SpeedCap: 20, Session: s.session, N: s.n, Hold: Hold, ValidUntil: t + Hold}
}

// consumer is a rule under test with a controller that engages when it may.
type consumer struct {
	t *testing.T
	Rule
	now        float64
	disengaged bool
}

// hear gives the verdict after delay s and returns why it was refused.
func (c *consumer) hear(s *sender, v *lines.Verdict, delay float64) string {
	c.t.Helper()
	c.now += delay
	before := c.Decide(c.now)
	why := c.Hear(c.now, s.addr, v, c.disengaged)
	if d := c.Decide(c.now); d.Usable {
		c.disengaged = false
	} else if why != "" && before.Usable {
		c.t.Errorf("what was refused (%s) ended the verdict that was held", why)
	}
	return why
}

// run lets the sender send for a while, ten times a second.
func (c *consumer) run(s *sender, seconds float64) (why string) {
	c.t.Helper()
	for end := c.now + seconds; c.now < end-1e-9; {
		c.now += 0.1
		why = c.hear(s, s.at(c.now), 0)
	}
	return why
}

func settled(t *testing.T) (*consumer, *sender) {
	t.Helper()
	c, s := &consumer{t: t, disengaged: true}, &sender{addr: "127.0.0.1:40000", session: "a"}
	for range 9 {
		c.run(s, 0.1)
		if d := c.Decide(c.now); d.Usable {
			t.Fatalf("usable in the first second of a session, at %v s", c.now)
		}
	}
	c.run(s, 0.3)
	if d := c.Decide(c.now); !d.Usable || d.String() != "USABLE     usable map, at most 20 m/s" {
		t.Fatalf("after a second: %v", d)
	}
	return c, s
}

// A verdict holds from its arrival for the shorter of its own time and 0.3 s,
// and not one moment longer.
func TestRuleHold(t *testing.T) {
	for _, tt := range []struct{ says, holds float64 }{{0.3, 0.3}, {0.1, 0.1}, {60, 0.3}} {
		c, s := settled(t)
		c.now += 0.1
		v := s.at(c.now)
		v.Hold, v.ValidUntil = lines.Float(tt.says), v.T+lines.Float(tt.says)
		if why := c.hear(s, v, 0); why != "" {
			t.Fatal(why)
		}
		if d := c.Decide(c.now + tt.holds - 1e-6); !d.Usable {
			t.Errorf("hold_s %v: ended early: %v", tt.says, d)
		}
		if d := c.Decide(c.now + tt.holds); d.Usable || d.Advice != "stop" || d.String() != "NOT USABLE nothing heard" {
			t.Errorf("hold_s %v: %v after %v s", tt.says, d, tt.holds)
		}
	}
}

// A forged datagram never makes a consumer say USABLE: not from another sender,
// not with times far ahead, and not with another session; and the true monitor
// is heard as before.
func TestRuleForged(t *testing.T) {
	for name, forge := range map[string]func(v *lines.Verdict, addr *string){
		"another sender":               func(v *lines.Verdict, addr *string) { *addr = "127.0.0.1:40001" },
		"another session":              func(v *lines.Verdict, _ *string) { v.Session, v.N = "b", 1 },
		"valid_until ahead":            func(v *lines.Verdict, _ *string) { v.ValidUntil += 1e9 },
		"t ahead":                      func(v *lines.Verdict, _ *string) { v.T += 3600; v.ValidUntil += 3600 },
		"t and valid_until far ahead":  func(v *lines.Verdict, _ *string) { v.T += 1e6; v.ValidUntil += 1e9; v.Hold = 1e9 - 1e6 },
		"counter far ahead":            func(v *lines.Verdict, _ *string) { v.N += 1 << 40 },
		"no counter":                   func(v *lines.Verdict, _ *string) { v.N = 0 },
		"no session":                   func(v *lines.Verdict, _ *string) { v.Session = "" },
		"no hold":                      func(v *lines.Verdict, _ *string) { v.Hold = lines.Float(math.NaN()) },
		"a hold of nothing":            func(v *lines.Verdict, _ *string) { v.Hold, v.ValidUntil = 0, v.T },
		"a hold that never began":      func(v *lines.Verdict, _ *string) { v.Hold, v.ValidUntil = -1, v.T-1 },
		"no time":                      func(v *lines.Verdict, _ *string) { v.T = lines.Float(math.NaN()) },
		"no valid_until":               func(v *lines.Verdict, _ *string) { v.ValidUntil = lines.Float(math.NaN()) },
		"a time before the first line": func(v *lines.Verdict, _ *string) { v.T -= 1e6; v.ValidUntil -= 1e6 },
	} {
		c, s := settled(t)
		c.now += 0.4 // the monitor is silent: NOT USABLE
		f := *s      // the forger knows session and counter
		v := f.at(c.now)
		forge(v, &f.addr)
		if why := c.hear(&f, v, 0); why == "" {
			t.Errorf("%s: taken", name)
		}
		for dt := 0.0; dt < 1; dt += 0.05 {
			if d := c.Decide(c.now + dt); d.Usable {
				t.Errorf("%s: %v", name, d)
			}
		}
		if why := c.run(s, 0.1); why != "" || !c.Decide(c.now).Usable {
			t.Errorf("%s: afterwards the monitor is refused: %s", name, why)
		}
	}
}

// Repeated, overtaken and delayed verdicts are refused; the delay is measured
// against the quickest of the session.
func TestRuleDelayed(t *testing.T) {
	c, s := settled(t)
	c.now += 0.1
	v := s.at(c.now)
	w := s.at(c.now + 0.05)
	if why := c.hear(s, w, 0.05); why != "" {
		t.Fatal(why)
	}
	if why := c.hear(s, w, 0.01); !strings.Contains(why, "repeated") {
		t.Errorf("twice: %q", why)
	}
	if why := c.hear(s, v, 0.01); !strings.Contains(why, "overtaken") {
		t.Errorf("overtaken: %q", why)
	}
	c.now += 0.05
	if why := c.hear(s, s.at(c.now), 0.29); why != "" {
		t.Errorf("0.29 s late: %q", why)
	}
	if why := c.hear(s, s.at(c.now), 0.31); !strings.Contains(why, "longer on its way") {
		t.Errorf("0.31 s late: %q", why)
	}
	// A queue that grows: each verdict is a little later than the one before.
	for late := 0.0; late < 2; late += 0.02 {
		c.now += 0.1
		made := c.now - late
		why := c.hear(s, s.at(made), 0)
		if (why == "") != (late <= 0.3+1e-9) && math.Abs(late-0.3) > 0.005 {
			t.Errorf("%.2f s behind: %q", late, why)
		}
	}
	// Clocks that run apart by 50 parts in a million, for an hour, either way.
	for _, rate := range []float64{5e-5, -5e-5} {
		c, s := settled(t)
		for i := range 36000 {
			c.now += 0.1
			if why := c.hear(s, s.at(c.now+rate*0.1*float64(i)), 0); why != "" {
				t.Fatalf("rate %v: refused after %d s: %s", rate, i/10, why)
			}
		}
	}
}

// Another session is taken after 5 s of silence, only while the controller is
// disengaged, never one that was left; its first second is not usable.
func TestRuleSession(t *testing.T) {
	c, s := settled(t)
	next := &sender{addr: "127.0.0.1:40001", session: "b"}
	if why := c.run(next, 4.8); !strings.Contains(why, "not silent for 5 s") {
		t.Errorf("within 5 s: %q", why)
	}
	if why := c.run(next, 3); !strings.Contains(why, "waiting for the controller") {
		t.Errorf("while engaged: %q", why)
	}
	if d := c.Decide(c.now); d.Usable || !strings.Contains(d.String(), "waiting for the controller to be disengaged") {
		t.Errorf("%v", d)
	}
	c.disengaged = true
	if why := c.run(next, 0.9); !strings.Contains(why, "listened to") || c.Decide(c.now).Usable {
		t.Errorf("first second: %q, %v", why, c.Decide(c.now))
	}
	if why := c.run(next, 0.3); why != "" || !c.Decide(c.now).Usable {
		t.Errorf("then: %q", why)
	}
	// The old one is over, also when it is played again after a silence.
	c.now += 10
	c.disengaged = true
	if why := c.run(s, 1); !strings.Contains(why, "over") || c.Decide(c.now).Usable {
		t.Errorf("a session that was left: %q", why)
	}
	// The one kept goes on after a silence without being confirmed.
	c.disengaged = false
	if why := c.run(next, 0.1); why != "" || !c.Decide(c.now).Usable {
		t.Errorf("kept: %q", why)
	}
}

// Only usable with the advice map or map_slow and a cap is USABLE.
func TestRuleAdvice(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct {
		verdict, advice string
		top             float64
		want            string
	}{
		{"usable", "map", 25, "USABLE     usable map, at most 25 m/s"},
		{"usable", "map_slow", 7.96, "USABLE     usable map_slow, at most 7 m/s"},
		{"usable", "map_slow", nan, "NOT USABLE usable map_slow"},
		{"usable", "map", 0, "NOT USABLE usable map, at most 0 m/s"},
		{"usable", "reactive", 12, "NOT USABLE usable reactive, at most 12 m/s"},
		{"usable", "stop", nan, "NOT USABLE usable stop"},
		{"usable", "", 12, "NOT USABLE usable , at most 12 m/s"},
		{"coasting", "map_slow", 5, "NOT USABLE coasting map_slow, at most 5 m/s"},
		{"unproven", "reactive", nan, "NOT USABLE unproven reactive"},
		{"unusable", "map", 20, "NOT USABLE unusable map, at most 20 m/s"},
		{"splendid", "map", 20, "NOT USABLE splendid map, at most 20 m/s"},
	} {
		c, s := settled(t)
		c.now += 0.1
		v := s.at(c.now)
		v.Verdict, v.Advice, v.SpeedCap = tt.verdict, tt.advice, lines.Float(tt.top)
		if why := c.hear(s, v, 0); why != "" {
			t.Errorf("%v: %s", tt, why)
		}
		if got := c.Decide(c.now).String(); got != tt.want {
			t.Errorf("got  %q\nwant %q", got, tt.want)
		}
	}
}
