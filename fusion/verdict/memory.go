package verdict

import "math"

// capRise is how fast the speed cap may rise again, m/s²: a person cannot follow
// a figure that changes with every bend. Common practice, no source.
const capRise = 1.0

// brisk is the share of the speed cap above which the cap is worth obeying.
// Common practice, no source.
const brisk = 0.9

// flapping is how long after usable was lost its return has to hold before it is told,
// s: later it is no flapping. Common practice, no source.
const flapping = 10.0

// Memory keeps what a judgement alone does not say: since when each reason
// holds, a speed cap that falls at once and rises slowly, and advice that
// worsens at once and improves only after a hold.
type Memory struct {
	Told Told

	begun      bool
	since      [NumReasons]float64 // host s, NaN while the reason does not hold
	verdict    float64             // host s since which the verdict holds
	cap, capAt float64             // m/s, host s: the last speed cap, NaN when none was
	lost       float64             // host s at which usable was last lost, NaN while it never was
	good       float64             // host s since which it would be told again, NaN while not
	better     float64             // host s since which the advice would be better, NaN when it would not
}

// Told is what is reported of a judgement.
type Told struct {
	Verdict  Verdict
	Advice   Advice
	Changed  bool               // the verdict is another than the one before
	Was      Verdict            // the one before
	Since    float64            // host s, as are those of the reasons
	Reasons  [MaxReasons]Reason // those that another explains are left out
	NReasons int
	SpeedCap float64 // m/s, NaN for none
}

// Start says from when the first verdict counts, host s.
func (m *Memory) Start(now float64) { m.verdict = now }

// Tell works out what is reported of judgement j at host time now, the steps of
// whose clock (shift) the reported times do not hold.
func (m *Memory) Tell(now, shift float64, e *Evidence, j *Judgement, car *Car, t *Timing) *Told {
	o := &m.Told
	first := !m.begun
	if first {
		m.begun = true
		for i := range m.since {
			m.since[i] = math.NaN()
		}
		m.better, m.cap, m.lost, m.good = math.NaN(), math.NaN(), math.NaN(), math.NaN()
	}
	m.settle(now, e, j, t)
	o.Was, o.Verdict = o.Verdict, j.Verdict
	m.limitCap(now, e, j)
	m.tellReasons(now, shift, j)
	m.advise(now, e, j, car, t)
	if o.Changed = first || o.Verdict != o.Was; o.Changed {
		m.verdict = now
		if !first && o.Was == Usable {
			m.lost = now
		}
	}
	o.Since = m.verdict - shift
	return o
}

// settle keeps usable from coming and going: where it was lost a moment ago, it is told
// again only once it has held for a while. To lose it takes no time.
func (m *Memory) settle(now float64, e *Evidence, j *Judgement, t *Timing) {
	if j.Verdict != Usable || m.Told.Verdict == Usable || !(now-m.lost < flapping) {
		m.good = math.NaN()
		return
	}
	if math.IsNaN(m.good) {
		m.good = now
	}
	left := t.UsableHold - (now - m.good)
	if left <= 1e-6 {
		return
	}
	j.Reasons.Add(WhyDwell, left, 0, "s")
	if m.Told.Verdict == Coasting {
		j.Verdict, j.LeaveIn = Coasting, math.Min(e.Leave, t.MaxCoast-e.SinceUsed)
	} else {
		j.Verdict = Unproven
	}
}

// limitCap lets the speed cap fall at once and rise slowly.
func (m *Memory) limitCap(now float64, e *Evidence, j *Judgement) {
	o := &m.Told
	if j.Verdict != Usable && j.Verdict != Coasting {
		o.SpeedCap, m.cap = math.NaN(), math.NaN()
		return
	}
	c := j.Cap
	if c > m.cap {
		c = math.Min(c, m.cap+capRise*(now-m.capAt))
	}
	m.cap, m.capAt = c, now
	o.SpeedCap = c
	if j.Verdict == Usable && e.Speed > c {
		j.Reasons.Add(WhySpeed, e.Speed, c, "m/s")
	}
}

// tellReasons lists the reasons, those that another explains left out.
func (m *Memory) tellReasons(now, shift float64, j *Judgement) {
	o, b := &m.Told, &j.Reasons
	b.hideExplained()
	o.NReasons = 0
	for id := range NumReasons {
		if !b.on[id] {
			m.since[id] = math.NaN()
			continue
		}
		if math.IsNaN(m.since[id]) {
			m.since[id] = now
		}
		if o.NReasons < MaxReasons {
			b.r[id].Since = m.since[id] - shift
			o.Reasons[o.NReasons] = b.r[id]
			o.NReasons++
		}
	}
	for i := o.NReasons; i < MaxReasons; i++ {
		o.Reasons[i] = Reason{}
	}
}

// advise turns the verdict into what to do.
func (m *Memory) advise(now float64, e *Evidence, j *Judgement, car *Car, t *Timing) {
	o := &m.Told
	want := AdviseReactive
	switch j.Verdict {
	case Usable:
		want = AdviseMap
		if !(o.SpeedCap >= car.MaxSpeed || e.Speed < brisk*o.SpeedCap) {
			want = AdviseMapSlow
		}
	case Coasting:
		if j.LeaveIn > 0 {
			want = AdviseMapSlow
		}
	default:
		if j.Blind {
			want = AdviseStop
		}
	}
	// Requalification was hold enough for this much, and no verdict is reported with
	// an advice that contradicts it.
	switch {
	case j.Verdict == Usable && want >= AdviseMapSlow:
		o.Advice = max(o.Advice, AdviseMapSlow)
	case j.Verdict == Coasting:
		o.Advice = max(o.Advice, AdviseReactive)
	}
	if want <= o.Advice {
		o.Advice = want
		m.better = math.NaN()
		return
	}
	if math.IsNaN(m.better) {
		m.better = now
	}
	if now-m.better >= t.CapHold {
		o.Advice = want
		m.better = math.NaN()
	}
}
