package tui

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"kerbline/fusion"
	"kerbline/fusion/symptoms"
	"kerbline/fusion/trust"
	"kerbline/fusion/words"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/rtcm"
)

// Each panel is a pure function from a view to lines at most w wide. full asks
// for the long form where there is room.

// limitLines shows protection levels against alert limits, and the coast
// budget against the handover.
func limitLines(v *View, w int, full bool) []line {
	s := &v.Snap
	deg := func(x float64) float64 { return x / geodesy.Degree }
	degPL := fusion.PL{Total: deg(s.PLYaw.Total), Noise: deg(s.PLYaw.Noise), Step: deg(s.PLYaw.Step),
		Timing: deg(s.PLYaw.Timing), Sigma: deg(s.PLYaw.Sigma)}
	var out []line
	for _, r := range []struct {
		name, unit string
		dec        int
		pl         *fusion.PL
		al         float64
	}{
		{"lateral", "m", 2, &s.PLLat, s.ALLat},
		{"along", "m", 2, &s.PLLon, s.ALLon},
		{"heading", "deg", 1, &degPL, deg(s.ALYaw)},
	} {
		l := row(r.name).put(Strong, fmt.Sprintf("%5s", up(r.pl.Total, r.dec)))
		l = l.put(Plain, " of "+num(r.al, r.dec)+" "+r.unit).to(labelWidth + 17)
		bw := w - len(l)
		l = append(l, bar(r.pl, r.al, bw)...)
		out = append(out, l)
		if full {
			out = append(out, partsLine(r.pl, r.dec))
		}
	}
	out = append(out, coastLine(v))
	if full {
		out = append(out, row("risk").put(Plain, risk(v.Risk)).put(Label, " for the levels, ").put(Plain, risk(v.RiskCoast)).
			put(Label, " for coast at each loss"))
		out = append(out, row("unseen").put(Plain, "a drift under "+detectable(&s.Tests[fusion.TestDrift3])+", a step under "+detectable(&s.Tests[fusion.TestJump])))
	}
	return out
}

// partsLine lists the parts of a protection level, in the order of its bar. A
// suspected drift takes the room of sigma and of the last decimal.
func partsLine(pl *fusion.PL, dec int) line {
	drift := pl.Drift > 0
	if !drift {
		dec++
	}
	l := line(nil).to(labelWidth)
	part := func(name string, x float64) { l = l.put(Label, name).put(Plain, num(x, dec)) }
	part("█ noise ", pl.Noise)
	part("  ▓ step ", pl.Step)
	if drift {
		part("  ▒ drift ", pl.Drift)
	}
	part("  ░ timing ", pl.Timing)
	if !drift {
		part("  σ ", pl.Sigma)
	}
	return l
}

// coastLine compares the coast budget with the handover. Its risk is written
// beside it, for it is not that of the protection levels.
func coastLine(v *View) line {
	s := &v.Snap
	l := row("coast")
	budget := down(s.Coast, 1) + " s"
	if !known(s.Coast) {
		budget = dash
	} else if s.CoastMax {
		budget = "over " + budget
	}
	l = l.put(Strong, budget)
	if known(v.RiskCoast) && v.RiskCoast > 0 {
		l = l.put(Label, " (risk "+risk(v.RiskCoast)+")")
	}
	l = l.put(Plain, ", handover ")
	if known(s.Handover) {
		l = l.put(Plain, up(s.Handover, 1)+" s")
	} else {
		l = l.put(Plain, dash)
	}
	if known(s.Coast) && known(s.Handover) && s.Coast < s.Handover && !s.CoastMax {
		l = l.put(Plain, " ").put(Bad, "SHORT")
	}
	return l
}

func risk(p float64) string {
	if !known(p) || p <= 0 {
		return dash
	}
	return strings.Replace(strconv.FormatFloat(p, 'e', -1, 64), "e-0", "e-", 1)
}

