package tui

import (
	"fmt"
	"strings"

	"kerbline/fusion/symptoms"
	"kerbline/fusion/words"
)

// Page is one arrangement of the screen.
type Page uint8

const (
	PageDrive  Page = iota // the verdict and a little of everything
	PageProof              // protection levels and integrity tests
	PageLink               // correction link
	PageSenses             // receiver, IMU, wheel, time, sources
	PageLap                // the map
	PageDiary              // what happened
	PageSetup              // what must be shown before the settings are proven
	numPages
	PageHelp = numPages
)

var pageNames = [numPages + 1]string{"drive", "proof", "link", "senses", "lap", "diary", "setup", "help"}

// The smallest screen that is drawn whole.
const (
	MinWidth  = 80
	MinHeight = 24
)

// Draw fills c with view v in state st. It is a pure function: the same view
// and state give the same cells.
func Draw(c *Canvas, v *View, st State) {
	f := headlineOf(v)
	if c.W < MinWidth || c.H < MinHeight {
		drawSmall(c, v, &f)
		return
	}
	drawTop(c, v)
	st.Page = st.shown(v)
	switch {
	case st.Page == PageDrive:
		drawDrive(c, v, &f)
	default:
		drawPage(c, v, &f, st)
	}
	drawKeys(c, v, st)
	if st.Marking {
		drawMarks(c, v, st)
	}
	if st.Taking != "" {
		drawTaking(c, v, st.Taking)
	}
}

// drawSmall still says the one thing that matters on a screen that is too
// small for the rest.
func drawSmall(c *Canvas, v *View, f *headline) {
	rows := []line{text(textStyles[f.look], f.word)}
	for _, n := range f.numbers() {
		rows = append(rows, text(Strong, n.text).put(Plain, " "+n.label))
	}
	rows = append(rows, text(textStyles[f.look], f.head(v)))
	for _, s := range wrap(f.todo, max(c.W, 1)) {
		rows = append(rows, text(Strong, s))
	}
	small := fmt.Sprintf("screen %dx%d is too small, %dx%d needed", c.W, c.H, MinWidth, MinHeight)
	for _, s := range wrap(small, max(c.W, 1)) {
		rows = append(rows, text(Label, s))
	}
	for i, l := range rows {
		c.put(0, i, c.W, l)
	}
}

// drawTop is the first row: what is played or watched, when, where, and
// whether it is kept.
func drawTop(c *Canvas, v *View) {
	right := recordingLine(v)
	if v.Replay != nil {
		right = replayLine(v.Replay)
	}
	x := c.W - len(right)
	if len(right) > 0 {
		x--
	}
	c.put(max(x, 0), 0, c.W, right)

	l := text(Strong, " kerbline").put(Plain, "  ")
	if taken := v.Snap.Taken; taken != "" {
		key, _, _ := strings.Cut(taken, " ")
		l = l.put(Alarm, " TAKEN "+shorten(Clean(key), 20)+" ").put(Plain, "  ")
	}
	if !v.blank() {
		l = l.put(Strong, v.clock(v.Snap.T, 1))
		if v.hasUTC() {
			l = l.put(Label, " UTC")
			if local := v.Zone.Beside(v.Snap.T-v.Snap.HostMinusUTC, "15:04:05"); local != "" {
				l = l.put(Label, "  ").put(Plain, local)
			}
		} else {
			l = l.put(Label, " host")
		}
		if v.Snap.HasCourse {
			l = l.put(Label, "  lap ").put(Plain, fmt.Sprint(v.Snap.Lap+1)).put(Label, " at ").put(Plain, with(v.Snap.Station, 0, "m"))
		}
	}
	if name := Clean(v.Name); name != "" && len(l)+2+len([]rune(name)) <= x-2 {
		l = l.put(Plain, "  ").put(Label, name)
	}
	c.put(0, 0, max(x-2, 0), l)
}

