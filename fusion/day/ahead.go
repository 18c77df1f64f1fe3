package day

import (
	"fmt"
	"math"
	"time"

	"kerbline/fusion"
	"kerbline/fusion/outlook"
	"kerbline/gnss/gnsstime"
)

// aheadStep is the time from row to row of the hours ahead, s, and aheadRows how many
// there are.
const (
	aheadStep = 1800.0
	aheadRows = 24
)

// Foresee looks at the hours ahead with what the learner heard along the session.
func (s *Session) Foresee(l *outlook.Learner) {
	at, ok := l.Begin()
	if !ok {
		return
	}
	from := math.Floor(at.UTC()/aheadStep) * aheadStep
	s.Sky = l.Ahead(gnsstime.AtUTC(from), aheadStep, aheadRows)
}

// SkyGrade says how a cell of the hours ahead stands to the fix gate.
type SkyGrade uint8

const (
	SkyGood    SkyGrade = iota
	SkyThin             // inside the gate, and near it
	SkyRefused          // the gate would refuse a fix
)

// Grade grades a number of satellites with their HDOP by the fix gate of the settings.
// Within two satellites or three tenths of the HDOP a fix is likely to be thin: one
// that is hidden more, or left out as a reference, is missed (common practice, no
// source).
func Grade(cfg *fusion.Config, sats, hdop float64) SkyGrade {
	switch g := &cfg.GNSS; {
	case sats < float64(g.MinSats) || !(hdop <= g.MaxHDOP):
		return SkyRefused
	case sats < float64(g.MinSats)+2 || hdop > 0.7*g.MaxHDOP:
		return SkyThin
	}
	return SkyGood
}

// AheadText says in a sentence what the sky of the hours after the session will be, ""
// where that is not known.
func (s *Session) AheadText() string {
	o := s.Sky
	if o == nil {
		return ""
	}
	end := s.UTC(s.Length)
	least, most := math.Inf(1), 0.0
	var thin struct {
		worst      SkyGrade
		from, to   float64 // Unix s
		a, b       int     // places
		sats, hdop float64
	}
	reach := math.NaN()
	for i, row := range o.Rows {
		at := o.From.UTC() + float64(i)*o.Step
		if at+o.Step <= end {
			continue
		}
		if o.Known[i] < outlook.LeastKnown {
			break
		}
		reach = at + o.Step
		for p := range row {
			c := &row[p]
			least, most = math.Min(least, c.Sats), math.Max(most, c.HDOP)
			g := Grade(s.Config, c.Sats, c.HDOP)
			if g == SkyGood {
				continue
			}
			if thin.worst == SkyGood {
				thin.from, thin.a, thin.b, thin.sats = at, p, p, c.Sats
			}
			thin.worst = max(thin.worst, g)
			thin.to = at + o.Step
			thin.a, thin.b = min(thin.a, p), max(thin.b, p)
			thin.sats, thin.hdop = math.Min(thin.sats, c.Sats), math.Max(thin.hdop, c.HDOP)
		}
	}
	if math.IsNaN(reach) {
		return ""
	}
	clock := func(unix float64) string {
		c := at(unix).Format("15:04") + " UTC"
		if l := s.Config.Zone().Beside(unix, "15:04"); l != "" {
			c += " (" + l + ")"
		}
		return c
	}
	until := fmt.Sprintf("the sky until %s, by the ephemerides heard on %s: ", clock(reach), at(s.UTCStart).Format(time.DateOnly))
	if thin.worst == SkyGood {
		return until + fmt.Sprintf("at every place at least %s satellites and an HDOP of at most %s, well inside the fix gate", num(least, 0), num(most, 1))
	}
	where := ""
	if o.Length > 0 {
		step := o.Length / float64(len(o.Rows[0]))
		where = fmt.Sprintf(" between %s and %s m of the lap", num(float64(thin.a)*step, 0), num(float64(thin.b+1)*step, 0))
	}
	hdop := "no position from them alone"
	if !math.IsInf(thin.hdop, 1) {
		hdop = "an HDOP up to " + num(thin.hdop, 1)
	}
	what := "thin: a fix may come late or be lost"
	if thin.worst == SkyRefused {
		what = "too thin: the fix gate will refuse some fixes"
	}
	return until + fmt.Sprintf("%s from %s to %s%s, down to %s satellites, %s; drive there at another hour, or clear what hides the sky (figure in the report)",
		what, clock(thin.from), clock(thin.to), where, num(thin.sats, 0), hdop)
}
