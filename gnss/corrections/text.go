package corrections

import (
	"fmt"
	"math"
	"strings"
	"time"

	"kerbline/gnss"
	"kerbline/gnss/rtcm"
)

// Paragraph describes the episode: when, where, how
// long, why, the figures behind it, and what to try. Times are counted from
// zero (host Unix s), and given in UTC too where the offset of the clocks is known;
// local says the local time beside it, and may be nil.
func (e *Episode) Paragraph(zero float64, local func(unix float64, layout string) string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "At %.1f s", e.Start-zero)
	if !math.IsNaN(e.UTC) {
		fmt.Fprintf(&b, " (%s UTC", clock(e.UTC))
		if local != nil {
			if s := local(e.UTC, "15:04:05"); s != "" {
				b.WriteString(", " + s)
			}
		}
		b.WriteString(")")
	}
	if e.Where >= 0 {
		fmt.Fprintf(&b, ", %.0f m along the lap", e.Where)
	}
	if e.Distance >= 0 {
		fmt.Fprintf(&b, ", %.0f m from the base", e.Distance)
	}
	fmt.Fprintf(&b, ": %s (%v). ", e.Cause.Words(), e.Cause)
	switch {
	case e.Unfinished:
		fmt.Fprintf(&b, "It lasted until the end of the recording, %.1f s later. ", e.Closed-e.Start)
	case e.Cause == LinkLate && e.Flowing-e.FaultEnd > 1:
		fmt.Fprintf(&b, "What was sent during %.1f s arrived late; the last of it arrived %.1f s after that. ", e.FaultEnd-e.Start, e.Flowing-e.FaultEnd)
	default:
		fmt.Fprintf(&b, "It lasted %.1f s", e.End()-e.Start)
		if e.Slack > 0.3 {
			fmt.Fprintf(&b, " (its start is known to ±%.1f s)", e.Slack)
		}
		b.WriteString(". ")
	}
	e.figures(&b)
	e.receiver(&b)
	if r := &e.Recurs; !math.IsNaN(r.Period) {
		fmt.Fprintf(&b, "It recurs every %.1f s (%d gaps agree; by chance %.2g). ", r.Period, r.PeriodN, r.PeriodP)
	}
	if r := &e.Recurs; !math.IsNaN(r.Place) {
		fmt.Fprintf(&b, "It recurs around %.0f m along the lap (%d of %d events within 20 m; by chance %.2g). ", r.Place, r.PlaceN, r.Events, r.PlaceP)
	}
	fmt.Fprintf(&b, "Try: %s.", e.Cause.Try())
	return b.String()
}

// back says how each track ends.
var back = [numTracks]string{"corrections flowed again", "it used corrections again", "the satellites were back", "it sent again"}

func clock(unix float64) string {
	return time.UnixMilli(int64(math.Round(unix * 1000))).UTC().Format("15:04:05.0")
}

