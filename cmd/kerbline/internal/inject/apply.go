package inject

import (
	"bytes"
	"fmt"
	"math"
	"sort"
	"strconv"

	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/nmea"
	"kerbline/gnss/rtcm"
)

// Model says what a rover does without corrections. The defaults are common
// practice, no source.
type Model struct {
	HoldFixed   float64 // s of correction age until fixed becomes float
	HoldFloat   float64 // s of correction age until float becomes single
	Refix       float64 // s of float after corrections are back
	FloatSigma  float64 // m, horizontal 1 sigma, as reported and as made
	FloatTime   float64 // s, correlation time of the float error
	SingleSigma float64 // m
	SingleTime  float64 // s
}

// DefaultModel returns the model used unless told otherwise.
func DefaultModel() Model {
	return Model{HoldFixed: 12, HoldFloat: 45, Refix: 8, FloatSigma: 0.25, FloatTime: 20, SingleSigma: 1.3, SingleTime: 40}
}

// Options of [Apply].
type Options struct {
	Model   Model
	Seed    uint64
	Latency float64       // s, minimum latency of an epoch assumed where Labels do not tell the clocks apart
	Labels  *score.Labels // faults that the recording has already, or nil
}

// Result is a recording with faults.
type Result struct {
	Records []fusion.Record // in the order of arrival; T goes back only where a clock steps back
	Labels  *score.Labels
	Start   float64  // Unix s, true UTC, that the label file counts from
	Notes   []string // what could not be done, in words
	shifts  []shift
}

type shift struct{ from, to, by float64 }

// HostTime returns what host time t of the original recording became: the
// same, but for clock steps. Truth files must follow it.
func (r *Result) HostTime(t float64) float64 {
	by := 0.0
	for _, s := range r.shifts {
		if t >= s.from && t < s.to {
			by += s.by
		}
	}
	return t + by
}

// fault is a Fault with its times and direction settled.
type fault struct {
	Fault
	hostFrom, hostTo float64
	utcFrom, utcTo   float64
	e, n             float64 // unit vector of the shift
}

func (f *fault) host(t float64) bool { return t >= f.hostFrom && t < f.hostTo }

// injector is the work of one Apply.
type injector struct {
	opt          Options
	faults       []fault
	hostMinusUTC float64
	res          Result
	out          []keyed
	epochs       []epoch

	// Rover, epoch by epoch.
	rnd     rng // position errors of the model
	garble  rng
	utc     float64
	now     effect
	errE    float64
	errN    float64
	state   level
	refixTo float64
}

// epoch is what the survey keeps of one epoch.
type epoch struct {
	utc, arrival  float64
	course, speed float64 // rad clockwise from north, m/s; NaN
}

// effect is what all faults together do to one epoch.
type effect struct {
	e, n, u float64
	age     float64 // s to add
	level   level
	lose    float64 // share of the satellites
	noFix   bool
	station int // -1: as received
}

