package tui

import (
	"kerbline/fusion"

	"github.com/gdamore/tcell/v2"
)

// State is what the person chose: page, scroll, contrast, an open question.
type State struct {
	Page     Page
	Before   Page // to go back to from the help
	Scroll   int
	Contrast int    // which theme, counts up
	Marking  bool   // choosing a check mark
	Mark     int    // the one chosen
	Antenna  bool   // it is the antenna that stands over it
	Quitting bool   // asked whether to quit
	Taking   string // settings: asked whether to take them for this run, empty for no
	Chosen   bool   // the person chose a page: none opens by itself any more
}

// shown returns the page that is shown: while settings are unproven, and nobody chose
// another, the one that says what they need.
func (st State) shown(v *View) Page {
	if st.Page == PageDrive && !st.Chosen && v != nil && v.Snap.Setup.Open && !v.blank() && !v.stale() {
		return PageSetup
	}
	return st.Page
}

// ActionKind is something a key asks the shell to do.
type ActionKind uint8

const (
	DoNothing ActionKind = iota
	DoQuit
	DoPause   // pause or go on
	DoStep    // one epoch on
	DoSeek    // by By seconds
	DoEvent   // to the next (By 1) or the previous (By -1) event
	DoSpeed   // faster (By 1) or slower (By -1)
	DoConfirm // check mark Mark
	DoSteer   // Driven steers from now on
	DoTake    // Set is taken for this run
)

// Action is what a key asks for.
type Action struct {
	Kind ActionKind
	By   float64
	Mark string
	// Antenna says that it is over the mark, and not the body origin.
	Antenna bool
	Set     string

	Driven fusion.Driven
}

// Key returns the state after a key and what it asks the shell to do. It is a
// pure function; keys that mean nothing here change nothing.
func (st State) Key(k tcell.Key, r rune, v *View) (State, Action) {
	replay := v != nil && v.Replay != nil
	if k == tcell.KeyCtrlC {
		return st, Action{Kind: DoQuit}
	}
	if st.Quitting {
		st.Quitting = false
		if k == tcell.KeyRune && (r == 'y' || r == 'Y') {
			return st, Action{Kind: DoQuit}
		}
		return st, Action{}
	}
	if set := st.Taking; set != "" {
		st.Taking = ""
		if k == tcell.KeyRune && (r == 'y' || r == 'Y') {
			return st, Action{Kind: DoTake, Set: set}
		}
		return st, Action{}
	}
	if st.Marking {
		return st.markKey(k, r, v)
	}
	shown := st.shown(v)
	switch k {
	case tcell.KeyEscape:
		if st.Page == PageHelp {
			st.Page, st.Scroll = st.Before, 0
		}
	case tcell.KeyTab:
		st.Page, st.Scroll, st.Chosen = (min(shown, numPages-1)+1)%numPages, 0, true
	case tcell.KeyBacktab:
		st.Page, st.Scroll, st.Chosen = (min(shown, numPages)+numPages-1)%numPages, 0, true
	case tcell.KeyPgDn:
		st.Scroll += 10
	case tcell.KeyPgUp:
		st.Scroll = max(st.Scroll-10, 0)
	case tcell.KeyLeft, tcell.KeyRight, tcell.KeyUp, tcell.KeyDown:
		if replay {
			by := map[tcell.Key]float64{tcell.KeyLeft: -10, tcell.KeyRight: 10, tcell.KeyUp: 60, tcell.KeyDown: -60}[k]
			return st, Action{Kind: DoSeek, By: by}
		}
		if k == tcell.KeyDown {
			st.Scroll++
		} else if k == tcell.KeyUp {
			st.Scroll = max(st.Scroll-1, 0)
		}
	case tcell.KeyRune:
		return st.runeKey(r, replay, v)
	}
	return st, Action{}
}

func (st State) runeKey(r rune, replay bool, v *View) (State, Action) {
	switch {
	case r >= '1' && r < '1'+rune(numPages):
		st.Page, st.Scroll, st.Chosen = Page(r-'1'), 0, true
	case r == '?' || r == 'h' || r == 'H':
		if st.Page == PageHelp {
			st.Page, st.Scroll = st.Before, 0
		} else {
			st.Before, st.Page, st.Scroll = st.Page, PageHelp, 0
		}
	case r == 'c' || r == 'C':
		st.Contrast++
	case r == 'q' || r == 'Q':
		if replay {
			return st, Action{Kind: DoQuit}
		}
		st.Quitting = true
	case (r == 'm' || r == 'M') && !replay && v != nil && len(v.Marks) > 0:
		st.Marking, st.Mark = true, 0
	case (r == 'd' || r == 'D') && !replay && v != nil:
		return st, Action{Kind: DoSteer, Driven: v.Snap.Driven.Next()}
	case (r == 't' || r == 'T') && v != nil && v.Takes:
		st.Taking = v.Snap.Symptom.Set
	case replay:
		return st, replayKeys[r]
	}
	return st, Action{}
}

// replayKeys are the keys of a replay; others ask for nothing.
var replayKeys = map[rune]Action{
	' ': {Kind: DoPause}, '.': {Kind: DoStep},
	'n': {Kind: DoEvent, By: 1}, 'N': {Kind: DoEvent, By: 1}, 'b': {Kind: DoEvent, By: -1}, 'B': {Kind: DoEvent, By: -1},
	'+': {Kind: DoSpeed, By: 1}, '=': {Kind: DoSpeed, By: 1}, '-': {Kind: DoSpeed, By: -1}, '_': {Kind: DoSpeed, By: -1},
}

// markKey answers the question which check mark the car stands on.
func (st State) markKey(k tcell.Key, r rune, v *View) (State, Action) {
	n := 0
	if v != nil {
		n = min(len(v.Marks), 9)
	}
	switch {
	case k == tcell.KeyEnter && st.Mark < n:
		st.Marking = false
		return st, Action{Kind: DoConfirm, Mark: v.Marks[st.Mark], Antenna: st.Antenna}
	case k == tcell.KeyRune && (r == 'a' || r == 'A'):
		st.Antenna = !st.Antenna
	case k == tcell.KeyDown:
		st.Mark = max(0, min(st.Mark+1, n-1))
	case k == tcell.KeyUp:
		st.Mark = max(st.Mark-1, 0)
	case k == tcell.KeyRune && r >= '1' && int(r-'1') < n:
		st.Mark = int(r - '1')
	default:
		st.Marking = false
	}
	return st, Action{}
}
