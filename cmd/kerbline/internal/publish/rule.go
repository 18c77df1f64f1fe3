package publish

import (
	"fmt"
	"math"
	"slices"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/fusion"
)

// Times of the rule, s.
const (
	// silence after which another session may be taken. A monitor that starts
	// again needs longer than this until it says usable.
	silence = 5.0
	// settle is how long a new session is only listened to, so that its smallest
	// delay is known before anything is believed.
	settle = 1.0
	// clockRate is how fast the clocks of two computers may run apart, s per s.
	clockRate = 1e-4
	// lineRate is how many lines a second a counter may run ahead by: more than a
	// receiver at 25 Hz makes.
	lineRate = 100.0
)

// Decision is what a controller may do now.
type Decision struct {
	Usable  bool    // drive by the map: by Advice, at most Cap
	Verdict string  // "" while nothing is held
	Advice  string  // to obey, "stop" while nothing is held
	Cap     float64 // m/s, NaN where there is none
	Why     string  // nothing is held: why, in words
}

// String is the decision in a line.
func (d Decision) String() string {
	switch {
	case d.Verdict == "":
		return "NOT USABLE " + d.Why
	case !d.Usable && math.IsNaN(d.Cap):
		return fmt.Sprintf("NOT USABLE %s %s", d.Verdict, d.Advice)
	case !d.Usable:
		return fmt.Sprintf("NOT USABLE %s %s, at most %.0f m/s", d.Verdict, d.Advice, math.Floor(d.Cap))
	}
	return fmt.Sprintf("USABLE     %s %s, at most %.0f m/s", d.Verdict, d.Advice, math.Floor(d.Cap))
}

// Rule decides what a controller takes from published verdicts. It reads no
// clock and no socket: times are s of the consumer's own steady clock, of any
// origin. The zero value has heard nothing.
//
//  1. A verdict holds for min(hold_s, 0.3 s) from its arrival, and at no other
//     time. The sender's clock decides nothing.
//  2. Sender and session of the first verdict are kept; others are refused.
//     Another session is taken only after 5 s without a verdict, only while the
//     controller itself says that it is disengaged, and never one that was left.
//  3. The counter n rises with each verdict; repeated and overtaken ones are
//     refused, and one that runs ahead of 100 lines a second.
//  4. A verdict that was longer on its way than the quickest of its session by
//     more than 0.3 s is refused, and one that is quicker than it by as much. The
//     first second of a session only learns the quickest.
//  5. Drive by the map only when the verdict is usable and the advice is map or
//     map_slow, at most at speed_cap_mps; otherwise do what the advice says.
//
// What cannot be seen without a clock that both ends share: a delay that was
// there from the first verdict of the session and never changes, and one that
// grows by less than 0.1 ms a second. Nor can the rule separate the monitor from one
// who can send from its address and has read its session and counter.
type Rule struct {
	sender, session string // kept; "" before the first
	former          []string
	n               uint64  // counter of the last verdict taken
	begun, heard    float64 // session taken, last verdict taken
	least           float64 // smallest arrival - t, the clocks' difference included
	until           float64 // end of the last verdict's time
	held            Decision
	why             string // the last refusal since a verdict was taken
}

// Hear takes a verdict that arrived at now from sender, or returns in words why
// not. disengaged is the controller's own word that it does not drive by the map.
func (r *Rule) Hear(now float64, sender string, v *lines.Verdict, disengaged bool) (refused string) {
	r.why = r.hear(now, sender, v, disengaged)
	return r.why
}

func (r *Rule) hear(now float64, sender string, v *lines.Verdict, disengaged bool) string {
	t, valid := float64(v.T), float64(v.ValidUntil)-float64(v.T)
	hold := math.Min(float64(v.Hold), Hold)
	if v.Session == "" || v.N == 0 || !(hold > 0) || !(math.Abs(valid-float64(v.Hold)) < 1e-3) {
		return "no published verdict, want session, n, hold_s and valid_until"
	}
	if sender != r.sender || v.Session != r.session {
		if why := r.change(now, sender, v.Session, disengaged); why != "" {
			return why
		}
	}
	way, since := now-t, now-r.heard
	young := now-r.begun < settle
	switch slowest := r.least + clockRate*since + hold; {
	case v.N <= r.n:
		return "repeated or overtaken"
	case r.n > 0 && float64(v.N-r.n) > lineRate*(1+since):
		return fmt.Sprintf("its counter is %d ahead", v.N-r.n)
	case !young && way < r.least-hold:
		return fmt.Sprintf("%.1f s ahead of its time", r.least-way)
	case way > slowest:
		return fmt.Sprintf("%.1f s longer on its way than the quickest", way-r.least)
	}
	r.least = math.Min(r.least+clockRate*since, way)
	r.n, r.heard = v.N, now
	if young {
		r.until = now // the verdict before it holds no longer
		return fmt.Sprintf("a new session, listened to for %g s first", settle)
	}
	r.until = now + hold
	r.held = decide(v)
	return ""
}

// change takes another sender or session, or says why not.
func (r *Rule) change(now float64, sender, session string, disengaged bool) string {
	switch {
	case r.session != "" && now-r.heard < silence:
		return fmt.Sprintf("another sender or session, and the one kept is not silent for %g s", silence)
	case slices.Contains(r.former, session) || r.session == session:
		return "a session that is over, or from another sender"
	case !disengaged:
		return "a new session, waiting for the controller to be disengaged"
	}
	if r.session != "" {
		r.former = append(r.former[max(0, len(r.former)-63):], r.session)
	}
	*r = Rule{sender: sender, session: session, former: r.former, begun: now, heard: now, least: math.Inf(1), until: now}
	return ""
}

// decide reads a verdict. A word that is not known is not usable.
func decide(v *lines.Verdict) Decision {
	d := Decision{Verdict: v.Verdict, Advice: v.Advice, Cap: float64(v.SpeedCap)}
	drive := v.Advice == fusion.AdviseMap.String() || v.Advice == fusion.AdviseMapSlow.String()
	d.Usable = v.Verdict == fusion.Usable.String() && drive && d.Cap > 0
	return d
}

// Decide returns what a controller may do at now.
func (r *Rule) Decide(now float64) Decision {
	if r.session != "" && now < r.until {
		return r.held
	}
	d := Decision{Advice: fusion.AdviseStop.String(), Cap: math.NaN(), Why: "nothing heard"}
	if r.why != "" {
		d.Why = r.why
	}
	return d
}

// Until returns when the verdict that is held ends, on the clock of Hear.
func (r *Rule) Until() float64 { return r.until }