// Apply adds faults to a recording. Records must be in order of T. It fails
// when a fault lies outside the recording or needs a channel that it lacks.
func Apply(recs []fusion.Record, faults []Fault, opt Options) (*Result, error) {
	in := &injector{opt: opt, rnd: rng(opt.Seed), garble: rng(opt.Seed ^ 0x5bd1e995), utc: math.NaN()}
	if len(recs) == 0 {
		return nil, fmt.Errorf("inject: the recording is empty")
	}
	var byChan [int(fusion.ChanNote) + 1][]fusion.Record
	start, end := math.Inf(1), math.Inf(-1)
	for _, r := range recs {
		if int(r.Channel) >= len(byChan) {
			return nil, fmt.Errorf("inject: record at %.3f: channel %d, want 0 to %d", r.T, r.Channel, len(byChan)-1)
		}
		byChan[r.Channel] = append(byChan[r.Channel], r)
		if r.Channel != fusion.ChanTick {
			start, end = math.Min(start, r.T), math.Max(end, r.T)
		}
	}
	if !(end > start) {
		return nil, fmt.Errorf("inject: the recording spans no time")
	}
	stream, pieces := cutLines(byChan[fusion.ChanNMEA])
	in.survey(stream, pieces)
	if err := in.settle(faults, start, end); err != nil {
		return nil, err
	}
	for i := range in.faults {
		f := &in.faults[i]
		for _, c := range needs(f.Kind) {
			if len(byChan[c]) == 0 {
				return nil, fmt.Errorf("inject: fault %s: the recording has no %s, want some", f.Kind, c)
			}
		}
	}

	in.out = make([]keyed, 0, len(recs))
	in.sentences(stream, pieces)
	in.corrections(byChan[fusion.ChanCorrections])
	in.lines(byChan[fusion.ChanIMU], in.imu)
	in.lines(byChan[fusion.ChanWheel], in.wheel)
	for _, c := range []fusion.Channel{fusion.ChanTick, fusion.ChanNote} {
		for _, r := range byChan[c] {
			in.put(r.T, r.T, c, r.Data)
		}
	}
	sort.SliceStable(in.out, func(i, j int) bool { return in.out[i].key < in.out[j].key })
	in.res.Records = make([]fusion.Record, len(in.out))
	for i := range in.out {
		in.res.Records[i] = in.out[i].Record
	}
	in.label()
	return &in.res, nil
}

// keyed is a record with the time it is ordered by: that of a clock that never
// stepped.
type keyed struct {
	key float64
	fusion.Record
}

// put adds a record that arrived at t, by a clock that never stepped; orig is
// when it came in the original.
func (in *injector) put(orig, t float64, c fusion.Channel, b []byte) {
	in.out = append(in.out, keyed{t, fusion.Record{T: in.res.HostTime(orig) + (t - orig), Channel: c, Data: b}})
}

// needs lists the channels a fault cannot do without.
func needs(kind string) []fusion.Channel {
	switch kind {
	case "imu_gap", "imu_g", "imu_deg":
		return []fusion.Channel{fusion.ChanIMU}
	case "wheel_gap", "wheel_slip":
		return []fusion.Channel{fusion.ChanWheel}
	case "link_silent", "link_corrupt", "link_sparse", "link_late", "base_restarted", "base_moved":
		return []fusion.Channel{fusion.ChanCorrections, fusion.ChanNMEA}
	case "clock_step":
		return nil
	}
	return []fusion.Channel{fusion.ChanNMEA}
}

// settle works out times and directions.
func (in *injector) settle(faults []Fault, start, end float64) error {
	low := math.Inf(1)
	for _, e := range in.epochs {
		low = math.Min(low, e.arrival-e.utc)
	}
	switch {
	case in.opt.Labels != nil:
		in.hostMinusUTC = in.opt.Labels.HostMinusUTC
	case len(in.epochs) > 0:
		in.hostMinusUTC = low - in.opt.Latency
	default:
		in.res.Notes = append(in.res.Notes, "no epoch with a time: the host clock is taken for UTC")
	}
	in.res.Start = start - in.hostMinusUTC
	for _, f := range faults {
		x := fault{Fault: f, hostFrom: f.From, hostTo: f.To}
		if f.From < 1e8 {
			x.hostFrom += start
		}
		if f.To < 1e8 {
			x.hostTo += start
		}
		x.hostTo = math.Min(x.hostTo, end+1)
		if x.hostFrom < start-1e-3 || x.hostFrom >= end || !(x.hostTo > x.hostFrom) {
			return fmt.Errorf("inject: fault %s: %.1f to %.1f s after the start, want within 0 to %.1f", f.Kind, x.hostFrom-start, x.hostTo-start, end-start)
		}
		x.utcFrom, x.utcTo = x.hostFrom-in.hostMinusUTC, x.hostTo-in.hostMinusUTC
		if f.Dir != "" {
			course, ok := in.courseAt(x.utcFrom)
			if !ok {
				in.res.Notes = append(in.res.Notes, fmt.Sprintf("%s at %.1f s: no course there, %q counts from north", f.Kind, x.hostFrom-start, f.Dir))
			}
			var err error
			if x.e, x.n, err = direction(f.Dir, course); err != nil {
				return fmt.Errorf("inject: fault %s: %w", f.Kind, err)
			}
		}
		if f.Kind == "clock_step" {
			in.res.shifts = append(in.res.shifts, shift{x.hostFrom, x.hostTo, f.Size})
		}
		in.faults = append(in.faults, x)
	}
	sort.SliceStable(in.faults, func(i, j int) bool { return in.faults[i].hostFrom < in.faults[j].hostFrom })
	return nil
}

