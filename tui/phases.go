package tui

import (
	"fmt"
	"math"

	"kerbline/fusion/carrier"
	"kerbline/fusion/integers"
)

// phaseLines show what the rover's own carrier phases say: how far they carry the
// position without the receiver's, whether it moves as they do, and what our own
// integers make of the fix.
func phaseLines(v *View) []line {
	p := &v.Snap.Phases
	if !p.Heard {
		return nil
	}
	more := func() line { return line(nil).to(labelWidth) }
	l := row("phases")
	switch {
	case p.Lead:
		l = l.put(Good, "CARRY the position").put(Plain, ", last proven fix "+lasting(p.Since)+" ago")
	case p.Carried:
		l = l.put(Good, "ready").put(Plain, " to carry the position when the fix is lost")
	case p.Lack != carrier.None:
		l = l.put(Unsure, "carry nothing: "+p.Lack.String())
	default:
		l = l.put(Unsure, "carry nothing yet")
	}
	out := []line{l}
	if p.Carried {
		out = append(out, more().put(Label, "level ").put(Plain, num(p.Level, 2)+" of "+with(v.Snap.ALLat, 2, "m")).put(Label, "  sigma ").put(Plain, with(p.Sigma, 3, "m")).
			put(Label, "  budget ").put(Plain, with(p.Left, 0, "s")))
		out = append(out, more().put(Plain, fmt.Sprintf("%d satellites of %d systems, %d on two carriers", p.Satellites, p.Systems, p.Dual)))
	}
	if d := &p.Drift; d.Known {
		state := line(nil).put(Good, "fix moves with them")
		if d.Alarm {
			state = line(nil).put(Bad, "FIX DRIFTS")
		}
		out = append(out, append(more(), state.put(Label, ", moved ").put(Plain, with(math.Hypot(d.Shift[0], d.Shift[1]), 2, "m")).put(Label, "  alarm at ").put(Plain, with(d.Threshold, 2, "m"))...))
	}
	l = row("integers")
	switch p.Opinion {
	case integers.Confirmed:
		l = l.put(Good, "fix CONFIRMED").put(Plain, " by observations of rover and base")
		out = append(out, l)
		l = more().put(Label, "the base's own coordinates are not: a check mark verifies them")
	case integers.Refuted:
		l = l.put(Bad, "fix REFUTED").put(Plain, fmt.Sprintf(", off by %s m east, %s m north, %s m up", num(p.Off.E, 2), num(p.Off.N, 2), num(p.Off.U, 2)))
	default:
		why := p.Why.String()
		if why == "" {
			why = "no fix to judge"
		}
		l = l.put(Unsure, "no opinion on the fix: "+why)
	}
	return append(out, l)
}