// bar draws a protection level with its parts against its limit: the limit
// stands at three quarters of the width, what does not fit ends in an arrow.
func bar(pl *fusion.PL, al float64, w int) line {
	if w < 8 {
		return nil
	}
	at := w * 3 / 4
	l := make(line, w)
	for i := range l {
		l[i] = Cell{' ', Rule}
		if i < at {
			l[i].R = '·'
		}
	}
	if !known(pl.Total) || !known(al) || al <= 0 {
		l[at] = Cell{'┃', Strong}
		copy(l, text(Unsure, " unknown "))
		return l
	}
	over := pl.Total > al
	st := Plain
	if over {
		st = Bad
	}
	end := 0.0
	cell := func() int { return int(math.Round(min(end/al*float64(at), float64(w)))) }
	paint := func(part float64, r rune) {
		if !(part > 0) {
			return
		}
		from := cell()
		end += part
		for i := from; i < cell(); i++ {
			l[i] = Cell{r, st}
		}
	}
	paint(pl.Noise, '█')
	paint(pl.Step, '▓')
	paint(pl.Drift, '▒')
	paint(pl.Timing, '░')
	if rest := pl.Total - end; rest > 0 {
		paint(rest, '█') // parts unknown or not given
	}
	// Rounding must not put the end on the wrong side of the limit.
	l[at] = Cell{'┃', Strong}
	if over {
		l[at] = Cell{'╋', Bad}
		if at+1 < w && l[at+1].R == ' ' {
			l[at+1] = Cell{'░', Bad}
		}
		if pl.Total/al*float64(at) > float64(w) {
			l[w-1] = Cell{'▶', Bad}
		}
	}
	return l
}

// silent reports whether an input that came before has stopped: the monitor gives
// that as a reason, or its last arrival (s ago) is far beyond its rate (Hz).
func (v *View) silent(code string, age, rate float64) bool {
	for i := range min(max(v.Snap.NReasons, 0), len(v.Snap.Reasons)) {
		if code != "" && v.Snap.Reasons[i].Code == code {
			return true
		}
	}
	after := StaleAfter
	if rate > 0 {
		after = max(after, 3/rate)
	}
	return age > after
}

// fixLines shows the receiver.
func fixLines(v *View, w int, full bool) []line {
	s, e := &v.Snap, &v.Snap.Epoch
	if s.Counts.Epochs == 0 && e.UTC == 0 {
		return []line{row("fix").put(Unsure, "nothing from the receiver yet"), nil}
	}
	silent := v.silent("receiver-silent", s.EpochAge, s.EpochRate)
	l := row("fix").put(Strong, strings.ToUpper(e.Quality.String()))
	switch {
	case silent:
		l = l.put(Plain, " ").put(Bad, "SILENT "+lasting(s.EpochAge))
	case s.EpochUsed:
		l = l.put(Good, " used")
	case s.Refused > 0:
		l = l.put(Plain, " ").put(Bad, "REFUSED "+lasting(s.Refused))
	default:
		l = l.put(Plain, " ").put(Bad, "NOT USED")
	}
	l = l.put(Plain, "  "+count(e.Sats)+" sats")
	if full || s.EpochUsed && !silent {
		l = l.put(Plain, "  HDOP "+num(e.HDOP, 1))
	}
	switch {
	case s.SigmaFix >= 0.1:
		l = l.put(Plain, "  ±"+with(s.SigmaFix, 2, "m"))
	case known(s.SigmaFix):
		l = l.put(Plain, "  ±"+with(s.SigmaFix, 3, "m"))
	}
	m := line(nil).to(labelWidth).put(Label, "age ").put(Plain, with(e.Age, 1, "s")).
		put(Label, "  station ").put(Plain, count(e.Station)).
		put(Label, "  latency ").put(Plain, with(s.Latency*1e3, 0, "ms"))
	if !full {
		return []line{l, m}
	}
	m = m.put(Label, "  rate ").put(Plain, with(s.EpochRate, 0, "Hz"))
	n := line(nil).to(labelWidth).put(Label, "GST sigma N ").put(Plain, num(e.SigmaN, 3)).put(Label, " E ").put(Plain, num(e.SigmaE, 3)).
		put(Label, " U ").put(Plain, num(e.SigmaU, 3)+" m").put(Label, "  C/N0 ").put(Plain, with(e.CN0, 0, "dB-Hz"))
	return []line{l, m, n}
}

