package tune

import (
	"math"
	"slices"

	"kerbline/fusion"
	"kerbline/fusion/course"
	"kerbline/fusion/score"
	"kerbline/fusion/score/bounds"
)

// Figures are what one setting was worth on one recording, or on several
// merged. Everything adds up, so recordings may be spread over machines.
type Figures struct {
	Recordings   int       `json:"recordings"`
	Seconds      float64   `json:"s"`
	Usable       float64   `json:"usable_s"`
	Settled      float64   `json:"settled_s"` // from 20 s after moving off
	SettledGood  float64   `json:"settled_usable_s"`
	UsableJudged float64   `json:"judged_usable_s"` // exposure of the misleading runs
	Judged       float64   `json:"judged_s"`
	Driving      float64   `json:"driving_s"`
	Misleading   float64   `json:"misleading_s"`
	Runs         int       `json:"misleading_runs"`
	Delays       []float64 `json:"delays_s"` // of noticed shifts, rising
	Missed       int       `json:"missed"`
	FalseAlarms  int       `json:"false_alarms"`
	AlarmHours   float64   `json:"alarm_h"`
	Lines        int       `json:"lines"` // usable and coasting, with a reference
	Bounded      int       `json:"bounded"`
	// Availability of each recording while driving; not for those that never drove.
	Each []float64 `json:"each,omitempty"`
}

// FiguresOf takes the figures out of a score.
func FiguresOf(r *score.Result) Figures {
	f := Figures{
		Recordings: 1, Seconds: r.Total(), Usable: r.Seconds[fusion.Usable],
		Settled: r.Settled, SettledGood: r.SettledBy[fusion.Usable],
		UsableJudged: r.UsableJudged, Judged: r.JudgedDrive, Driving: r.Driving,
		Misleading: r.MisleadingSeconds, Runs: r.MisleadingRuns,
		FalseAlarms: r.FalseAlarms(), AlarmHours: r.AlarmHours,
		Lines: r.AllLines, Bounded: r.AllBound,
	}
	f.Delays, f.Missed = r.Delays()
	slices.Sort(f.Delays)
	if f.Settled > 0 {
		f.Each = []float64{r.DrivingAvailability()}
	}
	return f
}

// Merge adds o. Merging in any order gives the same but for the order of Each.
func (f *Figures) Merge(o *Figures) {
	f.Recordings += o.Recordings
	f.Seconds += o.Seconds
	f.Usable += o.Usable
	f.Settled += o.Settled
	f.SettledGood += o.SettledGood
	f.UsableJudged += o.UsableJudged
	f.Judged += o.Judged
	f.Driving += o.Driving
	f.Misleading += o.Misleading
	f.Runs += o.Runs
	f.Delays = append(f.Delays, o.Delays...)
	slices.Sort(f.Delays)
	f.Missed += o.Missed
	f.FalseAlarms += o.FalseAlarms
	f.AlarmHours += o.AlarmHours
	f.Lines += o.Lines
	f.Bounded += o.Bounded
	f.Each = append(f.Each, o.Each...)
}

// Availability returns the usable share of the time from 20 s after moving
// off; of the whole time where the car never drove that long.
func (f *Figures) Availability() float64 {
	if f.Settled > 0 {
		return f.SettledGood / f.Settled
	}
	return f.Usable / f.Seconds
}

// DelayP95 returns the 95th percentile of the time to alert in s; a missed
// shift counts as infinite. NaN when no shift was met.
func (f *Figures) DelayP95() float64 {
	n := len(f.Delays) + f.Missed
	if n == 0 {
		return math.NaN()
	}
	i := int(math.Ceil(0.95*float64(n))) - 1
	if i >= len(f.Delays) {
		return math.Inf(1)
	}
	return f.Delays[max(0, i)]
}

// FalseRate returns false alarms an hour of driving, NaN when not judged.
func (f *Figures) FalseRate() float64 {
	if !(f.AlarmHours > 0) {
		return math.NaN()
	}
	return float64(f.FalseAlarms) / f.AlarmHours
}

// Bounds are exact bounds at score.Confidence.
type Bounds struct {
	Runs     float64 // misleading runs an hour of usable driving, at most
	False    float64 // false alarms an hour, at most
	Missed   float64 // share of shifts missed, at most
	MoreTime float64 // h of further driving without a misleading run to claim fewer than one an hour
}

// Bounds returns what the counts prove.
func (f *Figures) Bounds() Bounds {
	h := f.UsableJudged / 3600
	b := Bounds{Runs: math.NaN(), False: math.NaN(), Missed: math.NaN(), MoreTime: math.NaN()}
	if h > 0 {
		b.Runs = bounds.PoissonUpper(f.Runs, score.Confidence) / h
		b.MoreTime = bounds.MoreExposure(f.Runs, h, 1, score.Confidence)
	}
	if f.AlarmHours > 0 {
		b.False = bounds.PoissonUpper(f.FalseAlarms, score.Confidence) / f.AlarmHours
	}
	if n := len(f.Delays) + f.Missed; n > 0 {
		b.Missed = bounds.BinomialUpper(f.Missed, n, score.Confidence)
	}
	return b
}

// Reference is what a recording is judged by.
type Reference struct {
	Truth  *score.Truth
	Labels *score.Labels
}

// Play runs the monitor with one setting over a recording. crs is the map, for this
// run alone, or nil.
func Play(d *Decoded, cfg fusion.Config, crs *course.Course, ref Reference) Figures {
	m := fusion.NewMonitor(cfg, crs)
	s := score.New(ref.Truth, ref.Labels)
	d.Each(func(in *fusion.Measurement) {
		snap, events := m.Step(in)
		if snap != nil || len(events) > 0 {
			s.Add(snap, events)
		}
	})
	s.Add(nil, m.Close())
	return FiguresOf(s.Result())
}
