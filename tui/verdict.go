package tui

import (
	"math"

	"kerbline/fusion"
)

// manner is how a verdict is shown: its colours, its kerb, its place on the
// map. There is one for each thing the driver's helper has to tell apart.
type manner uint8

const (
	inVoid   manner = iota // nothing is known of the monitor
	inGood                 // map-based driving
	inSlow                 // map-based driving under a cap
	inCoast                // on dead reckoning, the clock runs
	inBad                  // not usable
	inUnsure               // not proven yet
)

// Styles of a manner as text and as the panel behind the big word.
var (
	textStyles = [...]Style{inVoid: Bad, inGood: Good, inSlow: Slow, inCoast: Coast, inBad: Bad, inUnsure: Unsure}
	headStyles = [...]Style{inVoid: HeadBad, inGood: HeadGood, inSlow: HeadSlow, inCoast: HeadCoast, inBad: HeadBad, inUnsure: HeadUnsure}
)

// kerb reports whether the i-th piece of the kerb around a verdict is painted:
// all of it when usable, ever shorter stretches as the position gets worse, every
// other one when it must not be used.
func (m manner) kerb(i int) bool {
	switch m {
	case inGood:
		return true
	case inSlow:
		return i%9 < 7
	case inCoast:
		return i%4 < 2
	case inUnsure:
		return i%6 == 0
	}
	return i%2 == 0
}

// face is what a view comes down to: the word seen from two metres, the
// sentence under it, how fast, how long.
type face struct {
	manner  manner
	word    string  // in big letters
	verdict string  // the verdict's own word, in capitals
	todo    string  // what to do, a whole sentence
	cap     float64 // m/s, NaN: no speed is good enough
	leave   float64 // s until the handover must start, NaN unless coasting
	silent  float64 // s without news, NaN unless stale
}

// judge turns a view into its face. Whatever does not fit together is shown as
// not usable.
func judge(v *View) face {
	s := &v.Snap
	f := face{cap: math.NaN(), leave: math.NaN(), silent: math.NaN()}
	switch {
	case v.blank():
		f.word, f.verdict = "NO DATA", "NOT USABLE"
		f.todo = "Nothing has come from the monitor yet. Do not drive on the map."
		return f
	case v.stale():
		f.word, f.verdict = "NO DATA", "NOT USABLE"
		f.silent = v.Stale
		f.todo = "The monitor is silent. Hand over to reactive driving or stop."
		return f
	}
	mapped := s.Advice == fusion.AdviseMap || s.Advice == fusion.AdviseMapSlow
	switch s.Verdict {
	case fusion.Usable:
		f.verdict = "USABLE"
		if !mapped {
			break
		}
		if !(s.SpeedCap > 0) {
			f.manner, f.word = inBad, "HAND OVER"
			f.todo = "No speed cap is known. Hand over to reactive driving."
			return f
		}
		f.cap = s.SpeedCap
		if over := s.Speed - f.cap; over > overCap {
			f.manner, f.word = inSlow, "SLOW"
			f.todo = "Slow down, " + up(over, 1) + " m/s over the cap."
		} else if s.Advice == fusion.AdviseMap {
			f.manner, f.word, f.todo = inGood, "GO", "Drive on the map."
		} else {
			f.manner, f.word, f.todo = inSlow, "SLOW", "Drive on the map, under the speed cap."
		}
		return f
	case fusion.Coasting:
		f.verdict = "COASTING"
		if !mapped || !(s.LeaveIn > 0) {
			break
		}
		f.manner, f.word = inCoast, "COAST"
		f.leave = s.LeaveIn
		if s.SpeedCap > 0 {
			f.cap = s.SpeedCap
		}
		f.todo = "No GNSS in use. Get ready to hand over."
		return f
	case fusion.Unproven:
		f.verdict = "UNPROVEN"
		if s.Advice != fusion.AdviseStop && !(groundSpeed(s) >= walking) {
			f.manner, f.word = inUnsure, "WAIT"
			f.todo = "Not proven yet. Do not drive on the map."
			return f
		}
	default:
		f.verdict = "UNUSABLE"
	}
	f.manner = inBad
	switch {
	case s.Advice == fusion.AdviseStop:
		f.word, f.todo = "STOP", "Stop the car."
	case s.Verdict == fusion.Usable:
		// The monitor holds a better advice back for a moment.
		f.word, f.todo = "HAND OVER", "Stay with reactive driving until it says GO."
	default:
		f.word, f.todo = "HAND OVER", "Hand over to reactive driving now."
	}
	return f
}

// overCap is the excess of speed in m/s that is called too fast: less cannot be
// told at one decimal.
const overCap = 0.05

