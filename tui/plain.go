package tui

import (
	"fmt"
	"strings"
)

// PlainScreen returns the main page as text of at most w by h characters, for
// a pipe or a log: what [Draw] would put on a terminal, without colour.
func PlainScreen(v *View, w, h int) string {
	c := NewCanvas(w, h)
	Draw(c, v, State{})
	return c.String()
}

// PlainLine returns the view in one line without control characters: time,
// verdict, advice, cap, the reasons, and the figures behind them.
func PlainLine(v *View) string {
	f := headlineOf(v)
	s := &v.Snap
	if f.look == lookVoid {
		l := "--:--:-- " + f.verdict + ": " + f.todo
		if !v.blank() {
			l += " " + strings.Join(v.reasons(&f), "; ")
		}
		return l
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s %s cap %s m/s", v.clock(s.T, 1), s.Verdict, s.Advice, down(f.cap, 1))
	if known(f.leave) {
		fmt.Fprintf(&b, " hand over in %s s", down(f.leave, 1))
	}
	if f.word == "HAND OVER" || f.word == "STOP" {
		fmt.Fprintf(&b, " %s", f.word)
	}
	fmt.Fprintf(&b, " | lateral %s/%s m along %s/%s m", up(s.PLLat.Total, 2), num(s.ALLat, 2), up(s.PLLon.Total, 2), num(s.ALLon, 2))
	fmt.Fprintf(&b, " | %s %s sats age %s s | link %s", s.Epoch.Quality, count(s.Epoch.Sats), num(s.Epoch.Age, 1), s.Link.Condition)
	if rs := v.reasons(&f); len(rs) > 0 {
		b.WriteString(" | " + strings.Join(rs, "; "))
	}
	if r := &v.Recording; r.Wanted && !r.OK {
		b.WriteString(" | NOT RECORDING: " + Clean(r.Words))
	}
	for i := range v.Sources {
		if src := &v.Sources[i]; !src.OK {
			b.WriteString(" | MISSING " + Clean(src.Name) + ": " + Clean(src.Words))
		}
	}
	return b.String()
}
