package campaign

import (
	"bytes"
	"math"
	"slices"

	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/fusion"
	"kerbline/fusion/course"
	"kerbline/fusion/score"
)

// What counts, the same for every run so that runs compare.
const (
	lateralLimit = 0.5  // m, of a misleading event
	alongLimit   = 1.0  // m
	runGap       = 2.0  // s, lines closer than this are one run
	settleTime   = 60.0 // s from moving off from which availability counts
	backTime     = 60.0 // s before the end by which all faults must be over for a run to count as one that should come back
	blame        = 30.0 // s after a fault during which an alarm is put down to it
)

// run is a stretch of lines of one kind.
type run struct {
	from, last float64 // s after the start
	worst      float64 // m (misleading) or ratio (excursion)
	lines      int
}

// runs collects lines into runs.
type runs []run

func (r *runs) add(t, size float64) {
	if n := len(*r); n > 0 && t-(*r)[n-1].last <= runGap {
		x := &(*r)[n-1]
		x.last, x.worst, x.lines = t, math.Max(x.worst, size), x.lines+1
		return
	}
	*r = append(*r, run{t, t, size, 1})
}

// outcome is what one drive showed.
type outcome struct {
	row         string
	seed        uint64
	hours       float64 // of the drive
	live        float64 // h usable or coasting
	settled     float64 // s from settleTime after moving off
	available   float64 // s of these that were usable
	misleading  runs    // usable or coasting beyond a limit
	excursions  runs    // usable or coasting with an error beyond its level
	falseAlarms int
	mustBack    bool // all faults were over in time
	back        bool // and it ended usable
	named       bool // it did not, for want of evidence, and said what would be some
	breaks      []float64
	level       []float32 // m, lateral, of usable lines
	lateral     []float32 // m, error of these
	untold      bool      // the settings know no key for something the drive tells
	reason      string    // the first reason of the last line that is not usable
}

// play runs one drive.
func play(row string, seed uint64) *outcome {
	d := fixtures.NewDrive(row, seed)
	o := &outcome{row: row, seed: seed, hours: d.Duration / 3600}
	rec := d.Record()
	cfg, err := settings.Parse("kerbline.toml", rec.Settings)
	if err != nil {
		// An older state of the program, without the newer keys.
		o.untold = true
		var known []byte
		for line := range bytes.Lines(rec.Settings) {
			if !bytes.HasPrefix(line, []byte("position_m")) && !bytes.HasPrefix(line, []byte("driven")) {
				known = append(known, line...)
			}
		}
		if cfg, err = settings.Parse("kerbline.toml", known); err != nil {
			panic(err)
		}
	}
	var crs *course.Course
	if rec.Course != nil {
		if crs, err = course.Load(rec.Course); err != nil {
			panic(err)
		}
	}
	j := newJudge(o, &d, rec)
	mon := fusion.NewMonitor(cfg.Config, crs)
	feed(rec, fusion.NewDecoder(cfg.Config), func(m *fusion.Measurement) { j.line(mon.Step(m)) })
	j.close(mon.Close())
	return o
}

// feed gives the recording to step in the order of arrival, with a tick every
// tenth of a second of host time. Sentences and correction frames go through
// the decoder, samples straight.
func feed(rec *fixtures.Session, dec *fusion.Decoder, step func(*fusion.Measurement)) {
	imu := fusion.Measurement{Kind: fusion.KindIMU, Channel: fusion.ChanIMU}
	whl := fusion.Measurement{Kind: fusion.KindWheel, Channel: fusion.ChanWheel}
	tick := fusion.Measurement{Kind: fusion.KindTick, Channel: fusion.ChanTick}
	var i, w, l, p, o int
	due := 0.0
	for {
		at, which := math.Inf(1), -1
		next := func(k int, t float64) {
			if t < at {
				at, which = t, k
			}
		}
		if l < len(rec.Lines) {
			next(0, rec.Lines[l].At)
		}
		if p < len(rec.Packets) {
			next(1, rec.Packets[p].At)
		}
		if i < len(rec.Samples) {
			next(2, rec.Samples[i].At)
		}
		if w < len(rec.Speeds) {
			next(3, rec.Speeds[w].At)
		}
		if o < len(rec.Observed) {
			next(4, rec.Observed[o].At)
		}
		var t float64
		switch which {
		case 0:
			t = rec.Lines[l].T
		case 1:
			t = rec.Packets[p].T
		case 2:
			t = rec.Samples[i].T
		case 3:
			t = rec.Speeds[w].T
		case 4:
			t = rec.Observed[o].T
		default:
			dec.Close(due, step)
			return
		}
		if due == 0 {
			due = math.Ceil(t*10) / 10
		}
		for ; due < t; due = math.Round(due*10+1) / 10 {
			tick.T = due
			step(&tick)
		}
		switch which {
		case 0:
			dec.Decode(fusion.Record{T: t, Channel: fusion.ChanNMEA, Data: rec.Lines[l].Text}, step)
			l++
		case 1:
			dec.Decode(fusion.Record{T: t, Channel: fusion.ChanCorrections, Data: rec.Packets[p].Data}, step)
			p++
		case 2:
			imu.T, imu.W, imu.F = t, rec.Samples[i].W, rec.Samples[i].F
			step(&imu)
			i++
		case 3:
			whl.T, whl.V = t, rec.Speeds[w].V
			step(&whl)
			w++
		case 4:
			dec.Decode(fusion.Record{T: t, Channel: fusion.ChanObservations, Data: rec.Observed[o].Data}, step)
			o++
		}
	}
}