// courseAt returns the course at the last epoch up to utc at which the car
// moved, within 5 s; else north.
func (in *injector) courseAt(utc float64) (float64, bool) {
	i := sort.Search(len(in.epochs), func(i int) bool { return in.epochs[i].utc > utc })
	for i--; i >= 0 && in.epochs[i].utc > utc-5; i-- {
		if e := &in.epochs[i]; e.speed > 1 && !math.IsNaN(e.course) {
			return e.course, true
		}
	}
	return 0, false
}

// label writes down what was done.
func (in *injector) label() {
	l := &score.Labels{HostMinusUTC: in.hostMinusUTC}
	if in.opt.Labels != nil {
		l.Faults = append(l.Faults, in.opt.Labels.Faults...)
	}
	for i := range in.faults {
		f := &in.faults[i]
		x := score.Label{Kind: f.Kind, From: f.utcFrom, To: f.utcTo, Until: f.utcTo, Size: math.NaN()}
		if kindOf(f.Kind).Unit != "" {
			x.Size = f.Size
		}
		if f.positional() {
			x.Dir = [3]float64{f.e, f.n, 0}
		}
		if f.Kind == "base_restarted" && f.Size != 0 {
			x.Until = in.epochs[len(in.epochs)-1].utc + 1 // every position is off, to the end
		}
		l.Faults = append(l.Faults, x)
	}
	sort.SliceStable(l.Faults, func(i, j int) bool { return l.Faults[i].From < l.Faults[j].From })
	in.res.Labels = l
}

// piece is one line of the receiver's stream, or the bytes between two lines.
type piece struct {
	t        float64 // host Unix s, of the TAG block where there is one, else of the record
	rec      float64 // host Unix s of the record that completed it
	from, to int     // in the stream; from the TAG block where there is one
	text     int     // start of the sentence, -1 when this is no line
	tagged   bool
}

// cutLines finds the lines of the receiver's stream; bytes between them stay
// in pieces of their own.
func cutLines(recs []fusion.Record) (stream []byte, pieces []piece) {
	var n int
	for _, r := range recs {
		n += len(r.Data)
	}
	stream = make([]byte, 0, n)
	var fr nmea.Framer
	done := 0
	var chunkT float64
	emit := func(l nmea.Line) {
		if l.Text == nil {
			return
		}
		text := int(l.Offset)
		from := text
		if l.Tagged {
			// The TAG block ends just before: \...\$.
			if i := bytes.LastIndexByte(stream[done:max(done, text-1)], '\\'); i >= 0 {
				from = done + i
			}
		}
		if from > done {
			pieces = append(pieces, piece{chunkT, chunkT, done, from, -1, false})
		}
		done = text + len(l.Text)
		pieces = append(pieces, piece{l.T, chunkT, from, done, text, l.Tagged})
	}
	for _, r := range recs {
		stream = append(stream, r.Data...)
		chunkT = r.T
		fr.Push(r.T, r.Data, emit)
	}
	fr.Flush(chunkT, emit)
	if done < len(stream) {
		pieces = append(pieces, piece{chunkT, chunkT, done, len(stream), -1, false})
	}
	return stream, pieces
}