// conditionLine is the state of the link now.
func conditionLine(v *View, full bool) line {
	s := &v.Snap.Link
	l := row("link")
	word := strings.ToUpper(s.Condition.String())
	switch s.Condition {
	case corrections.Flowing:
		l = l.put(Good, word)
	case corrections.Untapped:
		return l.put(Unsure, word).put(Plain, "  age "+with(s.RoverAge, 1, "s")+"  station "+count(s.RoverStn))
	default:
		l = l.put(Bad, word)
		if d := v.since(s.Since); known(d) {
			l = l.put(Bad, " "+lasting(d))
		}
	}
	l = l.put(Label, "  age ").put(Plain, with(s.RoverAge, 1, "s")).put(Label, "  latency ").put(Plain, with(s.Latency, 2, "s"))
	if full {
		l = l.put(Plain, "  "+with(s.BytesPerS, 0, "B/s"))
	}
	return l
}

// linkLines shows the correction link: condition, bars by message type, the
// last outage in words. rows bounds how many lines there may be.
func linkLines(v *View, w, rows int) []line {
	s := &v.Snap.Link
	out := []line{conditionLine(v, w >= 60)}
	n := min(max(s.NTypes, 0), len(s.Types))
	if s.Condition == corrections.Untapped && n == 0 {
		return append(out, line(nil).to(labelWidth).put(Label, "no tap on the correction bytes"), outageLine(v))
	}
	if rows-2 < n || n == 0 {
		return append(out, typesLine(v, w), outageLine(v))
	}
	for i := range n {
		t := &s.Types[i]
		out = append(out, line(nil).to(labelWidth).put(Label, fmt.Sprintf("%-5d", t.Number)).
			put(Plain, minuteBar(t, min(w-labelWidth-23, 60))).put(Label, fmt.Sprintf(" %5s/s %3s s ago", num(t.Rate, 2), num(v.since(t.Last), 0))))
	}
	return append(out, outageLine(v))
}

// typesLine puts all message types side by side, each its number and a short
// bar.
func typesLine(v *View, w int) line {
	const indent = 2
	s := &v.Snap.Link
	n := min(max(s.NTypes, 0), len(s.Types))
	if n == 0 {
		return line(nil).to(labelWidth).put(Label, "no whole frame yet")
	}
	each := max(3, min(12, (w-indent+1)/n-6))
	l := line(nil).to(indent)
	for i := range n {
		t := &s.Types[i]
		if len(l)+5+each > w {
			more := fmt.Sprintf("+%d", n-i)
			return append(l[:min(len(l), w-len(more))], text(Label, more)...)
		}
		l = l.put(Label, fmt.Sprintf("%d ", t.Number)).put(Plain, minuteBar(t, each)).put(Plain, " ")
	}
	return l[:len(l)-1]
}

// levels are the heights of a bar, from none at all to the usual; the highest
// leaves a gap to the row above.
var levels = []rune("·▁▂▃▄▅▆")

// minuteBar draws the frames of one type over the last minute in w cells,
// oldest first, against how many are usual. A slow type is counted over one
// and a half of its periods, so that its normal pauses do not look like gaps.
func minuteBar(t *corrections.TypeStat, w int) string {
	if w < 1 {
		return ""
	}
	w = min(w, len(t.Minute))
	rate := t.Rate
	if !(rate > 0) {
		total := 0
		for _, n := range t.Minute {
			total += int(n)
		}
		rate = float64(total) / float64(len(t.Minute))
	}
	b := make([]rune, w)
	for i := range b {
		to := (i + 1) * len(t.Minute) / w
		span := float64(to - i*len(t.Minute)/w)
		if rate > 0 {
			span = max(span, math.Ceil(1.5/rate))
		}
		from := max(0, to-int(min(span, 60)))
		got := 0
		for _, n := range t.Minute[from:to] {
			got += int(n)
		}
		level := 0
		if got > 0 && rate > 0 {
			share := float64(got) / max(1, math.Floor(rate*float64(to-from)+1e-6))
			level = 1 + int(min(share, 1)*float64(len(levels)-2)+0.25)
			level = min(level, len(levels)-1)
		}
		b[i] = levels[level]
	}
	return string(b)
}

