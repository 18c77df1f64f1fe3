package score

import (
	"fmt"
	"io"
	"math"
	"strings"

	"kerbline/fusion"
	"kerbline/fusion/integrity"
	"kerbline/fusion/score/bounds"
	"kerbline/gnss/geodesy"
)

// Confidence of every bound that is printed.
const Confidence = 0.95

// Merge adds o to r, as if both runs were one longer session.
func (r *Result) Merge(o *Result) {
	r.Runs += o.Runs
	r.Lines += o.Lines
	r.Judged += o.Judged
	for i := range r.Seconds {
		r.Seconds[i] += o.Seconds[i]
		r.SettledBy[i] += o.SettledBy[i]
	}
	r.Driving += o.Driving
	r.Settled += o.Settled
	if math.IsNaN(r.FirstUsable) || o.FirstUsable > r.FirstUsable {
		r.FirstUsable = o.FirstUsable
	}
	r.NeverUsable += o.NeverUsable
	r.JudgedDrive += o.JudgedDrive
	r.UsableJudged += o.UsableJudged
	r.MisleadingLines += o.MisleadingLines
	r.MisleadingSeconds += o.MisleadingSeconds
	r.MisleadingRuns += o.MisleadingRuns
	r.LongestMisleading = math.Max(r.LongestMisleading, o.LongestMisleading)
	r.WorstMisleading = math.Max(r.WorstMisleading, o.WorstMisleading)
	for i := range r.Axes {
		a, b := &r.Axes[i], &o.Axes[i]
		a.Lines += b.Lines
		a.Bounded += b.Bounded
		a.Worst = math.Max(a.Worst, b.Worst)
		a.Diagram.merge(&b.Diagram)
		a.pl.merge(&b.pl)
		a.ratio.merge(&b.ratio)
		a.err.merge(&b.err)
	}
	r.AllLines += o.AllLines
	r.AllBound += o.AllBound
	r.sqHor += o.sqHor
	r.sqYaw += o.sqYaw
	r.nHor += o.nHor
	r.nYaw += o.nYaw
	r.sqUsable += o.sqUsable
	r.nUsable += o.nUsable
	r.Faults = append(r.Faults, o.Faults...)
	r.Jumps += o.Jumps
	r.Drifts += o.Drifts
	r.FalseJumps += o.FalseJumps
	r.FalseDrift += o.FalseDrift
	r.AlarmHours += o.AlarmHours
	r.Outages += o.Outages
	r.Extra += o.Extra
	r.HasTruth = r.HasTruth || o.HasTruth
	r.Smoothed = r.Smoothed || o.Smoothed
	r.HasLabels = r.HasLabels || o.HasLabels
}

// Total returns the length of the run in s.
func (r *Result) Total() float64 {
	return r.Seconds[0] + r.Seconds[1] + r.Seconds[2] + r.Seconds[3]
}

// Availability returns the share of usable seconds of the whole run.
func (r *Result) Availability() float64 { return r.Seconds[fusion.Usable] / r.Total() }

// DrivingAvailability returns the share of usable seconds from SettleTime
// after moving off, NaN when the car never drove that long.
func (r *Result) DrivingAvailability() float64 { return r.SettledBy[fusion.Usable] / r.Settled }

// HorizontalRMS returns the horizontal error in m, root mean square over the
// lines from moving off, whatever their verdict.
func (r *Result) HorizontalRMS() float64 { return math.Sqrt(r.sqHor / float64(r.nHor)) }

// UsableRMS returns the same over usable lines only.
func (r *Result) UsableRMS() float64 { return math.Sqrt(r.sqUsable / float64(r.nUsable)) }

// YawRMS returns the heading error in rad, root mean square from moving off.
func (r *Result) YawRMS() float64 { return math.Sqrt(r.sqYaw / float64(r.nYaw)) }

// Bounding returns the share of usable and coasting lines on which every known
// error was within its protection level.
func (r *Result) Bounding() float64 { return float64(r.AllBound) / float64(r.AllLines) }