// survey collects the epochs.
func (in *injector) survey(stream []byte, pieces []piece) {
	for _, p := range pieces {
		if p.text < 0 {
			continue
		}
		s, ok := split(stream[p.text:p.to])
		if !ok {
			continue
		}
		utc, ok := utcOf(&s, p.t)
		if !ok {
			continue
		}
		if n := len(in.epochs); n == 0 || in.epochs[n-1].utc != utc {
			in.epochs = append(in.epochs, epoch{utc: utc, arrival: p.t, course: math.NaN(), speed: math.NaN()})
		}
		if s.kind == "RMC" {
			e := &in.epochs[len(in.epochs)-1]
			v, ok1 := s.number(7)
			c, ok2 := s.number(8)
			if ok1 && ok2 {
				e.speed, e.course = v*463.0/900, c*geodesy.Degree
			}
		}
	}
}

// utcOf returns the UTC (Unix s) of a sentence: its time of day on the day that
// brings it closest to host time t.
func utcOf(s *sentence, t float64) (float64, bool) {
	i := s.timeField()
	if i < 0 {
		return 0, false
	}
	tod, ok := timeOfDay(s.get(i))
	if !ok {
		return 0, false
	}
	const day = 86400
	return tod + day*math.Round((t-tod)/day), true
}

// sentences rewrites the receiver's stream.
func (in *injector) sentences(stream []byte, pieces []piece) {
	first := len(in.out)
	held := math.Inf(-1) // a late line holds up those behind it
	dropped := false
	emit := func(p *piece, late float64, b []byte) {
		if late > 0 {
			held = math.Max(held, p.rec+late)
		}
		in.put(p.rec, math.Max(p.rec+late, held), fusion.ChanNMEA, b)
	}
	for k := range pieces {
		p := &pieces[k]
		raw := stream[p.from:p.to]
		silent := false
		late := 0.0
		for i := range in.faults {
			f := &in.faults[i]
			if !f.host(p.t) {
				continue
			}
			switch f.Kind {
			case "receiver_silent":
				silent = true
			case "receiver_late":
				late += f.Size
			}
		}
		if silent {
			dropped = true
			continue
		}
		if p.text < 0 {
			if dropped {
				raw = bytes.TrimLeft(raw, "\r\n") // the end of a line that is gone
			}
			dropped = false
			if len(raw) == 0 {
				continue
			}
			if n := len(in.out); n > first && len(bytes.Trim(raw, "\r\n")) == 0 {
				in.out[n-1].Data = append(in.out[n-1].Data, raw...)
				continue
			}
			emit(p, late, bytes.Clone(raw))
			continue
		}
		dropped = false
		text := stream[p.text:p.to]
		if s, ok := split(text); ok {
			if in.rewrite(&s, p.t) {
				text = s.join()
			}
		}
		var line []byte
		if p.tagged {
			by := late
			if late == 0 {
				by = math.Max(0, held-p.rec)
			}
			t := in.res.HostTime(p.t) + by
			line = retag(stream[p.from:p.text], t, t != p.t)
		}
		emit(p, late, append(line, in.damage(text, p.t)...))
	}
}

// retag copies a TAG block; with changed set its c: time becomes t in ms and
// all else it held is kept.
func retag(tag []byte, t float64, changed bool) []byte {
	if !changed {
		return bytes.Clone(tag)
	}
	return AppendTag(nil, bytes.Trim(tag, "\\"), t)
}

// AppendTag appends the TAG block \c:<Unix ms>*hh\ of host time t; other
// parameters of old, a block's inside, are kept.
func AppendTag(dst, old []byte, t float64) []byte {
	body := fmt.Appendf(nil, "c:%d", int64(math.Round(t*1000)))
	if star := bytes.LastIndexByte(old, '*'); star >= 0 {
		old = old[:star]
	}
	for _, f := range bytes.Split(old, []byte{','}) {
		if len(f) > 0 && !bytes.HasPrefix(f, []byte("c:")) {
			body = append(append(body, ','), f...)
		}
	}
	var x byte
	for _, c := range body {
		x ^= c
	}
	return fmt.Appendf(dst, "\\%s*%02X\\", body, x)
}

