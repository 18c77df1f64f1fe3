package corrections

import (
	"math"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/rtcm"
)

// base follows where the base says it stands, and which station it is.
type base struct {
	reference   geodesy.ECEF // surveyed, else first heard
	surveyed    bool
	heard       bool         // coordinates were heard
	anchor      geodesy.ECEF // coordinates that changes are counted from
	at          float64      // host Unix s of the last coordinates
	interval    float64      // s between them, usual
	silence     float64      // s, longest time without a byte since the last coordinates
	known       int          // station id for which coordinates were heard last, -1 for none
	obs         bool         // the station id comes from observation messages
	roverStn    int          // id the rover used last, -1 for none
	unconfirmed bool         // an id changed and no coordinates have been heard since
}

func newBase(c *Config) base {
	return base{reference: c.Base, surveyed: c.Surveyed, at: math.NaN(), interval: math.NaN(), known: -1, roverStn: -1}
}

// station follows the id on the link: that of the observations, once there
// are some.
func (l *Link) station(t float64, m *rtcm.Message) {
	b, st := &l.base, &l.st
	if m.Station < 0 || b.obs && m.System == rtcm.NoSystem {
		return
	}
	first := m.System != rtcm.NoSystem && !b.obs
	if first {
		b.obs = true
	}
	old := st.Station
	if m.Station == old {
		return
	}
	st.Station = m.Station
	switch {
	case old < 0:
		// The first id heard counts as unconfirmed only where another one is expected.
		if l.cfg.Station >= 0 && m.Station != l.cfg.Station {
			l.unconfirmed()
		}
		return
	case first:
		return // other kinds of message may carry another id from the start
	}
	l.changed(t, math.NaN(), old)
	l.flow.relearn() // another base, another message set
	l.forgetMessages(t)
	if m.Station != b.known {
		l.unconfirmed()
	}
}

// roverStation follows the id that the rover says it uses, which may be news of
// another base before the link does, or where the link is not tapped.
func (l *Link) roverStation(id int, t float64) {
	b := &l.base
	if id < 0 || id == b.roverStn {
		return
	}
	old := b.roverStn
	b.roverStn = id
	if old < 0 || id == b.known {
		return
	}
	if !l.st.Tapped {
		l.changed(t, math.NaN(), old)
	}
	l.unconfirmed()
}

func (l *Link) unconfirmed() {
	l.base.unconfirmed = true
	l.assessBase()
}

// Hole asks for the base's coordinates again after all inputs were silent together for
// hole seconds at least, until t: nobody heard whether the base was moved. Where it was
// never heard, or was since, nothing is asked.
func (l *Link) Hole(t, hole float64) {
	if l.base.heard && math.Max(l.base.silence, t-l.st.LastByte) >= hole {
		l.unconfirmed()
	}
}

// changed notes a change of the base for the event list.
func (l *Link) changed(t, step float64, before int) {
	st := &l.st
	st.BaseChanges++
	st.BaseChangedAt, st.BaseStep, st.StationBefore = t, step, before
}

// assessBase says how the base stands against the reference.
func (l *Link) assessBase() {
	b, st := &l.base, &l.st
	switch {
	case b.unconfirmed:
		st.Base = BaseUnconfirmed
	case !b.heard:
		st.Base = BaseUnheard
	case !(st.BaseOff <= l.cfg.Tolerance):
		st.Base = BaseElsewhere
	case b.surveyed:
		st.Base = BaseAsSurveyed
	default:
		st.Base = BaseFirstHeard
	}
}

// coordinates takes broadcast base coordinates. The very message that shows a
// move decides.
func (l *Link) coordinates(t float64, m *rtcm.Message) {
	b, st := &l.base, &l.st
	was := st.BaseECEF
	st.BaseECEF = m.Base
	if !b.heard {
		b.heard, b.anchor = true, m.Base
		if !b.surveyed {
			b.reference = m.Base
		}
	} else {
		if gap := t - b.at; gap > 0 && l.flow.cond == Flowing {
			ease(&b.interval, gap, 0.2)
		}
		if d := was.Dist(m.Base); d > 1e-3 {
			l.changed(t, d, st.Station)
		}
		l.shift(t, m)
	}
	b.known, b.unconfirmed = m.Station, false
	if b.obs {
		b.known = st.Station
	}
	b.at, b.silence = t, 0
	st.BaseOff = b.reference.Dist(m.Base)
	l.assessBase()
	if l.flow.cond != Silent {
		l.out.waitBase = false // heard after the silence
	}
}

// shift sees whether the coordinates moved: together with a silence that is a
// restart and belongs to the outage, else the base was moved.
func (l *Link) shift(t float64, m *rtcm.Message) {
	b := &l.base
	d := b.anchor.Dist(m.Base)
	if l.out.open && l.out.waitBase {
		l.out.ep.Evidence.BaseShift = d
		if d > l.cfg.Tolerance {
			b.anchor = m.Base
		}
		return
	}
	o := &l.moved
	switch {
	case d > l.cfg.Tolerance && !o.open && l.armed:
		interrupted := b.silence > l.silentLimit()
		if interrupted {
			b.anchor = m.Base // a restart; its outage is closed or never began
			return
		}
		l.open(o, t)
		o.ep.Facts = Tapped | BaseShifted
		if l.st.Station != o.ep.Evidence.StationBefore {
			o.ep.Facts |= StationChanged
		}
		o.ep.Start, o.ep.Slack = t, math.NaN()
		if !math.IsNaN(b.at) {
			o.ep.Slack = t - b.at
		}
		// The receiver's own step says when, to a tenth of a second.
		f := geodesy.NewFrame(m.Base.LLA())
		e := f.RotateToENU(m.Base.X-b.anchor.X, m.Base.Y-b.anchor.Y, m.Base.Z-b.anchor.Z)
		if s, ok := l.rover.stepLike(e, b.at-1); ok {
			o.ep.Start, o.ep.Slack = s.t, s.from
		}
		l.situate(&o.ep)
		fallthrough
	case d > l.cfg.Tolerance && o.open:
		o.ep.Evidence.BaseShift = max(o.ep.Evidence.BaseShift, d)
		o.ep.Evidence.StationAfter = l.st.Station
		o.ep.Cause = Decide(o.ep.Facts)
	case o.open:
		o.ep.FaultEnd, o.ep.Flowing, o.ep.Requalified = t, t, t
		l.finish(o, t)
	case !l.armed && d > l.cfg.Tolerance:
		b.anchor = m.Base // still starting up
	}
}
