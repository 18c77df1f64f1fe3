package tui

import (
	"math"
	"strings"

	"kerbline/fusion"
	"kerbline/fusion/words"
)

// look is how a verdict is shown: its colours, its kerb, its place on the
// map. There is one for each state that must be distinguished.
type look uint8

const (
	lookVoid   look = iota // nothing is known of the monitor
	lookGood               // map-based driving
	lookSlow               // map-based driving under a cap
	lookCoast              // on dead reckoning, the clock runs
	lookBad                // not usable
	lookUnsure             // not proven yet
)

// Styles of a look as text and as the panel behind the big word.
var (
	textStyles = [...]Style{lookVoid: Bad, lookGood: Good, lookSlow: Slow, lookCoast: Coast, lookBad: Bad, lookUnsure: Unsure}
	headStyles = [...]Style{lookVoid: HeadBad, lookGood: HeadGood, lookSlow: HeadSlow, lookCoast: HeadCoast, lookBad: HeadBad, lookUnsure: HeadUnsure}
)

// kerb reports whether the i-th piece of the kerb around a verdict is painted:
// all of it when usable, ever shorter stretches as the position gets worse, every
// other one when it must not be used.
func (m look) kerb(i int) bool {
	switch m {
	case lookGood:
		return true
	case lookSlow:
		return i%9 < 7
	case lookCoast:
		return i%4 < 2
	case lookUnsure:
		return i%6 == 0
	}
	return i%2 == 0
}

// headline is what a view comes down to: the word seen from two metres, the
// sentence under it, how fast, how long.
type headline struct {
	look    look
	word    string  // in big letters
	verdict string  // the verdict's own word, in capitals
	todo    string  // what to do, a whole sentence
	cap     float64 // m/s, NaN: no speed is good enough
	leave   float64 // s until the handover must start, NaN unless coasting
	silent  float64 // s without news, NaN unless stale
}

// headlineOf turns a view into its headline. Whatever does not fit together is shown as
// not usable.
func headlineOf(v *View) headline {
	s := &v.Snap
	f := headline{cap: math.NaN(), leave: math.NaN(), silent: math.NaN()}
	switch {
	case v.blank():
		f.word, f.verdict = words.NoData, "NOT USABLE"
		f.todo = "Nothing has come from the monitor yet. Do not drive on the map."
		return f
	case v.stale():
		f.word, f.verdict = words.NoData, "NOT USABLE"
		f.silent = v.Stale
		f.todo = "The monitor is silent. Hand over to reactive driving or stop."
		return f
	}
	call, ok := words.CallOf(s.Verdict, s.Advice, groundSpeed(s) < words.Walking)
	f.word, f.todo, f.verdict = call.Word, call.Do, strings.ToUpper(s.Verdict.String())
	f.look = lookBad
	switch {
	case !ok:
		f.verdict = "NOT USABLE"
	case s.Verdict == fusion.Usable && !(s.SpeedCap > 0):
		f.word, f.todo = "HAND OVER", "No speed cap is known. Hand over to reactive driving."
	case s.Verdict == fusion.Usable:
		f.cap = s.SpeedCap
		f.look = lookSlow
		if over := s.Speed - f.cap; over > overCap {
			f.word, f.todo = "SLOW", "Slow down, "+up(over, 1)+" m/s over the cap."
		} else if s.Advice == fusion.AdviseMap {
			f.look = lookGood
		}
	case s.Verdict == fusion.Coasting && s.Advice == fusion.AdviseMapSlow:
		if !(s.LeaveIn > 0) {
			f.word, f.todo = "HAND OVER", "Hand over to reactive driving now."
			break
		}
		f.look, f.leave = lookCoast, s.LeaveIn
		if s.SpeedCap > 0 {
			f.cap = s.SpeedCap
		}
	case call.Standing:
		f.look = lookUnsure
	}
	return f
}

// overCap is the excess of speed in m/s that is called too fast: less cannot be
// shown with one decimal.
const overCap = 0.05

// groundSpeed is the filter's speed in m/s, before there is one the receiver's.
func groundSpeed(s *fusion.Snapshot) float64 {
	if known(s.Speed) {
		return s.Speed
	}
	return s.Epoch.Speed
}

// look of a trail point: as headlineOf sees it, without countdown and age.
func (p TrailPoint) look() look {
	switch p.Verdict {
	case fusion.Usable:
		if p.Advice == fusion.AdviseMap {
			return lookGood
		}
		return lookSlow
	case fusion.Coasting:
		return lookCoast
	case fusion.Unproven:
		return lookUnsure
	}
	return lookBad
}

// numbers are the big figures beside the word.
type number struct {
	label string
	text  string
}

func (f *headline) numbers() []number {
	switch {
	case f.look == lookVoid && known(f.silent):
		return []number{{"silent for, s", up(min(f.silent, 9999), 1)}}
	case f.look == lookCoast:
		n := []number{{"hand over in, s", down(min(f.leave, 999), 1)}}
		if known(f.cap) {
			n = append(n, number{"cap, m/s", down(min(f.cap, 999), 1)})
		}
		return n
	case f.look == lookGood || f.look == lookSlow:
		return []number{{"speed cap, m/s", down(min(f.cap, 999), 1)}}
	}
	return nil
}

// headRows is the height of the big head with letters of sy rows a dot.
func headRows(sy int) int { return fontRows*sy + 2 }