// damage returns text, or a garbled copy of it.
func (in *injector) damage(text []byte, t float64) []byte {
	for i := range in.faults {
		f := &in.faults[i]
		if f.Kind != "garbled" || !f.host(t) || in.garble.float() >= f.Size {
			continue
		}
		b := bytes.Clone(text)
		k := int(in.garble.float() * float64(len(b)))
		switch in.garble.next() % 4 {
		case 0: // a bit turned over
			b[k] ^= 1 << (in.garble.next() % 8)
		case 1: // a byte lost
			b = append(b[:k], b[k+1:]...)
		case 2: // the rest lost
			b = b[:k]
		default: // bytes from elsewhere
			b = append(b[:k:k], append([]byte("$\x00\xff,*"), b[k:]...)...)
		}
		return b
	}
	return text
}

// rewrite changes one sentence and reports whether it did.
func (in *injector) rewrite(s *sentence, t float64) bool {
	if utc, ok := utcOf(s, t); ok && utc != in.utc {
		in.utc = utc
		in.effect(utc, t)
	}
	x := &in.now
	if *x == (effect{station: -1}) || math.IsNaN(in.utc) {
		return false
	}
	if x.noFix {
		s.erase()
		return true
	}
	s.shift(x.e, x.n, x.u)
	ageField, stationField := -1, -1
	switch s.kind {
	case "GGA":
		ageField, stationField = 13, 14
	case "GNS":
		ageField, stationField = 11, 12
	}
	if age, ok := s.number(ageField); ok && x.age > 0 {
		s.set(ageField, strconv.FormatFloat(age+x.age, 'f', 1, 64))
	}
	if x.station >= 0 && stationField > 0 && len(s.get(stationField)) > 0 {
		s.set(stationField, fmt.Sprintf("%04d", x.station))
	}
	if x.lose > 0 {
		s.lose(x.lose)
	}
	if x.level != asReceived {
		s.degrade(x.level, &in.opt.Model)
	}
	return true
}

// effect works out what all faults do to the epoch at utc.
func (in *injector) effect(utc, t float64) {
	m := &in.opt.Model
	x := effect{station: -1}
	starved := false
	blocked := level(asReceived)
	for i := range in.faults {
		f := &in.faults[i]
		active := utc >= f.utcFrom && utc < f.utcTo
		switch {
		case f.Kind == "base_restarted":
			if utc >= f.utcTo {
				x.e += f.Size * f.e
				x.n += f.Size * f.n
				x.station = restartedStation
			}
		case f.positional() && active:
			s := f.Size
			if f.Kind == "drift" {
				s *= utc - f.utcFrom
			}
			x.e += s * f.e
			x.n += s * f.n
		case f.Kind == "no_fix" && active:
			x.noFix = true
		case f.Kind == "sky_blocked" && active:
			x.lose = math.Max(x.lose, f.Size)
			blocked = float
			if utc > f.utcFrom+3 && f.Size > 0.7 {
				blocked = single
			}
		}
		if active && f.starves() {
			starved = true
			d := utc - f.utcFrom
			switch f.Kind {
			case "link_late":
				d = math.Min(d, f.Size)
			case "link_sparse":
				d = math.Mod(d, math.Max(1, f.Size))
			}
			x.age = math.Max(x.age, d)
		}
	}

	// The rover's solution follows the age.
	want := level(asReceived)
	switch {
	case starved && x.age > m.HoldFloat:
		want = single
	case starved && x.age > m.HoldFixed:
		want = float
	}
	want = max(want, blocked)
	switch {
	case want >= in.state:
		in.refixTo = math.NaN()
	case want == asReceived:
		// Corrections or sky are back: float until the integers are resolved.
		if math.IsNaN(in.refixTo) {
			in.refixTo = utc + m.Refix
		}
		if utc < in.refixTo {
			want = float
		}
	}
	dt := 0.0
	if n := sort.Search(len(in.epochs), func(i int) bool { return in.epochs[i].utc >= utc }); n > 0 {
		dt = utc - in.epochs[n-1].utc
	}
	in.wander(want, dt)
	if in.state = want; want == asReceived {
		in.refixTo = math.NaN()
	}
	x.level = want
	x.e += in.errE
	x.n += in.errN
	in.now = x
}