// walking is the speed in m/s under which a car that has nothing to hand over
// yet is told to wait rather than to hand over.
const walking = 1.5

// groundSpeed is the filter's speed in m/s, before there is one the receiver's.
func groundSpeed(s *fusion.Snapshot) float64 {
	if known(s.Speed) {
		return s.Speed
	}
	return s.Epoch.Speed
}

// manner of a trail point: as judge sees it, without countdown and age.
func (p TrailPoint) manner() manner {
	switch p.Verdict {
	case fusion.Usable:
		if p.Advice == fusion.AdviseMap {
			return inGood
		}
		return inSlow
	case fusion.Coasting:
		return inCoast
	case fusion.Unproven:
		return inUnsure
	}
	return inBad
}

// numbers are the big figures beside the word.
type number struct {
	label string
	text  string
}

func (f *face) numbers() []number {
	switch {
	case f.manner == inVoid && known(f.silent):
		return []number{{"silent for, s", up(min(f.silent, 9999), 1)}}
	case f.manner == inCoast:
		n := []number{{"hand over in, s", down(min(f.leave, 999), 1)}}
		if known(f.cap) {
			n = append(n, number{"cap, m/s", down(min(f.cap, 999), 1)})
		}
		return n
	case f.manner == inGood || f.manner == inSlow:
		return []number{{"speed cap, m/s", down(min(f.cap, 999), 1)}}
	}
	return nil
}

// headRows is the height of the big head with letters of sy rows a dot.
func headRows(sy int) int { return fontRows*sy + 2 }

// drawHead draws the verdict in big letters over the rows y to
// y+headRows(sy)-1: kerb, word and figures, kerb.
func drawHead(c *Canvas, y, sy int, v *View, f *face) {
	st := headStyles[f.manner]
	h := headRows(sy)
	c.Fill(0, y, c.W, h, ' ', st)
	// Half a row high, so that it never touches the letters.
	for x := range c.W {
		if f.manner.kerb(x) {
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
	if now := speedWords(&v.Snap, f); now != "" && f.manner != inVoid {
		c.Text(c.W-2-len(now)-1, y+h-1, st, " "+now+" ")
	}
}

// speedWords says how fast the car is, and by how much too fast.
func speedWords(s *fusion.Snapshot, f *face) string {
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
func drawLowHead(c *Canvas, y int, v *View, f *face) {
	st := headStyles[f.manner]
	c.Fill(0, y, c.W, lowRows, ' ', st)
	for x := range c.W {
		if f.manner.kerb(x) {
			c.Set(x, y+lowRows-1, '▄', st)
		}
	}
	c.low(2, y, st, f.word)
	x := 2 + bigWidth(f.word, 1) + 3
	for _, n := range f.numbers() {
		c.low(x, y, st, n.text)
		x += bigWidth(n.text, 1) + 3
	}
	w := c.W - x - 1
	if w < 1 {
		return
	}
	c.put(x, y, w, text(st, f.head(v)))
	rest := wrap(f.todo, w)
	if rs := v.reasons(f); len(rs) > 0 {
		rest = wrap(rs[0], w)
	}
	for i, s := range rest[:min(len(rest), 2)] {
		c.put(x, y+1+i, w, text(st, s))
	}
}

// head returns the verdict's word and how long it has held.
func (f *face) head(v *View) string {
	if f.manner == inVoid {
		return f.verdict
	}
	if d := v.since(v.Snap.Since); known(d) {
		return f.verdict + " for " + lasting(d)
	}
	return f.verdict
}

// sentence is the row under the big word.
func (f *face) sentence(v *View) line {
	l := text(Plain, " ").put(textStyles[f.manner], f.head(v)+".").put(Plain, " ").put(Strong, f.todo)
	if f.manner != inVoid {
		l = l.put(Label, " Advice: "+v.Snap.Advice.String())
	}
	return l
}

// reasons lists in words what speaks against the position now, most serious
// first. It is empty for a stale view, whose reasons may be gone.
func (v *View) reasons(f *face) []string {
	var out []string
	s := &v.Snap
	if f.manner == inVoid {
		if v.blank() {
			return nil
		}
		return []string{"last heard: " + s.Verdict.String() + " at " + v.clock(s.T, 1) + "; that may be wrong by now"}
	}
	for i := range min(max(s.NReasons, 0), len(s.Reasons)) {
		out = append(out, v.reasonText(&s.Reasons[i]))
	}
	if s.NeedsProof {
		how := "until the receiver finds its fix anew"
		if len(v.Marks) > 0 && v.Replay == nil {
			how += " or a check mark is confirmed (m)"
		}
		out = append(out, "the receiver stepped: not believed "+how)
	}
	return out
}