// figures writes the evidence that the cause rests on.
func (e *Episode) figures(b *strings.Builder) {
	v := &e.Evidence
	epochs := func() {
		fmt.Fprintf(b, "%d of %.0f epochs came", v.Epochs, max(float64(v.Epochs), v.Expected))
	}
	switch e.Cause {
	case LinkSilent, BaseReceiverStopped, BaseComputerStopped, PathLost, RoverRadio:
		fmt.Fprintf(b, "Not a byte came for %.1f s", v.Silence)
		switch {
		case e.BaseEnd != "": // says more
		case e.Facts&BaseQuiet != 0:
			b.WriteString(", and the base's end said that the base receiver sent nothing")
		case e.Facts&BaseSent != 0:
			b.WriteString(", while the base's end said that it sent: it was lost on the way or in the car's radio")
		}
	case LinkCorrupt:
		fmt.Fprintf(b, "%d of %d bytes belonged to no valid frame, %d frames failed their checksum", v.Junk, v.Bytes, v.CRC)
	case LinkSparse:
		if e.Facts&TypesMissing != 0 {
			b.WriteString("Observations went on, but not")
			for i, n := range v.Types[:v.NTypes] {
				if i > 0 {
					b.WriteString(" and")
				}
				fmt.Fprintf(b, " %d", n)
				if w := MessageWords(n); w != "" {
					fmt.Fprintf(b, " (%s)", w)
				}
			}
			break
		}
		epochs()
		if v.Partial > 0 {
			fmt.Fprintf(b, ", %d of them thinner than usual", v.Partial)
			lost := ""
			for i, gone := range v.Lost {
				if gone {
					lost += " " + rtcm.System(i).String()
				}
			}
			if lost != "" {
				fmt.Fprintf(b, " (last without%s)", lost)
			}
		}
	case LinkLate:
		if e.Facts&Tapped == 0 {
			b.WriteString("The link was not tapped, but the receiver kept taking up corrections, only old ones")
			break
		}
		fmt.Fprintf(b, "Latency rose to %.1f s (usually %.1f s), %d of %d epochs were late", v.Latency, v.UsualLat, v.Late, v.Epochs)
	case BaseRestarted:
		if v.Silence > 0 {
			fmt.Fprintf(b, "Not a byte came for %.1f s, then ", v.Silence)
		}
		e.change(b)
	case BaseMoved:
		b.WriteString("Without a pause in the observations, ")
		e.change(b)
	case ReceiverNotUsing:
		epochs()
		b.WriteString(" whole and on time")
	case SkyBlocked:
		fmt.Fprintf(b, "Satellites used fell from %d to %d", v.SatsBefore, v.SatsLeast)
		if v.CN0Before-v.CN0Least > 1 {
			fmt.Fprintf(b, ", their C/N0 from %.0f to %.0f dB-Hz", v.CN0Before, v.CN0Least)
		}
	case Interference:
		fmt.Fprintf(b, "The C/N0 of all satellites fell together, by up to %.0f dB, ", v.Fall)
		switch {
		case e.Facts&BaseFellToo != 0:
			b.WriteString("and at the base too")
		case v.BaseWas:
			b.WriteString("but not at the base: the source is near the car")
		default:
			b.WriteString("the base's were not heard")
		}
	case ReceiverSilent:
		fmt.Fprintf(b, "No epoch came for %.1f s", v.RoverGap)
		if e.Facts&LinkHealthy != 0 {
			b.WriteString(" while the link was as usual")
		}
	default:
		b.WriteString("Why it cannot be determined: ")
		b.WriteString(Missing(e.Facts))
	}
	b.WriteString(". ")
	if e.BaseEnd != "" {
		b.WriteString(e.BaseEnd + " ")
	}
}

// change says how the base differs from before.
func (e *Episode) change(b *strings.Builder) {
	v := &e.Evidence
	if e.Facts&StationChanged != 0 {
		fmt.Fprintf(b, "the station id went from %d to %d", v.StationBefore, v.StationAfter)
		if e.Facts&BaseShifted != 0 {
			b.WriteString(" and ")
		}
	}
	if e.Facts&BaseShifted != 0 {
		fmt.Fprintf(b, "the coordinates moved by %.3f m", v.BaseShift)
	}
}

// receiver says what the receiver made of it, where one was heard.
func (e *Episode) receiver(b *strings.Builder) {
	if e.Evidence.QualityBefore == gnss.QualityUnknown && e.NQualities <= 1 {
		return
	}
	if e.AgeMax >= 0 {
		fmt.Fprintf(b, "The correction age reached %.1f s", e.AgeMax)
	} else {
		b.WriteString("The receiver reported no correction age")
	}
	if e.NQualities > 1 {
		b.WriteString("; the quality went ")
		for i, q := range e.Qualities[:e.NQualities] {
			if i > 0 {
				b.WriteString(", ")
			}
			b.WriteString(q.String())
		}
	} else {
		b.WriteString("; the quality stayed the same")
	}
	switch {
	case e.Unfinished:
	case math.IsNaN(e.Requalified):
		b.WriteString(", and had not recovered when the recording ended")
	case e.Requalified-e.Flowing > 0.5:
		fmt.Fprintf(b, ", and all was as before %.1f s after %s", e.Requalified-e.Flowing, back[trackOf(e.Cause, e.Facts)])
	}
	b.WriteString(". ")
}