// Delays returns the times to alert in s of the exposed faults that shift the
// position and were noticed, and how many of them were missed.
func (r *Result) Delays() (delays []float64, missed int) {
	for i := range r.Faults {
		f := &r.Faults[i]
		switch {
		case f.Label.class() != classPosition || !f.Exposed():
		case f.Missed():
			missed++
		default:
			delays = append(delays, f.Delay())
		}
	}
	return delays, missed
}

// FalseAlarms returns the number of alarms that nothing explains.
func (r *Result) FalseAlarms() int { return r.FalseJumps + r.FalseDrift }

// Reference says in words what the run was judged by.
func (r *Result) Reference() string {
	var w []string
	switch {
	case r.Smoothed:
		w = append(w, "the smoothed trajectory")
	case r.HasTruth:
		w = append(w, "the truth file")
	}
	if r.HasLabels {
		w = append(w, "labelled faults")
	}
	if len(w) == 0 {
		return "nothing: no truth, no labels"
	}
	return strings.Join(w, " and ")
}

// Write prints r for a person, a figure a line, each with its unit.
func (r *Result) Write(w io.Writer) error {
	p := &printer{w: w}
	p.row("judged by", "%s", r.Reference())
	if r.Smoothed {
		p.row("", "judged %.1f s of %.1f s of driving (where the smoother knows better than a quarter of the limits);", r.JudgedDrive, r.Driving)
		p.row("", "it cannot see an error that every epoch of tens of seconds shares")
	}
	t := r.Total()
	p.row("availability", "usable %s of %.1f s; coasting %s, unproven %s, unusable %s", share(r.Seconds[fusion.Usable], t), t,
		share(r.Seconds[fusion.Coasting], t), share(r.Seconds[fusion.Unproven], t), share(r.Seconds[fusion.Unusable], t))
	if r.Driving > 0 {
		p.row("driving", "usable %s of %.1f s from %.0f s after moving off; first usable %s after moving off",
			share(r.SettledBy[fusion.Usable], r.Settled), r.Settled, SettleTime, seconds(r.FirstUsable))
	} else {
		p.row("driving", "the car never moved off")
	}
	if r.Judged > 0 {
		h := r.UsableJudged / 3600
		p.row("misleading", "%.1f s (%d lines in %d runs, longest %.1f s, worst %.2f m beyond its limit)",
			r.MisleadingSeconds, r.MisleadingLines, r.MisleadingRuns, r.LongestMisleading, r.WorstMisleading)
		if h > 0 {
			p.row("", "in %.2f h of usable driving: fewer than %.3g runs an hour at 95 %%; to claim fewer than 1 an hour drive %.2f h more without one",
				h, bounds.PoissonUpper(r.MisleadingRuns, Confidence)/h, bounds.MoreExposure(r.MisleadingRuns, h, 1, Confidence))
		}
	} else {
		p.row("misleading", "not judged")
	}
	r.writeFaults(p)
	if r.AlarmHours > 0 {
		p.row("false alarms", "jump %d of %d, drift %d of %d in %.2f h of driving: %.2f an hour, fewer than %.3g at 95 %%",
			r.FalseJumps, r.Jumps, r.FalseDrift, r.Drifts, r.AlarmHours, float64(r.FalseAlarms())/r.AlarmHours,
			bounds.PoissonUpper(r.FalseAlarms(), Confidence)/r.AlarmHours)
	} else {
		p.row("alarms", "jump %d, drift %d; not judged", r.Jumps, r.Drifts)
	}
	if r.AllLines > 0 {
		p.row("bounding", "every error within its protection level on %s of %d usable and coasting lines", share(float64(r.AllBound), float64(r.AllLines)), r.AllLines)
		for i := range r.Axes {
			a := &r.Axes[i]
			if a.Lines == 0 {
				continue
			}
			unit, k := "m", 1.0
			if Axis(i) == Heading {
				unit, k = "deg", 1/geodesy.Degree
			}
			p.row("", "%-8s bounded %s; usable: median level %.3f %s (%.1f x the error), error median %.3f %s, worst %.3f %s", Axis(i),
				share(float64(a.Bounded), float64(a.Lines)), a.MedianPL()*k, unit, a.MedianRatio(), a.ErrorQuantile(0.5)*k, unit, a.Worst*k, unit)
		}
		p.row("diagram", "%s", r.regions())
	}
	if r.nHor > 0 {
		s := fmt.Sprintf("horizontal %.3f m", r.HorizontalRMS())
		if r.nUsable > 0 {
			s += fmt.Sprintf(" (usable lines %.3f m)", r.UsableRMS())
		}
		if r.nYaw > 0 {
			s += fmt.Sprintf(", heading %.3f deg", r.YawRMS()/geodesy.Degree)
		}
		p.row("error rms", "%s, from moving off", s)
	}
	return p.err
}