func recordingLine(v *View) line {
	r := &v.Recording
	switch {
	case !r.Wanted:
		if v.Replay == nil && !v.blank() {
			return text(Label, "not recording")
		}
		return nil
	case r.OK:
		return text(Good, "● ").put(Label, "recording ").out(Plain, shorten(r.File, 24)).put(Plain, " "+bytesWords(r.Bytes))
	}
	return text(Alarm, " NOT RECORDING: ").out(Alarm, shorten(r.Words, 28)).put(Alarm, " ")
}

// shorten keeps the end of a long name, where names differ.
func shorten(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return "…" + string(r[len(r)-n+1:])
}

func replayLine(r *Replay) line {
	l := text(Label, "replay ").put(Plain, num(r.Pos, 1))
	if known(r.Length) && r.Length > 0 {
		l = l.put(Plain, " of "+num(r.Length, 0))
	}
	l = l.put(Plain, " s ").put(Strong, speedWord(r.Speed))
	switch {
	case known(r.Seek):
		l = l.put(Alarm, fmt.Sprintf(" SEEKING %d %% ", int(r.Seek*100)))
	case r.AtEnd:
		l = l.put(Alarm, " AT THE END ")
	case r.Paused:
		l = l.put(Alarm, " PAUSED ")
	}
	return l
}

func speedWord(x float64) string {
	return strings.TrimSuffix(strings.TrimRight(num(x, 2), "0"), ".") + "x"
}

// drawKeys is the last row.
func drawKeys(c *Canvas, v *View, st State) {
	y := c.H - 1
	c.Fill(0, y, c.W, 1, ' ', Keys)
	if st.Quitting {
		ask := " Stop watching and end the run?"
		if v.Guided {
			ask = " End the pass and examine what was recorded?"
		}
		c.Text(0, y, Alarm, ask+"  y yes   any other key no ")
		return
	}
	var names []string
	for i, n := range pageNames[:numPages] {
		names = append(names, fmt.Sprintf("%d %s", i+1, n))
	}
	s := ""
	for _, pages := range []string{strings.Join(names, " "), "1-7 pages"} {
		switch {
		case st.Marking:
			s = "1-9 choose  a antenna or body origin  Enter it stands over it  Esc back"
		case v.Replay != nil:
			s = pages + " ? help q quit  space pause . step ←→ 10 s ↑↓ 60 s n b event + - speed"
		default:
			s = pages + "  ? help"
			if v.Takes && v.Snap.Symptom.Set != "" {
				s += "  t take"
			}
			if len(v.Marks) > 0 {
				s += "  m mark"
			}
			s += "  c contrast  q quit"
		}
		if len([]rune(s)) <= c.W {
			break
		}
	}
	if k := &v.Snap.Mark; k.Pending && !st.Marking {
		c.put(0, y, c.W, text(Alarm, fmt.Sprintf(" CHECK MARK %s: stand still with a fixed position, %s s more ", Clean(k.Name), up(k.Left, 0))).put(Keys, "  "+s))
		return
	}
	if v.Notice != "" && !st.Marking {
		// What the shell has to say is short-lived: it may cover the keys.
		s = Clean(v.Notice) + "   " + s
	}
	c.put(0, y, c.W, text(Keys, s))
}