// outageLine describes the open outage or of the last one.
func outageLine(v *View) line {
	s := &v.Snap.Link
	l := row("outage")
	switch {
	case s.Open:
		return l.put(Bad, "OPEN "+lasting(v.since(s.OpenSince))+": "+s.OpenCause.Label())
	case s.Episodes > 0 && known(s.LastStart):
		return l.put(Plain, v.clock(s.LastStart, 0)+", "+lasting(s.LastEnd-s.LastStart)+": "+s.LastCause.Label())
	}
	return l.put(Label, "none so far")
}

// senseLines shows IMU and wheel: one line, or in full one each.
func senseLines(v *View, w int, full bool) []line {
	s := &v.Snap
	g := &s.GyroBias
	bias := math.Sqrt(g[0]*g[0]+g[1]*g[1]+g[2]*g[2]) / geodesy.Degree
	imu, wheel := row("imu"), line(nil)
	switch {
	case s.Counts.IMU == 0 && !(s.IMURate > 0):
		imu = imu.put(Unsure, "nothing yet")
	case v.silent("imu-silent", s.IMUAge, s.IMURate):
		imu = imu.put(Bad, "SILENT "+lasting(s.IMUAge))
	default:
		imu = imu.put(Plain, with(s.IMURate, 0, "Hz")).put(Label, "  bias ").put(Plain, with(bias, 2, "deg/s"))
		if full {
			imu = imu.put(Label, "  shake ").put(Plain, with(s.Vibration, 2, "m/s²"))
		}
	}
	switch {
	case s.Counts.Wheel == 0 && !(s.WheelRate > 0):
		wheel = wheel.put(Label, "none")
	case v.silent("", s.WheelAge, s.WheelRate):
		wheel = wheel.put(Bad, "SILENT "+lasting(s.WheelAge))
	default:
		wheel = wheel.put(Plain, with(s.WheelSpeed, 1, "m/s"))
		if full {
			wheel = wheel.put(Plain, "  "+with(s.WheelRate, 0, "Hz")).put(Label, "  scale ").put(Plain, num(s.WheelScale, 3)).
				put(Label, "  slip ").put(Plain, with(s.Slip/geodesy.Degree, 2, "deg s²/m"))
		}
	}
	if !full {
		return []line{append(imu.put(Label, "  wheel "), wheel...)}
	}
	out := []line{imu, append(row("wheel"), wheel...)}
	if s.Symptom.ID != symptoms.None {
		for _, part := range wrap("LOOKS WRONG: "+Clean(s.Symptom.Text()), w-labelWidth) {
			out = append(out, line(nil).to(labelWidth).put(Bad, part))
		}
	}
	return out
}

// timeLines shows how host clock and receiver time go together.
func timeLines(v *View, w int, full bool) []line {
	s := &v.Snap
	if !v.hasUTC() {
		return []line{row("time").put(Unsure, "offset of host clock and receiver time not known yet")}
	}
	latency := with(s.Latency*1e3, 0, "ms")
	if known(s.LatencySigma) {
		latency = num(s.Latency*1e3, 0) + " ±" + with(s.LatencySigma*1e3, 0, "ms")
	}
	l := row("time").put(Label, "host - UTC ").put(Plain, with(s.HostMinusUTC, 3, "s")).
		put(Label, "  GNSS latency ").put(Plain, latency)
	if !full {
		return []line{l}
	}
	return []line{l, line(nil).to(labelWidth).put(Label, "host clock drift ").put(Plain, with(s.ClockDrift*1e6, 1, "µs/s"))}
}