// judge compares lines with the truth.
type judge struct {
	o       *outcome
	d       *fixtures.Drive
	tr      *fixtures.Truth
	moved   float64 // s after the start
	before  float64 // s after the start, of the line before
	was     fusion.Verdict
	pending []float64 // ends of breaks after which it has not been usable yet
	ends    []float64 // of breaks to come, ascending
	lastEnd float64
	good    float64 // s after the start, of the last usable line
	wanting bool    // the last line is unproven for want of evidence
}

// wanting reports whether a line is unproven for want of evidence, and names it.
func wanting(s *fusion.Snapshot) bool {
	return s.Verdict == fusion.Unproven && slices.ContainsFunc(s.Reasons[:s.NReasons], func(r fusion.Reason) bool { return r.Code == "fix-unproven" })
}

func newJudge(o *outcome, d *fixtures.Drive, rec *fixtures.Session) *judge {
	j := &judge{o: o, d: d, tr: rec.Truth, moved: d.Still, before: math.NaN(), good: -1}
	for i := range d.Faults {
		f := &d.Faults[i]
		end := math.Max(f.To, f.Until)
		j.lastEnd = math.Max(j.lastEnd, end)
		switch f.Kind {
		case faults.Silent:
			end += d.Refix[1] // the receiver's own time to fix again
			fallthrough
		case faults.LostFix, faults.Receiver, faults.WrongFix, faults.Drift, faults.Jump, faults.Frozen, faults.IMUGap:
			if end < d.Duration-5 && d.Faults.Position(end+0.1) == [3]float64{} { // a wrong fix need not become usable
				j.ends = append(j.ends, end)
			}
		}
	}
	return j
}

func (j *judge) line(snap *fusion.Snapshot, events []fusion.Event) {
	for i := range events {
		j.event(&events[i])
	}
	if snap == nil {
		return
	}
	o := j.o
	t := j.d.UTC(snap.T)
	dt := math.Max(0, math.Min(t-j.before, 0.5))
	if math.IsNaN(j.before) {
		dt = 0
	}
	live := j.was == fusion.Usable || j.was == fusion.Coasting
	if live {
		o.live += dt / 3600
	}
	if t >= j.moved+settleTime {
		o.settled += dt
		if j.was == fusion.Usable {
			o.available += dt
		}
	}
	j.before, j.was = t, snap.Verdict
	j.wanting = wanting(snap)
	for len(j.ends) > 0 && t >= j.ends[0] {
		j.pending, j.ends = append(j.pending, j.ends[0]), j.ends[1:]
	}
	if snap.Verdict == fusion.Usable {
		j.good = t
		for _, end := range j.pending {
			o.breaks = append(o.breaks, t-end)
		}
		j.pending = j.pending[:0]
	} else if snap.NReasons > 0 && t > j.moved+settleTime {
		o.reason = snap.Reasons[0].Code
	}
	// Beyond its end the truth stands still and the car does not.
	if snap.HasPos && t <= j.d.Duration && (snap.Verdict == fusion.Usable || snap.Verdict == fusion.Coasting) {
		j.errors(t, snap)
	}
}

func (j *judge) errors(t float64, snap *fusion.Snapshot) {
	o := j.o
	st := j.tr.At(snap.T)
	f := j.tr.Frame()
	p := f.FromLLA(snap.Pos)
	de, dn := p.E-st.ENU.E, p.N-st.ENU.N
	sin, cos := math.Sincos(score.Direction(snap))
	lat, lon := math.Abs(-sin*de+cos*dn), math.Abs(cos*de+sin*dn)
	yaw := math.Abs(math.Remainder(snap.Yaw-st.Yaw, 2*math.Pi))
	// An error or level that is not a number vouches for nothing.
	if !(lat <= lateralLimit && lon <= alongLimit) {
		o.misleading.add(t, math.Max(lat, lon))
	}
	if !(lat <= snap.PLLat.Total && lon <= snap.PLLon.Total && yaw <= snap.PLYaw.Total) {
		o.excursions.add(t, math.Max(lat/snap.PLLat.Total, math.Max(lon/snap.PLLon.Total, yaw/snap.PLYaw.Total)))
	}
	if snap.Verdict == fusion.Usable {
		o.level = append(o.level, float32(snap.PLLat.Total))
		o.lateral = append(o.lateral, float32(lat))
	}
}

// alarms are the events that say that something is wrong with the position or
// the settings.
var alarms = map[fusion.EventKind]bool{fusion.EventJump: true, fusion.EventDrift: true, fusion.EventUnit: true, fusion.EventReinit: true,
	"fix_refuted": true, "setting_suspect": true}

func (j *judge) event(e *fusion.Event) {
	if !alarms[e.Kind] {
		return
	}
	t := j.d.UTC(e.T)
	for i := range j.d.Faults {
		f := &j.d.Faults[i]
		if t >= f.From-1 && t < math.Max(f.To, f.Until)+blame {
			return
		}
	}
	if j.d.LeverSaid != ([3]float64{}) || math.Abs(j.d.Sensor.Turn[2]) > 1 {
		return // the settings are wrong, and it may say so
	}
	j.o.falseAlarms++
}

func (j *judge) close(events []fusion.Event) {
	j.line(nil, events)
	o := j.o
	for range append(j.pending, j.ends...) {
		o.breaks = append(o.breaks, math.Inf(1))
	}
	if j.lastEnd > 0 && j.lastEnd <= j.d.Duration-backTime {
		o.mustBack, o.back = true, j.good >= j.before-5
		o.named = !o.back && j.wanting
	}
}