// drawDrive is the main page.
func drawDrive(c *Canvas, v *View, f *headline) {
	sy := 1
	if c.H >= 45 && c.W >= 120 {
		sy = 2
	}
	y := 1
	drawHead(c, y, sy, v, f)
	y += headRows(sy)
	c.put(0, y, c.W, f.sentence(v))
	y++
	why := 3
	if c.H >= 45 {
		why = 5
	} else if c.H >= 36 {
		why = 4
	}
	drawReasons(c, y, why, v, f)
	y += why
	if c.H >= 30 {
		y++
	}
	// What happens around the monitor comes last: a lost source before the
	// newest event.
	bottom := c.H - 2
	l := troubleLine(v)
	if l == nil && len(v.Events) > 0 {
		l = text(Label, " newest   ")
		l = append(l, eventLine(v, &v.Events[0])...)
	}
	c.put(0, bottom, c.W, l)
	rows := bottom - y
	switch {
	case v.blank():
		drawWaiting(c, y, v)
	case c.W < 110:
		left := min(50+(c.W-MinWidth)*2/3, 66)
		mapW := c.W - left - 2
		putLines(c, 1, y, left-1, stack(v, left-1, rows, false))
		drawLap(c, c.W-mapW, y, mapW, rows, v)
	case c.W < 170:
		left := 66
		putLines(c, 1, y, left-2, stack(v, left-2, rows, true))
		x := left + 2
		w := c.W - x
		mapH := max(rows*3/5, min(rows, 10))
		drawLap(c, x, y, w, mapH-1, v)
		putLines(c, x, y+mapH, w, append([]line{text(Label, "diary, newest first")}, eventLines(v, rows-mapH-1)...))
	default:
		left, right := 66, 72
		putLines(c, 1, y, left-2, stack(v, left-2, rows, true))
		x := left + 2
		w := c.W - x - right - 3
		drawLap(c, x, y, w, rows-2, v)
		c.put(x, y+rows-1, w, lapLegend(w))
		x = c.W - right
		lines := append(testLines(v, right), nil, text(Label, "diary, newest first"))
		lines = append(lines, eventLines(v, rows-len(lines))...)
		putLines(c, x, y, right, lines)
	}
	if v.stale() {
		c.fade(y, bottom)
	}
}

// drawWaiting stands where the figures will be until the first one comes.
func drawWaiting(c *Canvas, y int, v *View) {
	lines := []line{text(Label, "waiting for")}
	lines = append(lines, sourceLines(v)...)
	if len(v.Sources) == 0 {
		lines = append(lines, text(Plain, "the first record"))
	}
	lines = append(lines, nil)
	for _, s := range helpText[1:cautionLines] {
		for _, part := range wrap(s, c.W-2) {
			lines = append(lines, text(Plain, part))
		}
	}
	putLines(c, 1, y, c.W-2, lines)
}

// fade takes the meaning out of the rows from y to end: what they say is old.
func (c *Canvas) fade(y, end int) {
	for ; y < end; y++ {
		for x := range c.W {
			c.Set(x, y, c.At(x, y).R, Rule)
		}
	}
}

// drawReasons writes up to n reasons; when there are more, the last row says
// how many.
func drawReasons(c *Canvas, y, n int, v *View, f *headline) {
	rs := v.reasons(f)
	if len(rs) == 0 && f.look == lookGood {
		c.put(0, y, c.W, text(Plain, " ").put(Good, "√").put(Plain, " every check holds"))
		return
	}
	y0 := y
	for i, parts := range fitReasons(rs, c.W-reasonLead, n) {
		for k, part := range parts {
			l := text(Plain, strings.Repeat(" ", reasonLead))
			if k == 0 {
				l = text(Plain, " ").put(textStyles[f.look], "▸").put(Plain, " ")
			}
			st := Plain
			if i == 0 {
				st = Strong
			}
			if y < y0+n {
				c.put(0, y, c.W, l.put(st, part))
			}
			y++
		}
	}
	// What to do about it, where it has room whole; the proof page has it always.
	if mend := v.mendLines(f, c.W-reasonLead); y+len(mend) <= y0+n {
		for i, l := range mend {
			c.put(0, y+i, c.W, append(text(Plain, strings.Repeat(" ", reasonLead)), l...))
		}
	}
}

// mendLines say what mends the first reason, broken to w cells; none where nothing
// speaks against the position.
func (v *View) mendLines(f *headline, w int) (out []line) {
	s := &v.Snap
	if f.look == lookVoid || s.NReasons <= 0 {
		return nil
	}
	do := words.OfReason(s.Reasons[0].Code).Do
	if s.Symptom.ID != symptoms.None && symptoms.Of(s.Symptom.ID).Code == s.Reasons[0].Code {
		do = s.Symptom.Do()
	}
	const lead = "mend: "
	for i, part := range wrap(Clean(do), w-len(lead)) {
		l := text(Plain, strings.Repeat(" ", len(lead)))
		if i == 0 {
			l = text(Label, lead)
		}
		out = append(out, l.put(Plain, part))
	}
	return out
}

// reasonLead is the room before a reason.
const reasonLead = 3