func (r *Result) writeFaults(p *printer) {
	if r.HasTruth && r.Judged > 0 {
		if r.MisleadingRuns == 0 {
			p.row("time to alert", "no error passed its limit while usable")
		} else {
			p.row("time to alert", "longest %.1f s from an error passing its limit to the verdict, %d times", r.LongestMisleading, r.MisleadingRuns)
		}
	}
	if !r.HasLabels {
		return
	}
	if len(r.Faults) == 0 {
		p.row("faults", "none labelled")
		return
	}
	delays, missed := r.Delays()
	if n := len(delays) + missed; n > 0 {
		_, hi := bounds.BinomialInterval(missed, n, Confidence)
		p.row("shifts alerted", "median %s, 95th percentile %s, longest %s; missed %d of %d shifts met while usable (at most %.1f %% at 95 %%)",
			seconds(Quantile(delays, 0.5)), seconds(Quantile(delays, 0.95)), seconds(Quantile(delays, 1)), missed, n, 100*hi)
	} else {
		p.row("shifts alerted", "no labelled shift was met while usable")
	}
	for i := range r.Faults {
		f := &r.Faults[i]
		s := fmt.Sprintf("%-18s %6.1f s", f.Label.Kind, f.Label.To-f.Label.From)
		if !math.IsNaN(f.Label.Size) {
			s += fmt.Sprintf(" size %.2f", f.Label.Size)
		}
		switch {
		case math.IsNaN(f.Onset):
			s += ": never seen"
		case f.Already:
			s += ": verdict was " + f.By + " before it"
		case math.IsNaN(f.Alert):
			s += ": MISSED"
		default:
			s += fmt.Sprintf(": %s after %.2f s", f.By, f.Delay())
		}
		if f.Cause != "" {
			s += ", outage put down to " + f.Cause
		}
		p.row("", "%s", s)
	}
	if r.Outages > 0 {
		p.row("outages", "%d reported, %d with no labelled fault near", r.Outages, r.Extra)
	}
}

func (r *Result) regions() string {
	var b strings.Builder
	for i := range r.Axes {
		d := &r.Axes[i].Diagram
		n := 0
		for _, c := range d.Regions {
			n += c
		}
		if n == 0 {
			continue
		}
		if b.Len() > 0 {
			b.WriteString("; ")
		}
		b.WriteString(Axis(i).String())
		for k, c := range d.Regions {
			if c > 0 || integrity.Region(k) == integrity.Hazardous {
				fmt.Fprintf(&b, " %s %d,", integrity.Region(k), c)
			}
		}
		s := strings.TrimSuffix(b.String(), ",")
		b.Reset()
		b.WriteString(s)
	}
	return b.String() + " lines"
}

type printer struct {
	w   io.Writer
	err error
}

func (p *printer) row(name, format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, "%-14s %s\n", name, fmt.Sprintf(format, args...))
	}
}

func share(part, whole float64) string {
	if !(whole > 0) {
		return "- %"
	}
	x := 100 * part / whole
	// Never round a share up to 100 % or down to 0 %.
	d := 1
	for d < 4 && (x < 100 && fmt.Sprintf("%.*f", d, x) == fmt.Sprintf("%.*f", d, 100.0) || x > 0 && fmt.Sprintf("%.*f", d, x) == fmt.Sprintf("%.*f", d, 0.0)) {
		d++
	}
	if x < 100 {
		x = math.Min(x, 99.9999)
	}
	return fmt.Sprintf("%.*f %%", d, x)
}

func seconds(v float64) string {
	if math.IsNaN(v) {
		return "never"
	}
	return fmt.Sprintf("%.1f s", v)
}
