package day

import (
	"fmt"
	"math"

	"kerbline/fusion"
)

// Threat is one way in which a position that was called usable may have been
// wrong, and what this day's recordings say of it. The table of all of them, with
// what the levels hold and what is left, stands in DEVELOPERS.md.
type Threat struct {
	Key   string // stable: "step"
	Name  string
	State Watch
	Seen  string // what watched for it on this day, and what it saw
	Left  string // what it cannot see
}

// Watch is how well a day was watched for a threat.
type Watch uint8

const (
	Uncovered Watch = iota // nothing watched for it
	Partly                 // something did, and not all of the time or not all of it
	Watched
)

// String returns the word of the output.
func (w Watch) String() string { return [...]string{"not covered", "partly", "watched"}[w] }

func (w Watch) mark() string { return [...]string{"!", "?", "+"}[w] }

// detectable is what the tests could have found on usable lines of settled driving.
type detectable struct {
	lines       int
	step, drift Mean    // m, smallest step, and smallest wander within one of the windows
	phases      Mean    // m/s, slowest drift that carrier phases find
	referenced  float64 // lines with a running drift test
}

func (d *detectable) add(s *fusion.Snapshot) {
	d.lines++
	d.step.Add(s.Tests[fusion.TestJump].Detectable)
	smallest := math.NaN()
	for _, w := range s.Tests[fusion.TestDrift1 : fusion.TestDrift3+1] {
		if w.Detectable < smallest || math.IsNaN(smallest) {
			smallest = w.Detectable
		}
	}
	d.drift.Add(smallest)
	if s.Phases.Heard && s.Phases.Drift.Known {
		d.phases.Add(s.Phases.Drift.Detectable)
	}
	if !math.IsNaN(s.Tests[fusion.TestDrift1].Stat) {
		d.referenced++
	}
}

// join takes in what another session's tests could have found.
func (d *detectable) join(o *detectable) {
	d.lines += o.lines
	d.referenced += o.referenced
	d.step.join(o.step)
	d.drift.join(o.drift)
	d.phases.join(o.phases)
}

// watchedShare is the share of a day that counts as all of it: what is missing are
// the seconds in which a test fills its window.
const watchedShare = 0.95

// threats says of each threat what the day showed.
func (j *judge) threats() []Threat {
	var d detectable
	for _, s := range j.ss {
		d.join(&s.detectable)
	}
	if d.lines == 0 { // nothing was called usable, so nothing can have misled
		return nil
	}
	return []Threat{j.wrongFix(), j.stepThreat(&d), j.driftThreat(&d), j.fromTheStart(), j.baseThreat(), j.settingsThreat(), j.timeThreat()}
}

// wrongFix is a fix with wrong integers after a break.
func (j *judge) wrongFix() Threat {
	t := Threat{Key: "wrong_fix", Name: "a fix with wrong integers after a break", State: Watched,
		Left: "a wrong fix within what dead reckoning and heights could tell apart"}
	refuted, confirmed := j.events(fusion.EventRefuted), j.events(fusion.EventConfirmed)
	t.Seen = fmt.Sprintf("fixes refuted %d, believed again after a question %d", refuted, confirmed)
	if j.live {
		t.State, t.Seen = Partly, untold
	}
	return t
}

// stepThreat is a step of the position under a steady fix.
func (j *judge) stepThreat(d *detectable) Threat {
	t := Threat{Key: "step", Name: "a step while the receiver says fixed", Left: "smaller ones: they are inside the levels"}
	if d.step.N == 0 {
		t.Seen = unwatched(j.live)
		return t
	}
	t.State = shareWatched(d.step.N, d.lines)
	t.Seen = fmt.Sprintf("steps from %.2f m on would have been found (mean of %.0f %% of usable lines); found %d", d.step.Value(), 100*float64(d.step.N)/float64(d.lines), j.total(func(s *Session) int { return s.NJumps }))
	return t
}

