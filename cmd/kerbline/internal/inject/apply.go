package inject

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"

	"kerbline/fixtures/faults"
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

// DefaultModel returns the model used by default.
func DefaultModel() Model {
	return Model{HoldFixed: 12, HoldFloat: 45, Refix: 8, FloatSigma: 0.25, FloatTime: 20, SingleSigma: 1.3, SingleTime: 40}
}

// Options of [Apply].
type Options struct {
	Model   Model
	Seed    uint64
	Latency float64       // s, minimum latency of an epoch assumed where Labels do not separate the clocks
	Labels  *score.Labels // faults that the recording has already, or nil
}

// Result is a recording with faults.
type Result struct {
	Records []fusion.Record // in the order of arrival; T goes back only where a clock steps back
	Labels  *score.Labels
	Start   float64  // Unix s, true UTC, that the label file counts from
	Notes   []string // what could not be done, in words
	host    faults.Set
}

// HostTime returns what host time t of the original recording became: the
// same, but for clock steps. Truth files must follow it.
func (r *Result) HostTime(t float64) float64 { return t + r.host.Sum(faults.Clock, t) }

// injector is the work of one Apply.
type injector struct {
	opt          Options
	kinds        []*Kind    // of the faults
	utc          faults.Set // in UTC; Result has the same in host time
	hostMinusUTC float64
	res          Result
	out          []keyed
	epochs       []epoch

	// Rover, epoch by epoch.
	rnd     rng // position errors of the model
	garble  rng
	at      float64 // UTC of the epoch at hand
	now     effect
	errE    float64
	errN    float64
	state   level
	refixTo float64
	blink   bool                // float by a fault after which the fix is back at once
	held    map[string][][]byte // newest sentence of each kind, before the receiver froze
}

// epoch is what the survey keeps of one epoch.
type epoch struct {
	utc, arrival  float64
	course, speed float64 // rad clockwise from north, m/s; NaN
}

// effect is what all faults together do to one epoch.
type effect struct {
	e, n, u float64
	ahead   float64 // s that the sentences' UTC is ahead
	frozen  bool
	age     float64 // s to add
	level   level
	lose    float64 // share of the satellites
	dim     float64 // dB by which all C/N0 are lower
	noFix   bool
	station int // -1: as received
}