// claimLines show the two hypotheses of where the car is while a fix is not
// believed, the evidence between them, and what has verified the place at all.
func claimLines(v *View) []line {
	s := &v.Snap
	k := &s.Claim
	if !s.HasPos {
		return nil
	}
	l := row("place")
	switch k.Fix {
	case trust.Believed:
		l = l.put(Good, "fix BELIEVED")
	case trust.Claimed:
		l = l.put(Bad, "fix CLAIMED").put(Plain, " "+lasting(v.since(k.Since))+": right or wrong is not decided")
	default:
		l = l.put(Bad, "fix REFUTED").put(Plain, " "+lasting(v.since(k.Since))+": it stands elsewhere than the car")
	}
	out := []line{l}
	if k.Fix != trust.Believed {
		o := &k.Offset
		out = append(out,
			line(nil).to(labelWidth).put(Label, "receiver off by ").put(Plain, num(o[0], 2)+" m east, "+num(o[1], 2)+" m north, "+num(o[2], 2)+" m up"),
			line(nil).to(labelWidth).put(Label, "evidence (log-likelihood ratio) ").put(Plain, num(k.LLR, 1)).
				put(Label, "  believed at ").put(Plain, num(k.Believe, 1)).put(Label, "  refuted at ").put(Plain, num(k.Refute, 1)))
		kept := "dead reckoning, last believed " + lasting(v.since(k.Proven)) + " ago"
		if k.Followed {
			kept = "the receiver's place: dead reckoning is spent"
		}
		out = append(out, line(nil).to(labelWidth).put(Label, "lines give ").put(Plain, kept))
	}
	if s.Driven != fusion.DrivenMap {
		out = append(out, line(nil).to(labelWidth).put(Plain, "driven: "+s.Driven.String()+", so the path of earlier laps counts"))
	}
	if s.Mark.At > 0 {
		return append(out, line(nil).to(labelWidth).put(Plain, "verified at a check mark "+lasting(v.since(s.Mark.At))+" ago, until the base changes"))
	}
	return append(out, line(nil).to(labelWidth).put(Unsure, "absolute position unverified; a check mark verifies it"))
}

// testNames says in words what each test watches.
var testNames = [fusion.NumTests]string{
	fusion.TestFix:        "fix gate",
	fusion.TestInnovation: "innovation",
	fusion.TestJump:       "jump",
	fusion.TestDrift1:     "drift, short",
	fusion.TestDrift2:     "drift, middle",
	fusion.TestDrift3:     "drift, long",
	fusion.TestCusum:      "drift, summed",
	fusion.TestVelocity:   "velocity",
	fusion.TestReference:  "reference",
	fusion.TestInputs:     "inputs",
}

// testLines shows the integrity tests.
func testLines(v *View, w int) []line {
	s := &v.Snap
	out := []line{text(Label, fmt.Sprintf("%-14s %10s %10s  %12s  %s", "test", "statistic", "alarm at", "finds from", "state"))}
	for i := range s.Tests {
		t := &s.Tests[i]
		l := text(Plain, fmt.Sprintf("%-14s %10s %10s  %12s   ", testNames[i], num(t.Stat, 2), num(t.Threshold, 2), detectable(t)))
		switch {
		case t.Alarm:
			l = l.put(Bad, "ALARM "+lasting(v.since(t.Since)))
		case !known(t.Stat) && fusion.TestID(i) != fusion.TestFix && fusion.TestID(i) != fusion.TestInputs: // those two have no number
			l = l.put(Unsure, "not run")
		default:
			l = l.put(Good, "quiet")
		}
		out = append(out, l)
	}
	return append(out, text(Label, "statistics have no unit: squared errors by their variance, sums by sigma"))
}

// detectable is the smallest fault a test finds.
func detectable(t *fusion.TestState) string {
	if !known(t.Detectable) || t.Detectable <= 0 || t.Unit == "" {
		return dash
	}
	return strings.TrimSpace(num(t.Detectable, 2) + " " + Clean(t.Unit))
}