// driftThreat is a position that wanders off slowly.
func (j *judge) driftThreat(d *detectable) Threat {
	t := Threat{Key: "drift", Name: "a slow drift while the receiver says fixed"}
	found := j.total(func(s *Session) int { return s.NDrifts })
	if d.drift.N == 0 {
		t.Seen = unwatched(j.live)
		t.Left = "any drift: add wheel speed, or let the receiver report its velocity"
		return t
	}
	t.State = min(shareWatched(int(d.referenced), d.lines), Partly)
	t.Seen = fmt.Sprintf("wanderings from %.2f m on would have been found against wheels or the receiver's velocity, for %.0f %% of usable lines; found %d",
		d.drift.Value(), 100*d.referenced/float64(d.lines), found)
	t.Left = "drifts that are slower than the references themselves wander: some 0.02 m/s and less; the receiver's observations would show them"
	if d.phases.N > 0 {
		t.State = shareWatched(d.phases.N, d.lines)
		t.Seen += fmt.Sprintf("; by carrier phases from %.4f m/s on, for %.0f %%", d.phases.Value(), 100*float64(d.phases.N)/float64(d.lines))
		t.Left = "slower ones"
	}
	return t
}

// fromTheStart is a receiver that was wrong from its first fix on: nothing before it
// says so.
func (j *judge) fromTheStart() Threat {
	t := Threat{Key: "from_the_start", Name: "wrong from the first fix of the day",
		Left: "the same error all day: drive onto a check mark and confirm it (key m of the dashboard), or send the receiver's observations"}
	marked := 0
	for _, s := range j.ss {
		if s.Marked {
			marked++
		}
	}
	confirmed := j.out.Of("confirmed")
	switch {
	case marked == len(j.ss):
		t.State, t.Seen, t.Left = Watched, "a check mark confirmed the position", "an error smaller than the mark's own limit"
	case confirmed.State != Unseen && confirmed.Value >= watchedShare:
		t.State, t.Seen, t.Left = Watched, fmt.Sprintf("our own integers confirm the fix for %s of driving", percent(confirmed.Value)), "a base that stands on another point than it says"
	case marked > 0 || confirmed.State != Unseen:
		t.State, t.Seen = Partly, fmt.Sprintf("check marks in %d of %d recordings; our own integers confirm the fix for %s of driving", marked, len(j.ss), confirmed.ValueText())
	default:
		t.Seen = "no check mark, and no observations of the receiver"
	}
	return t
}

// baseThreat is a base that stands elsewhere than the map's survey had it.
func (j *judge) baseThreat() Threat {
	t := Threat{Key: "base", Name: "a base that moved, or stands elsewhere than for the map", Left: "moves smaller than its limit; a tripod that leans"}
	survey, onMap := j.out.Of("base"), j.out.Of("map_base")
	switch {
	case survey.State == Unseen && onMap.State == Unseen:
		t.Seen = "its coordinates were not heard"
	case onMap.State == Pass && survey.State != Unseen:
		t.State, t.Seen = Watched, "its coordinates were heard, and the map goes with them"
	default:
		t.State, t.Seen = Partly, "its coordinates were heard; see base against the map's survey"
	}
	return t
}

// settingsThreat is a setting that is wrong.
func (j *judge) settingsThreat() Threat {
	t := Threat{Key: "settings", Name: "a wrong lever arm, mounting, unit or clock", Left: "the antenna's height, and what the driving did not excite"}
	units, lever := j.out.Of("units"), j.out.Of("lever")
	switch {
	case units.State == Unseen:
		t.Seen = unwatched(j.live)
	case lever.State == Unseen:
		t.State, t.Seen = Partly, fmt.Sprintf("settings contradicted %.0f; the turns did not show where the antenna is", units.Value)
	default:
		t.State, t.Seen = Watched, fmt.Sprintf("settings contradicted %.0f; the antenna is where the settings have it, to %s of the level", units.Value, percent(lever.Value))
	}
	return t
}

// timeThreat is a position that is of another instant than it says.
func (j *judge) timeThreat() Threat {
	t := Threat{Key: "time", Name: "positions of another instant than they say", Left: "steps of the receiver's time below 0.06 s"}
	latency := j.out.Of("latency")
	if latency.State == Unseen {
		t.Seen = unwatched(j.live)
		return t
	}
	t.State, t.Seen = Watched, fmt.Sprintf("latency of the receiver %s, %s; steps of the computer's clock %d", latency.ValueText(), latency.Sure, j.events(fusion.EventClock))
	return t
}

func unwatched(live bool) string {
	if live {
		return untold
	}
	return "nothing watched for it"
}

func shareWatched(n, of int) Watch {
	if float64(n) >= watchedShare*float64(of) {
		return Watched
	}
	return Partly
}
