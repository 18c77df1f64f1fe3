package tui

import (
	"fmt"
	"math"

	"kerbline/fusion"
	"kerbline/fusion/symptoms"
	"kerbline/fusion/words"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// What a first recording should hold so that calibration shows everything: the
// words of the guide for users in numbers. Common practice, no source.
const (
	standWanted = 60.0                   // s
	turnWanted  = 720.0 * geodesy.Degree // both ways together
	eachWanted  = 90.0 * geodesy.Degree  // to either side
	movedOff    = 10.0                   // m, from which the car no longer stands at its start
	slowest     = 2 * words.Walking      // m/s, at which a heading shows
)

// stepState is how far one thing that must be shown has come.
type stepState uint8

const (
	stepOpen stepState = iota
	stepDone
	stepWrong
	stepOption // not there, and not needed
)

// step is one thing that inputs and drive must show.
type step struct {
	name  string
	state stepState
	share float64 // of what is wanted, NaN where nothing is measured
	what  string  // as it is
	next  string  // what to do for it
	later bool    // a pass of setup finds it afterwards
}

// setupSteps are what must be there and be shown before the settings are proven, in
// the order in which a person does it.
func setupSteps(v *View) []step {
	s := &v.Snap
	p := &s.Setup
	steps := append(inputSteps(v), symptomSteps(v)...)
	add := func(name string, done bool, share float64, what, next string) {
		st := step{name: name, share: share, what: what, next: next, later: name != "stand" && name != "turns"}
		if done {
			st.state = stepDone
		}
		steps = append(steps, st)
	}
	// A car that moved off without standing may still be proven: it is a pass of
	// setup that needs it.
	if v.Guided || p.Driven < movedOff {
		add("stand", p.Stood >= standWanted, p.Stood/standWanted, fmt.Sprintf("%s of %.0f s with the receiver fixed", num(math.Min(math.Floor(p.Stood), standWanted), 0), standWanted),
			standNext(p.Stood))
	}
	what := "not known"
	if s.HasPos {
		what = "known to " + with(s.SigmaYaw/geodesy.Degree, 1, "deg")
	}
	add("heading", s.HasPos, math.NaN(), what, fmt.Sprintf("Drive off straight, faster than %.0f m/s, for some seconds: it shows the heading.", slowest))
	deg := func(x float64) string { return num(math.Floor(x/geodesy.Degree), 0) }
	turned := math.Min(p.Left+p.Right, turnWanted) / turnWanted
	each := math.Min(p.Left, math.Min(p.Right, eachWanted)) / eachWanted
	side := "both ways"
	if p.Left < eachWanted && p.Right >= eachWanted {
		side = "to the left"
	} else if p.Right < eachWanted && p.Left >= eachWanted {
		side = "to the right"
	}
	if v.Guided {
		add("turns", turned >= 1 && each >= 1, math.Min(turned, (turned+each)/2), fmt.Sprintf("%s deg left and %s right, of %s together", deg(p.Left), deg(p.Right), deg(turnWanted)),
			"Drive turns "+side+" and change the speed: two laps show lever arm and latency.")
	}
	worst := math.Max(p.Lever[0], p.Lever[1])
	what = "not shown yet"
	if s.HasPos && worst < 10 {
		what = fmt.Sprintf("ahead ±%s, aside ±%s m, wanted ±%s", up(p.Lever[0], 2), up(p.Lever[1], 2), num(p.Enough, 2))
	}
	share := p.Enough / worst
	add("lever arm", worst <= p.Enough || p.Confirmed, share*share, what, "Drive turns "+side+", faster than walking: the lever arm shows in them.")
	add("agreement", p.Confirmed, p.Held/p.Hold, fmt.Sprintf("%s of %.0f s", down(p.Held, 1), p.Hold), "Go on driving: settings and drive must agree for some seconds.")
	return steps
}

func standNext(stood float64) string {
	return fmt.Sprintf("Stand still with the receiver fixed: %.0f s more. It shows noise and biases.", math.Ceil(standWanted-stood))
}

// inputSteps are the inputs that must be there.
func inputSteps(v *View) (steps []step) {
	s := &v.Snap
	nan := math.NaN()
	add := func(name string, ok bool, what, next string) {
		st := stepDone
		if !ok {
			st = stepOpen
		}
		steps = append(steps, step{name, st, nan, what, next, false})
	}
	for i := range v.Sources {
		if src := &v.Sources[i]; !src.OK {
			add(Clean(src.Name), false, "MISSING", "Mend "+Clean(src.Name)+": "+Clean(src.Words)+".")
		}
	}
	receiver := s.Counts.Epochs > 0 && !v.silent("receiver-silent", s.EpochAge, s.EpochRate)
	if !receiver {
		add("receiver", false, "nothing is heard", "Connect the receiver: GGA at 5 to 10 Hz, and RMC or VTG beside it.")
	} else {
		add("receiver", true, with(s.EpochRate, 0, "Hz")+", "+count(s.Epoch.Sats)+" satellites", "")
		fixed := s.Epoch.Quality == gnss.QualityFixed
		why := words.OfReason("fix-quality").Do
		if c := s.Link.Condition; c != corrections.Flowing && c != corrections.Untapped {
			why = "corrections are " + c.String()
		}
		add("fix", fixed, s.Epoch.Quality.String()+", corrections "+with(s.Epoch.Age, 1, "s")+" old", "Wait for a fixed position: "+why+".")
	}
	switch l := &s.Link; l.Condition {
	case corrections.Untapped:
		steps = append(steps, step{"link", stepOption, nan, "not tapped: causes of outages will be guesses", "", false})
	case corrections.Flowing:
		add("link", true, "flowing, base "+baseWords(l.Base), "")
	default:
		add("link", false, l.Condition.String(), "Mend the corrections: they are "+l.Condition.String()+".")
	}
	steps = append(steps, mapSteps(v)...)
	switch {
	case s.Counts.IMU == 0 && s.Counts.Refused[fusion.ChanIMU] > 0:
		next := "Drive turns: they show what the columns of the inertial sensor hold."
		if p := &s.Setup; v.Guided && p.Stood < standWanted && p.Driven < movedOff {
			next = standNext(p.Stood)
		}
		add("inertial", false, fmt.Sprintf("%d lines, none that the columns read", s.Counts.Refused[fusion.ChanIMU]), next)
		steps[len(steps)-1].later = true
	case s.Counts.IMU == 0 || v.silent("imu-silent", s.IMUAge, s.IMURate):
		add("inertial", false, "nothing is heard", "Connect the inertial sensor: 100 Hz or more.")
	default:
		add("inertial", true, with(s.IMURate, 0, "Hz"), "")
	}
	switch {
	case s.Counts.Wheel > 0:
		add("wheel", true, with(s.WheelRate, 0, "Hz"), "")
	case s.Counts.Refused[fusion.ChanWheel] > 0:
		add("wheel", false, "lines that the columns do not read", "Say with columns.wheel what the wheel's columns hold.")
		steps[len(steps)-1].later = true
	default:
		steps = append(steps, step{"wheel", stepOption, nan, "none: coasts are shorter without", "", false})
	}
	return steps
}

// mapSteps say whether the map fits the base of today; no verdict waits for it, the
// day check does.
func mapSteps(v *View) []step {
	s := &v.Snap
	mend := "Drive a slow lap by hand, and let kerbline setup compare it with the map."
	if len(v.Marks) > 0 {
		mend = "Drive onto a check mark and confirm it with key m: it shows whether the map fits the base."
	}
	st := step{"map", stepDone, math.NaN(), "fits the base of today", "", true}
	switch s.MapFit {
	case fusion.MapNone:
		return nil
	case fusion.MapFits:
		if s.Mark.At > 0 {
			st.what = "fits the base: check mark " + Clean(s.Mark.Name) + " confirmed"
		}
	case fusion.MapOpen:
		st.state, st.what, st.next = stepOption, "nothing says that it fits the base; the day check will not say yes", mend
	default:
		st.state, st.what, st.next = stepWrong, "the base stands "+with(s.MapOff, 2, "m")+" from where it stood at the map's survey", "Set the base up where it stood at the map's survey. Or: "+mend
	}
	return []step{st}
}

// symptomSteps are what looks wrong, with what mends it.
func symptomSteps(v *View) []step {
	f := &v.Snap.Symptom
	if f.ID == symptoms.None {
		return nil
	}
	next := "Set " + f.Set + "."
	if v.Takes {
		next = "Set " + f.Set + ", or take it for this run with key t."
	}
	if f.Set == "" {
		next = "Look at " + symptoms.Of(f.ID).Mend + ": " + symptoms.Of(f.ID).Do + "."
	}
	return []step{{"settings", stepWrong, math.NaN(), Clean(f.Seen), Clean(next), true}}
}

// SetupNext returns what to do next so that the settings are proven, or in a pass of
// setup so that it can find them, and whether nothing is left to do.
func SetupNext(v *View) (todo string, done bool) {
	steps := setupSteps(v)
	for _, want := range [...]stepState{stepWrong, stepOpen} {
		for i := range steps {
			if st := &steps[i]; st.state == want && !(v.Guided && st.later) {
				return st.next, false
			}
		}
	}
	if v.Guided {
		return "Nothing: the pass ends by itself, and what was recorded is examined.", true
	}
	return "Nothing: the settings agree with the drive.", true
}

// SetupProgress returns the steps that are not done yet in one line of plain text.
func SetupProgress(v *View) string {
	out := ""
	for _, st := range setupSteps(v) {
		if st.state != stepOpen && st.state != stepWrong || st.later && v.Guided {
			continue
		}
		if out != "" {
			out += "; "
		}
		out += st.name + ": " + st.what
	}
	return out
}

var stepMarks = [...]struct {
	r  string
	st Style
}{stepOpen: {"·", Unsure}, stepDone: {"√", Good}, stepWrong: {"x", Bad}, stepOption: {"-", Label}}

// setupLines is the setup page: what is there, what is shown, what to do next.
func setupLines(v *View, w int) []line {
	var out []line
	todo, done := SetupNext(v)
	head := "Settings are not proven: no GO before they are."
	if !v.Snap.Setup.Open {
		head = "The drive has proven the settings."
	}
	switch {
	case v.Guided && done:
		head = "Enough is shown."
	case v.Guided:
		head = "A pass of setup: it ends by itself, or with q."
	}
	out = append(out, text(Strong, head).put(Label, "  Key 1 shows the drive page."), nil)
	barAt := labelWidth + 3 + 48
	for _, st := range setupSteps(v) {
		m := stepMarks[st.state]
		l := text(m.st, m.r+" ").put(Label, st.name).to(labelWidth + 3)
		if st.state == stepWrong {
			out = append(out, wrapLine(l.put(Bad, "LOOKS WRONG: "+st.what), w, labelWidth+3)...)
			continue
		}
		l = l.put(Plain, st.what)
		if bw := min(w-barAt, 40); !math.IsNaN(st.share) && bw >= 8 && len(l) < barAt {
			l = append(l.to(barAt), shareBar(st.share, bw)...)
		}
		out = append(out, l)
	}
	out = append(out, nil)
	out = append(out, wrapLine(text(Alarm, " NEXT ").put(Plain, " ").put(Strong, todo), w, 7)...)
	return out
}

// shareBar draws how much of something is there.
func shareBar(share float64, w int) line {
	l := make(line, w)
	n := int(math.Floor(math.Max(0, math.Min(1, share)) * float64(w)))
	for i := range l {
		l[i] = Cell{'·', Rule}
		if i < n {
			l[i] = Cell{'█', Plain}
		}
	}
	return l
}