// drawHead draws the verdict in big letters over the rows y to
// y+headRows(sy)-1: kerb, word and figures, kerb.
func drawHead(c *Canvas, y, sy int, v *View, f *headline) {
	st := headStyles[f.look]
	h := headRows(sy)
	c.Fill(0, y, c.W, h, ' ', st)
	// Half a row high, so that it never touches the letters.
	for x := range c.W {
		if f.look.kerb(x) {
			c.Set(x, y, '▀', st)
			c.Set(x, y+h-1, '▄', st)
		}
	}
	// Two cells of margin on either side. The first figure may be as large as
	// the word, a second one stays small beside it.
	inner := c.W - 4
	gap := 3
	if c.W >= 110 {
		gap = 6 * sy
	}
	nums := f.numbers()
	scale := func(i, nx int) int {
		if i > 0 {
			return sy
		}
		return nx
	}
	width := func(wx, nx int) int {
		w := bigWidth(f.word, wx)
		for i, n := range nums {
			w += gap + max(bigWidth(n.text, scale(i, nx)), len(n.label)+1)
		}
		return w
	}
	wx, nx := sy, sy
	for _, try := range [][2]int{{2 * sy, 2 * sy}, {sy, 2 * sy}, {2 * sy, sy}} {
		if width(try[0], try[1]) <= inner {
			wx, nx = try[0], try[1]
			break
		}
	}
	c.big(2, y+1, wx, sy, st, f.word)
	// The last figure ends at the right edge; its label sits in the kerb above.
	x := c.W - 2
	for i := len(nums) - 1; i >= 0; i-- {
		n, sx := nums[i], scale(i, nx)
		c.big(x-bigWidth(n.text, sx), y+1, sx, sy, st, n.text)
		c.Text(x-len(n.label)-1, y, st, " "+n.label+" ")
		x -= max(bigWidth(n.text, sx), len(n.label)+1) + gap
	}
	if now := speedWords(&v.Snap, f); now != "" && f.look != lookVoid {
		c.Text(c.W-2-len(now)-1, y+h-1, st, " "+now+" ")
	}
}

// speedWords says how fast the car is, and by how much too fast.
func speedWords(s *fusion.Snapshot, f *headline) string {
	if !known(s.Speed) || !s.HasPos {
		return ""
	}
	now := "now " + with(s.Speed, 1, "m/s")
	if over := s.Speed - f.cap; over > overCap {
		now += ", TOO FAST by " + up(over, 1)
	}
	return now
}

// lowRows is the height of the head on the other pages.
const lowRows = 4

// drawLowHead draws the verdict three rows high with its sentence beside it,
// and its kerb below.
func drawLowHead(c *Canvas, y int, v *View, f *headline) {
	st := headStyles[f.look]
	c.Fill(0, y, c.W, lowRows, ' ', st)
	for x := range c.W {
		if f.look.kerb(x) {
			c.Set(x, y+lowRows-1, '▄', st)
		}
	}
	c.low(2, y, st, f.word)
	x := 2 + bigWidth(f.word, 1) + 3
	for _, n := range f.numbers() { // the label sits in the kerb below
		w := max(bigWidth(n.text, 1), len(n.label)+2)
		c.low(x, y, st, n.text)
		c.Text(x-1, y+lowRows-1, st, " "+n.label+" ")
		x += w + 3
	}
	w := c.W - x - 1
	if w < 1 {
		return
	}
	c.put(x, y, w, text(st, f.head(v)))
	rest := wrap(f.todo, w)
	if rs := v.reasons(f); len(rs) > 0 { // whole, or not at all: the page below holds it
		if why := wrap(rs[0], w); len(why) <= 2 {
			rest = why
		}
	}
	for i, s := range rest[:min(len(rest), 2)] {
		c.put(x, y+1+i, w, text(st, s))
	}
}

// head returns the verdict's word and how long it has held.
func (f *headline) head(v *View) string {
	if f.look == lookVoid {
		return f.verdict
	}
	if d := v.since(v.Snap.Since); known(d) {
		return f.verdict + " for " + lasting(d)
	}
	return f.verdict
}

// sentence is the row under the big word.
func (f *headline) sentence(v *View) line {
	l := text(Plain, " ").put(textStyles[f.look], f.head(v)+".").put(Plain, " ").put(Strong, f.todo)
	if f.look != lookVoid {
		l = l.put(Label, " Advice: "+v.Snap.Advice.String())
	}
	return l
}

// reasons lists in words what speaks against the position now, most serious
// first. It is empty for a stale view, whose reasons may be gone.
func (v *View) reasons(f *headline) []string {
	var out []string
	s := &v.Snap
	if f.look == lookVoid {
		if v.blank() {
			return nil
		}
		return []string{"last heard: " + s.Verdict.String() + " at " + v.clock(s.T, 1) + "; that may be wrong by now"}
	}
	for i := range min(max(s.NReasons, 0), len(s.Reasons)) {
		out = append(out, v.reasonText(&s.Reasons[i]))
	}
	if s.NeedsProof {
		out = append(out, "the fix is not believed "+proofWords(v))
	}
	return out
}

// proofWords say what ends a fix that is not believed.
func proofWords(v *View) string {
	how := "until it stands where dead reckoning, wheels or height have the car"
	if v.Snap.Claim.Followed {
		how = "until height along the lap tells; dead reckoning is spent"
	}
	if len(v.Marks) > 0 && v.Replay == nil {
		how += ", or a check mark is confirmed (m)"
	}
	return how
}