// fitReasons breaks as many reasons to w cells as n rows hold whole; the last of
// them says how many more there are.
func fitReasons(rs []string, w, n int) (out [][]string) {
	for k := min(len(rs), n); k > 0; k-- {
		out = out[:0]
		rows := 0
		for i, r := range rs[:k] {
			if left := len(rs) - k; i == k-1 && left > 0 {
				r += fmt.Sprintf(" (+%d more, page 2)", left)
			}
			parts := wrap(r, w)
			out = append(out, parts)
			rows += len(parts)
		}
		if rows <= n {
			break
		}
	}
	return out
}

func putLines(c *Canvas, x, y, w int, lines []line) {
	for i, l := range lines {
		if y+i >= c.H-1 {
			return
		}
		c.put(x, y+i, w, l)
	}
}

// stack puts the panels of the main page under one another in at most rows
// lines: all in short form first, then the long forms in order of use, then
// blank lines between them.
func stack(v *View, w, rows int, roomy bool) []line {
	panels := []func(full bool) []line{
		func(full bool) []line { return limitLines(v, w, full) },
		func(full bool) []line { return fixLines(v, w, full) },
		func(full bool) []line {
			n := 3
			if full {
				n = 2 + max(2, v.Snap.Link.NTypes)
			}
			return linkLines(v, w, n)
		},
		func(full bool) []line { return senseLines(v, w, full) },
		func(full bool) []line { return timeLines(v, w, full) },
	}
	parts := make([][]line, len(panels))
	total := 0
	for i, p := range panels {
		parts[i] = p(false)
		total += len(parts[i])
	}
	// Too few rows: the last panels go first, the limits stay.
	for i := len(parts) - 1; i > 0; i-- {
		for len(parts[i]) > 0 && total > rows {
			parts[i] = parts[i][:len(parts[i])-1]
			total--
		}
	}
	gaps := 0
	if roomy {
		gaps = len(panels) - 1
	}
	for _, i := range []int{0, 2, 3, 1, 4} {
		if full := panels[i](true); total-len(parts[i])+len(full)+gaps <= rows {
			total += len(full) - len(parts[i])
			parts[i] = full
		}
	}
	spaced := total+len(panels)-1 <= rows
	var out []line
	for i, p := range parts {
		if i > 0 && spaced {
			out = append(out, nil)
		}
		out = append(out, p...)
	}
	return out
}

// drawPage is every page but the main one.
func drawPage(c *Canvas, v *View, f *headline, st State) {
	y := 1
	drawLowHead(c, y, v, f)
	y += lowRows
	l := text(Plain, " ")
	for i, n := range pageNames {
		if Page(i) == st.Page {
			l = l.put(Strong, "▸"+n+" ")
		} else {
			l = l.put(Label, " "+n+" ")
		}
	}
	c.put(0, y, c.W, l)
	y++
	rows := pageRows(c.H)
	w := c.W - 2
	if st.Page == PageLap {
		drawLap(c, 1, y, w, rows-1, v)
		c.put(1, y+rows-1, w, lapLegend(w))
	} else {
		lines := pageLines(v, f, st.Page, w)
		from := st.Clamp(v, c.W, c.H).Scroll
		putLines(c, 1, y, w, lines[from:])
		if free := rows - len(lines) - 1; st.Page == PageSetup && free >= leastLap {
			drawLap(c, 1, y+len(lines)+1, w, free, v)
		}
		if more := len(lines) - from - rows; more > 0 {
			s := fmt.Sprintf(" %d more lines: PgDn ", more+1)
			c.Fill(0, y+rows-1, c.W, 1, ' ', Plain)
			c.Text(c.W-len(s)-1, y+rows-1, Alarm, s)
		}
	}
	if v.stale() && st.Page != PageHelp {
		c.fade(y, c.H-1)
	}
}

// leastLap is from how many rows on the map is drawn under the setup page.
const leastLap = 12

