package corrections

import (
	"fmt"

	"kerbline/gnss/bothends"
)

// farthest is where the search for the reach of a radio ends, m.
const farthest = 20e3

// TakesBothEnds reports whether only a record or a report of the base's end can show c.
func (c Cause) TakesBothEnds() bool {
	switch c {
	case BaseReceiverStopped, BaseComputerStopped, PathLost, RoverRadio:
		return true
	}
	return false
}

// BothEnds returns the cause that a finding of both ends stands for, CauseUnknown where
// it is open, and what they show in a sentence.
func BothEnds(f bothends.Finding, e *bothends.Evidence, radio *bothends.Radio) (Cause, string) {
	percent := func(c bothends.Count) string { return fmt.Sprintf("%.0f %%", 100*c.Share()) }
	sent := fmt.Sprintf("The base sent %d frames meanwhile: %d arrived, %d were damaged, %d lost", e.Sent, e.Received, e.Damaged, e.Lost)
	switch f {
	case bothends.ReceiverStopped:
		return BaseReceiverStopped, fmt.Sprintf("At the base's end nothing was sent for %.1f s, while its computer ran.", e.Silent)
	case bothends.ComputerStopped:
		return BaseComputerStopped, fmt.Sprintf("The base's computer showed no life for %.1f s.", e.Lifeless)
	case bothends.PathLost:
		switch {
		case e.NPass > 0 && e.Passes.Sent > 0 && e.Passes.Share() > 0:
			sent += fmt.Sprintf("; on %d other passes of the same place %s were lost or damaged, elsewhere %s", e.NPass, percent(e.Passes), percent(e.Rest))
		case e.Edges.Damaged+e.Edges.Lost > 0:
			sent += fmt.Sprintf("; in the 10 s before and after %s were, elsewhere %s: it faded", percent(e.Edges), percent(e.Rest))
		}
		if e.Margin < 0 {
			sent += fmt.Sprintf("; the link budget is %.0f dB short at that distance", -e.Margin)
		}
		if d := radio.Reach(); !e.Sight && d < farthest {
			sent += fmt.Sprintf("; beyond %.0f m the ground reaches into the first Fresnel zone", d)
		}
		return PathLost, sent + "."
	case bothends.RadioFailed:
		if e.NPass > 0 {
			return RoverRadio, sent + fmt.Sprintf("; on %d other passes of the same place %s were lost or damaged.", e.NPass, percent(e.Passes))
		}
		return RoverRadio, sent + fmt.Sprintf("; the link budget has %.0f dB to spare there, in sight.", e.Margin)
	}
	switch {
	case e.Silent >= 0.7*e.Length:
		return CauseUnknown, fmt.Sprintf("At the base's end nothing was sent for %.1f s; its record does not show whether its computer ran.", e.Silent)
	case e.Share() >= 0.5:
		return CauseUnknown, sent + "; the way through the air and the car's radio look alike until other passes of the place, or [radio] settings, tell them apart."
	}
	return CauseUnknown, sent + "."
}

// BaseSentFrame takes one frame of observations that the base sent at at, by this
// host's clock, as its end reports; it may be told long after.
func (l *Link) BaseSentFrame(at float64, crc uint32) {
	l.watchEnds().Sent(at, l.at(at).place, crc)
}

// BaseKnown says that the base's end has reported all it sent from one time to another;
// began, that its computer, or the program there, began at the first.
func (l *Link) BaseKnown(from, to float64, began bool) {
	l.watchEnds().Known(from, to, began)
}

func (l *Link) watchEnds() *bothends.Watch {
	if l.both == nil {
		l.both = bothends.NewWatch()
	}
	return l.both
}

// Clone returns a link that knows what l knows and goes on by itself.
func (l *Link) Clone() *Link {
	c := *l
	if l.both != nil {
		both := *l.both
		c.both = &both
	}
	return &c
}

// endsEvery is how often both ends are compared while an outage is open, s.
const endsEvery = 1.0

// compareEnds asks both ends about the open outage.
func (l *Link) compareEnds(t float64, e *Episode) {
	o := &l.out
	if l.both == nil || t-o.endsAt < endsEvery {
		return
	}
	o.endsAt = t
	o.ends = l.both.Evidence(t, bothends.Outage{From: e.Start, To: e.faultTo(), Where: e.Where, Lap: l.lap, Distance: e.Distance}, &l.cfg.Radio)
	o.found = bothends.Decide(&o.ends)
}

// endsWait is how long an episode stays open for the base's end to report, s: the way of
// its reports breaks with the link's.
const endsWait = 15.0

// waitEnds reports whether the base's end, which reports, has not yet told of all of the
// outage.
func (l *Link) waitEnds(t float64, e *Episode) bool {
	return l.both != nil && l.out.silent && t-l.out.quiet < endsWait && t-l.both.Reported() < bothends.Kept && l.both.Reported() < e.faultTo()+1
}

// faultTo is when the fault ended, as far as is known.
func (e *Episode) faultTo() float64 { return finite(e.FaultEnd, e.Start+e.Evidence.Span) }

// endsFacts says what the frames at both ends show.
var endsFacts = [...]Facts{bothends.ReceiverStopped: SentNothing, bothends.ComputerStopped: BaseLifeless, bothends.PathLost: LostBetween, bothends.RadioFailed: LostInRadio}