// Apply adds faults to a recording. Records must be in order of T. It fails
// when a fault lies outside the recording or needs a channel that it lacks.
func Apply(recs []fusion.Record, list []Fault, opt Options) (*Result, error) {
	in := &injector{opt: opt, rnd: rng(opt.Seed), garble: rng(opt.Seed ^ 0x5bd1e995), at: math.NaN(), held: map[string][][]byte{}}
	if len(recs) == 0 {
		return nil, fmt.Errorf("inject: the recording is empty")
	}
	var byChan [fusion.NumChannels][]fusion.Record
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
	if err := in.settle(list, start, end); err != nil {
		return nil, err
	}
	for _, k := range in.kinds {
		for c := range fusion.ChanTick {
			if k.needs>>c&1 != 0 && len(byChan[c]) == 0 {
				return nil, fmt.Errorf("inject: fault %s: the recording has no %s, want some", k.Name, c)
			}
		}
	}

	in.out = make([]keyed, 0, len(recs))
	in.sentences(stream, pieces)
	in.corrections(byChan[fusion.ChanCorrections])
	in.observations(byChan[fusion.ChanObservations])
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

// settle works out times and directions.
func (in *injector) settle(list []Fault, start, end float64) error {
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
	list = slices.Clone(list)
	for i := range list {
		f := &list[i]
		if f.From < 1e8 {
			f.From += start
		}
		if f.To < 1e8 {
			f.To += start
		}
		f.To = math.Min(f.To, end+1)
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].From < list[j].From })
	for _, f := range list {
		if f.From < start-1e-3 || f.From >= end || !(f.To > f.From) {
			return fmt.Errorf("inject: fault %s: %.1f to %.1f s after the start, want within 0 to %.1f", f.Kind, f.From-start, f.To-start, end-start)
		}
		x := faults.Fault{Kind: f.Kind, From: f.From - in.hostMinusUTC, To: f.To - in.hostMinusUTC, Size: f.Size}
		if f.Dir != "" {
			course, ok := in.courseAt(x.From)
			if !ok {
				in.res.Notes = append(in.res.Notes, fmt.Sprintf("%s at %.1f s: no course there, %q counts from north", f.Kind, f.From-start, f.Dir))
			}
			var err error
			if x.Dir[0], x.Dir[1], err = direction(f.Dir, course); err != nil {
				return fmt.Errorf("inject: fault %s: %w", f.Kind, err)
			}
		}
		switch {
		case x.Kind == faults.Restarted && x.Size == 0:
			x.Mode = "id"
		case x.Kind == "ramp":
			x.Kind, x.Rise = faults.Jump, 3
		case x.Kind == "false_fix":
			// Of real false fixes the median is twice as far off in height.
			up := math.Sqrt(5)
			x.Kind, x.Size, x.Dir = faults.WrongFix, x.Size*up, [3]float64{x.Dir[0] / up, x.Dir[1] / up, 2 / up}
		}
		in.kinds = append(in.kinds, kindOf(f.Kind))
		in.utc = append(in.utc, x)
		x.From, x.To = f.From, f.To
		in.res.host = append(in.res.host, x)
	}
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
	for i := range in.utc {
		f := &in.utc[i]
		x := score.Label{Kind: f.Kind, From: f.From, To: f.To, Until: f.To, Size: math.NaN(), Dir: f.Dir}
		if in.kinds[i].Unit != "" {
			x.Size = f.Size
		}
		if f.Kind == faults.Restarted {
			if f.Size == 0 {
				x.Dir = [3]float64{}
			} else {
				x.Until = in.epochs[len(in.epochs)-1].utc + 1 // every position is off, to the end
			}
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
		late := in.res.host.Sum(faults.Slow, p.t) + in.res.host.Stalled(p.t)
		if in.res.host.On(faults.Receiver, p.t) != nil {
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
	return nmea.AppendTag(nil, int64(math.Round(t*1000)), bytes.Trim(tag, "\\"))
}

// damage returns text, or a garbled copy of it.
func (in *injector) damage(text []byte, t float64) []byte {
	if f := in.res.host.On(faults.Garbled, t); f != nil && in.garble.float() < f.Size {
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
	if utc, ok := utcOf(s, t); ok && utc != in.at {
		in.at = utc
		in.effect(utc, t)
	}
	x := &in.now
	if !x.frozen {
		in.held[s.kind] = slices.Clone(s.field)
	} else if was := in.held[s.kind]; was != nil {
		now := s.get(s.timeField())
		if s.field = slices.Clone(was); now != nil {
			s.field[s.timeField()] = now
		}
	}
	if *x == (effect{station: -1}) || math.IsNaN(in.at) {
		return false
	}
	if x.noFix {
		s.erase()
		return true
	}
	if i := s.timeField(); x.ahead != 0 && i > 0 {
		s.advance(i, x.ahead)
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
	if x.dim > 0 {
		s.dim(x.dim)
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
	moved, base := in.utc.Position(utc), in.utc.Base(utc)
	x.e, x.n, x.u = moved[0]+base[0], moved[1]+base[1], moved[2]+base[2]
	x.ahead = in.utc.Sum(faults.Stamp, utc)
	x.frozen = in.utc.On(faults.Frozen, utc) != nil
	x.noFix = in.utc.On("no_fix", utc) != nil
	for i := range in.utc {
		f := &in.utc[i]
		if f.Kind == faults.Restarted && utc >= f.To {
			x.station = restartedStation
		}
		if !f.Has(utc) {
			continue
		}
		if f.Kind == faults.Sky {
			x.lose = math.Max(x.lose, f.Size)
			blocked = float
			if utc > f.From+3 && f.Size > 0.7 {
				blocked = single
			}
		}
		if f.Kind == faults.Interference {
			x.dim = math.Max(x.dim, f.Size)
			if blocked = max(blocked, float); utc > f.From+3 && f.Size > 15 {
				blocked = single
			}
		}
		if in.kinds[i].starve {
			starved = true
			d := utc - f.From
			switch f.Kind {
			case faults.Late:
				d = math.Min(d, f.Size)
			case faults.Sparse:
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
	claimed := in.utc.On(faults.Claimed, utc) != nil
	if claimed || in.utc.On(faults.LostFix, utc) != nil {
		in.blink, want = true, max(want, float)
	} else if in.blink && want == asReceived {
		in.blink, in.state = false, asReceived // fixed again at once
	}
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
	if x.level = want; claimed && want == float {
		x.level = asReceived
	}
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
	for _, k := range in.kinds {
		switch k.Name {
		case "unknown":
			return
		case faults.Sparse, faults.BaseMoved, faults.Restarted:
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
		host := in.res.host
		if off := host.Base(c.t); off != [3]float64{} && c.m.HasBase {
			fr := geodesy.NewFrame(c.m.Base.LLA())
			rtcm.MoveBase(c.b, fr.ToECEF(geodesy.ENU{E: off[0], N: off[1]}))
		}
		for i := range host {
			if f := &host[i]; f.Kind == faults.Restarted && c.t >= f.To && c.framed {
				rtcm.SetStation(c.b, restartedStation)
			}
		}
		drop := host.On(faults.Silent, c.t) != nil || host.On(faults.Restarted, c.t) != nil
		late := host.Sum(faults.Late, c.t) + host.Stalled(c.t)
		if f := host.On(faults.Corrupt, c.t); f != nil && rnd.float() < f.Size && len(c.b) > 0 {
			for range 1 + len(c.b)/100 {
				c.b[int(rnd.float()*float64(len(c.b)))] ^= byte(1 + rnd.next()%255)
			}
		}
		if f := host.On(faults.Sparse, c.t); f != nil && c.m.System != rtcm.NoSystem && c.framed {
			if only == rtcm.NoSystem {
				only = c.m.System
			}
			if c.m.System != only || c.t-kept < f.Size-0.5 {
				drop = true
			} else {
				kept = c.t
			}
		}
		if drop {
			continue
		}
		last = math.Max(last, c.t+late) // a queue: what is late holds up what follows
		in.put(c.t, last, fusion.ChanCorrections, c.b)
	}
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
	host := in.res.host
	if host.On(faults.IMUGap, t) != nil {
		return nil
	}
	if m := host.Misread(t); m.F != 1 || m.W != 1 {
		line = scale(scale(line, 4, 7, m.F), 1, 4, m.W)
	}
	return in.retime(t, line)
}

func (in *injector) wheel(t float64, line []byte) []byte {
	host := in.res.host
	if host.On("wheel_gap", t) != nil {
		return nil
	}
	if f := host.On(faults.SlipWheel, t); f != nil {
		line = scale(line, 1, 2, f.Size)
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

// scale multiplies fields from to to-1 by k unless that is 1, with the decimals they have and
// two more, so that small units keep their digits.
func scale(line []byte, from, to int, k float64) []byte {
	if k == 1 {
		return line
	}
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