// pageLines is the whole content of a page that is a list of lines.
func pageLines(v *View, f *headline, p Page, w int) []line {
	var lines []line
	switch p {
	case PageProof:
		for i, r := range v.reasons(f) {
			lines = append(lines, wrapLine(text(textStyles[f.look], "▸").put(Plain, " "+r), w, 2)...)
			if i == 0 {
				for _, l := range v.mendLines(f, w-2) {
					lines = append(lines, append(text(Plain, "  "), l...))
				}
			}
		}
		if len(lines) == 0 {
			lines = append(lines, text(Label, "no reason against the position"))
		}
		lines = append(lines, nil)
		if c := claimLines(v); len(c) > 0 {
			lines = append(append(lines, c...), nil)
		}
		if c := phaseLines(v); len(c) > 0 {
			lines = append(append(lines, c...), nil)
		}
		lines = append(lines, testLines(v, w)...)
		lines = append(lines, nil)
		lines = append(lines, limitLines(v, min(w, 100), true)...)
	case PageLink:
		lines = linkDetail(v, min(w, 110))
	case PageSenses:
		lines = senseDetail(v, w)
	case PageDiary:
		for _, l := range eventLines(v, max(len(v.Events), 1)) {
			lines = append(lines, wrapLine(l, w, labelWidth)...)
		}
	case PageSetup:
		lines = setupLines(v, min(w, 110))
	case PageHelp:
		lines = helpLines(min(w, 100))
	}
	return lines
}

// pageRows is how many rows a page other than the main one has for itself on
// a screen h high: all but top, head, page names and keys.
func pageRows(h int) int { return h - 1 - lowRows - 1 - 1 }

// Clamp bounds the scroll of st to what there is to see on a screen of w by h.
func (st State) Clamp(v *View, w, h int) State {
	f := headlineOf(v)
	st.Scroll = max(0, min(st.Scroll, len(pageLines(v, &f, st.shown(v), w-2))-pageRows(h)))
	return st
}

// frame blanks a box in the middle and returns its inner corner and width.
func (c *Canvas) frame(w, h int) (x, y, inner int) {
	w = min(w, c.W-4)
	x, y = (c.W-w)/2, max((c.H-h)/2, 1)
	c.Fill(x, y, w, h, ' ', Plain)
	for i := range w {
		c.Set(x+i, y, '═', Strong)
		c.Set(x+i, y+h-1, '═', Strong)
	}
	return x + 2, y + 1, w - 4
}

// drawTaking asks whether to take settings for this run.
func drawTaking(c *Canvas, v *View, set string) {
	const wide = 72
	how := "The filter starts again with it; the settings file stays as it is. Screen, lines, recording and report say that it is used."
	if v.Replay != nil {
		how = "The recording is played again with it up to here; the settings file stays as it is."
	}
	inner := min(wide, c.W-4) - 4
	rows := append(wrap(Clean(set), inner), "")
	rows = append(rows, wrap(how, inner)...)
	x, y, inner := c.frame(wide, len(rows)+5)
	c.put(x, y, inner, text(Strong, "Take this for this run alone?"))
	for i, r := range rows {
		c.put(x, y+1+i, inner, text(Plain, r))
	}
	c.put(x, y+2+len(rows), inner, text(Strong, "y yes   any other key no"))
}

// drawMarks asks which check mark the car stands on.
func drawMarks(c *Canvas, v *View, st State) {
	x, y, w := c.frame(64, min(len(v.Marks), 9)+8)
	c.put(x, y, w, text(Strong, "Confirm a check mark: one minute"))
	what := "body origin (mid rear axle)"
	if st.Antenna {
		what = "antenna"
	}
	c.put(x, y+1, w, text(Plain, "1 Bring the ").put(Strong, what).put(Plain, " over the mark."))
	c.put(x, y+2, w, text(Plain, "2 Stand still, choose the mark, press Enter, wait for 5 s."))
	c.put(x, y+3, w, text(Plain, "It holds until the base changes.").put(Label, "  a: ").put(Plain, "antenna or body origin"))
	for i, m := range v.Marks {
		if i >= 9 {
			break
		}
		l := text(Plain, "  ")
		style := Plain
		if i == st.Mark {
			l, style = text(Strong, "▸ "), Strong
		}
		c.put(x, y+5+i, w, l.put(style, fmt.Sprintf("%d ", i+1)).out(style, m))
	}
}