// wander carries the error of a float or single solution, a first-order
// Gauss-Markov process; it starts from zero, and a new fix ends it.
func (in *injector) wander(l level, dt float64) {
	m := &in.opt.Model
	sigma, tau := m.FloatSigma, m.FloatTime
	switch l {
	case asReceived:
		in.errE, in.errN = 0, 0
		return
	case single:
		sigma, tau = m.SingleSigma, m.SingleTime
	}
	phi := math.Exp(-dt / tau)
	q := sigma * math.Sqrt(1-phi*phi)
	in.errE = phi*in.errE + q*in.rnd.normal()
	in.errN = phi*in.errN + q*in.rnd.normal()
}

// restartedStation is the id of a base after base_restarted.
const restartedStation = 777

// corrections rewrites the tap of the correction link.
func (in *injector) corrections(recs []fusion.Record) {
	frames := false
	for i := range in.faults {
		switch in.faults[i].Kind {
		case "unknown":
			return
		case "link_sparse", "base_moved", "base_restarted":
			frames = true
		}
	}
	items := make([]chunk, 0, len(recs))
	if frames {
		items = cutFrames(recs)
	} else {
		for _, r := range recs {
			items = append(items, chunk{t: r.T, b: bytes.Clone(r.Data)})
		}
	}
	last := math.Inf(-1)
	kept := math.Inf(-1)
	rnd := rng(in.opt.Seed ^ 0x2545f491)
	var only rtcm.System = rtcm.NoSystem
	for k := range items {
		c := &items[k]
		late, drop := 0.0, false
		for i := range in.faults {
			f := &in.faults[i]
			if f.Kind == "base_restarted" && c.t >= f.hostTo {
				if f.Size != 0 && c.m.HasBase {
					rtcm.MoveBase(c.b, moved(c.m.Base, f))
				}
				if c.framed {
					rtcm.SetStation(c.b, restartedStation)
				}
			}
			if !f.host(c.t) {
				continue
			}
			switch f.Kind {
			case "link_silent", "base_restarted":
				drop = true
			case "link_late":
				late += f.Size
			case "link_corrupt":
				if rnd.float() < f.Size && len(c.b) > 0 {
					for range 1 + len(c.b)/100 {
						c.b[int(rnd.float()*float64(len(c.b)))] ^= byte(1 + rnd.next()%255)
					}
				}
			case "base_moved":
				if c.m.HasBase {
					rtcm.MoveBase(c.b, moved(c.m.Base, f))
				}
			case "link_sparse":
				if c.m.System == rtcm.NoSystem || !c.framed {
					continue
				}
				if only == rtcm.NoSystem {
					only = c.m.System
				}
				if c.m.System != only || c.t-kept < f.Size-0.5 {
					drop = true
				} else {
					kept = c.t
				}
			}
		}
		if drop {
			continue
		}
		last = math.Max(last, c.t+late) // a queue: what is late holds up what follows
		in.put(c.t, last, fusion.ChanCorrections, c.b)
	}
}

func moved(p geodesy.ECEF, f *fault) geodesy.ECEF {
	fr := geodesy.NewFrame(p.LLA())
	return fr.ToECEF(geodesy.ENU{E: f.Size * f.e, N: f.Size * f.n})
}

// chunk is part of the correction stream: a chunk as it came, one whole frame,
// or bytes outside frames.
type chunk struct {
	t      float64
	b      []byte
	framed bool
	m      rtcm.Message
}