// eventLine is one event in one line.
func eventLine(v *View, e *fusion.Event) line {
	st := Plain
	switch e.Kind {
	case fusion.EventJump, fusion.EventDrift, fusion.EventOutage, fusion.EventBase, fusion.EventReinit, fusion.EventUnit, fusion.EventInterference, fusion.EventBaseElsewhere:
		st = Strong
	}
	l := text(Label, v.clock(e.T, 0)+" ").put(st, eventName(e.Kind))
	if e.Cause != "" && e.Cause != string(e.Kind) {
		l = l.put(st, " "+Clean(strings.ReplaceAll(e.Cause, "_", " ")))
	}
	unit := words.EventUnit(e.Kind)
	ended := known(e.End) && e.End > e.T
	if known(e.Size) && e.Size != 0 && !(ended && unit == "s") {
		l = l.put(st, " "+with(e.Size, 2, unit))
	}
	if ended {
		l = l.put(Plain, " for "+lasting(e.End-e.T))
	}
	if known(e.Where) && v.Snap.HasCourse {
		l = l.put(Label, " at "+num(e.Where, 0)+" m")
	}
	if e.Detail != "" {
		l = l.put(Label, ": ").out(Plain, e.Detail)
	}
	return l
}

// eventLines lists the newest events, one line each.
func eventLines(v *View, rows int) []line {
	if len(v.Events) == 0 {
		return []line{text(Label, "nothing happened yet")}
	}
	var out []line
	for i := range v.Events[:max(0, min(rows, len(v.Events)))] {
		out = append(out, eventLine(v, &v.Events[i]))
	}
	return out
}

// sourceLines lists the live sources.
func sourceLines(v *View) []line {
	var out []line
	for i := range v.Sources {
		s := &v.Sources[i]
		l := row(Clean(s.Name))
		if s.OK {
			l = l.put(Good, "ok ")
		} else {
			l = l.put(Bad, "MISSING ")
		}
		out = append(out, l.out(Plain, s.Words))
	}
	return out
}

// troubleLine is what the shell or the wiring does wrong: the first source that
// fails, else an input that looks wrong. It is nil when all is well.
func troubleLine(v *View) line {
	for i := range v.Sources {
		if s := &v.Sources[i]; !s.OK {
			more := ""
			n := 0
			for _, t := range v.Sources[i+1:] {
				if !t.OK {
					n++
				}
			}
			if n > 0 {
				more = fmt.Sprintf(" (and %d more, page 4)", n)
			}
			return text(Alarm, " MISSING ").put(Plain, " ").out(Strong, s.Name).put(Plain, ": ").out(Plain, s.Words).put(Label, more)
		}
	}
	if v.Snap.Symptom.ID != symptoms.None {
		return text(Alarm, " LOOKS WRONG ").put(Plain, " ").out(Strong, v.Snap.Symptom.Text())
	}
	return nil
}

// linkDetail is the long form of the link for its own page.
func linkDetail(v *View, w int) []line {
	s := &v.Snap.Link
	out := []line{conditionLine(v, true)}
	sats := ""
	for i, n := range s.Systems {
		if n > 0 && i < len(systemNames) {
			sats += fmt.Sprintf("  %s %d", systemNames[i], n)
		}
	}
	if sats == "" {
		sats = "  " + dash
	}
	out = append(out,
		line(nil).to(labelWidth).put(Label, "usual latency ").put(Plain, with(s.UsualLat, 2, "s")).put(Label, "  broken share ").put(Plain, with(s.BadShare*100, 1, "%")).
			put(Label, "  CRC errors ").put(Plain, fmt.Sprint(s.CRCErrors)).put(Label, "  junk ").put(Plain, bytesWords(int64(min(s.JunkBytes, math.MaxInt64)))),
		row("base").put(baseStyle(s.Base), baseWords(s.Base)).put(Label, "  station ").put(Plain, count(s.Station)).
			put(Label, "  off ").put(Plain, with(s.BaseOff, 3, "m")).put(Label, "  baseline ").put(Plain, with(s.Baseline, 0, "m")),
		row("sends").put(Plain, strings.TrimSpace(sats)).put(Label, "   usual ").put(Plain, num(s.UsualSats, 0)+" sats"))
	out = append(out, outageLine(v))
	if s.Open || s.Episodes > 0 {
		c := s.LastCause
		if s.Open {
			c = s.OpenCause
		}
		out = append(out, wrapLine(line(nil).to(labelWidth).put(Label, "try: ").put(Plain, c.Try()), w, labelWidth)...)
	}
	for i := range v.Events {
		if e := &v.Events[i]; e.Kind == fusion.EventOutage && e.Detail != "" {
			for j, part := range wrap(Clean(e.Detail), w-labelWidth) {
				if j > 2 {
					break
				}
				out = append(out, line(nil).to(labelWidth).put(Plain, part))
			}
			break
		}
	}
	out = append(out, nil, text(Label, "type     last minute").to(w-32).put(Label, "    /s  bytes   ago  longest gap"))
	bw := min(60, w-labelWidth-33)
	for i := range min(max(s.NTypes, 0), len(s.Types)) {
		t := &s.Types[i]
		out = append(out, text(Plain, fmt.Sprintf("%-9d", t.Number)).put(Plain, minuteBar(t, bw)).to(w-32).
			put(Plain, fmt.Sprintf("%6s %6s %5s %12s", num(t.Rate, 2), num(t.Bytes, 0), num(v.since(t.Last), 0), with(t.MaxGap, 1, "s"))))
	}
	if s.NTypes == 0 {
		out = append(out, text(Label, "no whole frame yet"))
	}
	return out
}

var systemNames = [rtcm.NSystems]string{rtcm.GPS: "GPS", rtcm.GLONASS: "GLONASS", rtcm.Galileo: "Galileo", rtcm.SBAS: "SBAS",
	rtcm.QZSS: "QZSS", rtcm.BeiDou: "BeiDou", rtcm.NavIC: "NavIC"}

func baseWords(b corrections.BaseState) string {
	switch b {
	case corrections.BaseAsSurveyed:
		return "as surveyed"
	case corrections.BaseFirstHeard:
		return "first heard, taken as surveyed"
	case corrections.BaseElsewhere:
		return "NOT WHERE SURVEYED"
	case corrections.BaseUnconfirmed:
		return "NEW STATION, NOT CONFIRMED"
	}
	return "coordinates not heard yet"
}

func baseStyle(b corrections.BaseState) Style {
	switch b {
	case corrections.BaseAsSurveyed, corrections.BaseFirstHeard:
		return Good
	case corrections.BaseElsewhere, corrections.BaseUnconfirmed:
		return Bad
	}
	return Unsure
}

// senseDetail is the long form of receiver, IMU, wheel, time and sources.
func senseDetail(v *View, w int) []line {
	s := &v.Snap
	out := fixLines(v, w, true)
	vec := func(label string, b [3]float64, k float64, dec int, unit string) line {
		return line(nil).to(labelWidth).put(Label, label).put(Plain, fmt.Sprintf("%s  %s  %s %s", num(b[0]*k, dec), num(b[1]*k, dec), num(b[2]*k, dec), unit))
	}
	out = append(out, nil)
	out = append(out, senseLines(v, w, true)...)
	out = append(out,
		vec("gyro bias ", s.GyroBias, 1/geodesy.Degree, 3, "deg/s"),
		vec("accelerometer bias ", s.AccBias, 1, 3, "m/s²"),
		nil)
	out = append(out, timeLines(v, w, true)...)
	out = append(append(out, nil), wrapLine(row("counts").put(Plain, fmt.Sprintf("%d epochs (%d used, %d refused), %d frames, %d IMU, %d wheel",
		s.Counts.Epochs, s.Counts.EpochsUsed, s.Counts.EpochsRefused, s.Counts.Frames, s.Counts.IMU, s.Counts.Wheel)), w, labelWidth)...)
	refused := row("refused")
	any := false
	for i, n := range s.Counts.Refused {
		if n > 0 {
			refused = refused.put(Plain, fmt.Sprintf("%s %d  ", fusion.Channel(i), n))
			any = true
		}
	}
	if !any {
		refused = refused.put(Plain, "no line or frame")
	}
	out = append(out, refused)
	if src := sourceLines(v); len(src) > 0 {
		out = append(out, nil)
		out = append(out, src...)
	}
	return out
}