// cutFrames cuts the correction stream into frames, each at the host time of
// the chunk that completed it; bytes outside frames stay between them.
func cutFrames(recs []fusion.Record) (out []chunk) {
	var sc rtcm.Scanner
	var stream []byte
	done := 0
	var t float64
	junk := func(_ rtcm.Refusal, n int) {
		out = append(out, chunk{t: t, b: bytes.Clone(stream[done : done+n]), m: rtcm.Message{System: rtcm.NoSystem}})
		done += n
	}
	for _, r := range recs {
		stream = append(stream, r.Data...)
		t = r.T
		sc.Push(r.Data, func(m *rtcm.Message) {
			out = append(out, chunk{t: t, b: bytes.Clone(sc.Raw()), framed: true, m: *m})
			done += len(sc.Raw())
		}, junk)
	}
	sc.Flush(junk)
	return out
}

// lines rewrites CSV lines; change returns the new line, or nil to drop it.
func (in *injector) lines(recs []fusion.Record, change func(t float64, line []byte) []byte) {
	var carry []byte
	for _, r := range recs {
		data := append(carry, r.Data...)
		end := bytes.LastIndexByte(data, '\n') + 1
		carry = bytes.Clone(data[end:])
		data = data[:end]
		var b []byte
		for len(data) > 0 {
			i := bytes.IndexByte(data, '\n') + 1
			line := bytes.TrimRight(data[:i], "\r\n")
			data = data[i:]
			if c := bytes.IndexByte(line, ','); c > 0 {
				if t, err := strconv.ParseFloat(string(line[:c]), 64); err == nil {
					line = change(t, line)
				}
			}
			if line != nil {
				b = append(append(b, line...), '\n')
			}
		}
		if len(b) > 0 {
			in.put(r.T, r.T, r.Channel, b)
		}
	}
	if len(carry) > 0 && len(recs) > 0 {
		last := recs[len(recs)-1]
		if c := bytes.IndexByte(carry, ','); c > 0 {
			if t, err := strconv.ParseFloat(string(carry[:c]), 64); err == nil {
				carry = change(t, carry)
			}
		}
		if carry != nil {
			in.put(last.T, last.T, last.Channel, carry)
		}
	}
}

func (in *injector) imu(t float64, line []byte) []byte {
	for i := range in.faults {
		f := &in.faults[i]
		if !f.host(t) {
			continue
		}
		switch f.Kind {
		case "imu_gap":
			return nil
		case "imu_g":
			line = scale(line, 4, 7, 1/9.80665)
		case "imu_deg":
			line = scale(line, 1, 4, 1/geodesy.Degree)
		}
	}
	return in.retime(t, line)
}

func (in *injector) wheel(t float64, line []byte) []byte {
	for i := range in.faults {
		f := &in.faults[i]
		if !f.host(t) {
			continue
		}
		switch f.Kind {
		case "wheel_gap":
			return nil
		case "wheel_slip":
			line = scale(line, 1, 2, f.Size)
		}
	}
	return in.retime(t, line)
}

// retime moves the time column along with a clock step.
func (in *injector) retime(t float64, line []byte) []byte {
	h := in.res.HostTime(t)
	if h == t {
		return line
	}
	_, rest, _ := bytes.Cut(line, []byte{','})
	return append(fmt.Appendf(nil, "%.6f,", h), rest...)
}

// scale multiplies fields from to to-1 by k, with the decimals they have and
// two more, so that small units keep their digits.
func scale(line []byte, from, to int, k float64) []byte {
	f := bytes.Split(line, []byte{','})
	for i := from; i < to && i < len(f); i++ {
		v, err := strconv.ParseFloat(string(f[i]), 64)
		if err != nil {
			continue
		}
		d := 0
		if dot := bytes.IndexByte(f[i], '.'); dot >= 0 {
			d = len(f[i]) - dot - 1
		}
		f[i] = strconv.AppendFloat(nil, v*k, 'f', d+2, 64)
	}
	return bytes.Join(f, []byte{','})
}
