package engine

import (
	"context"
	"fmt"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/cmd/kerbline/internal/sources"
	"kerbline/fusion"
	"kerbline/fusion/course"
)

// Input is one live input.
type Input struct {
	Channel fusion.Channel
	Spec    sources.Spec
}

// Publisher takes each verdict; it must not wait.
type Publisher interface{ Send(*fusion.Snapshot) }

// Options say what an engine reads and where its results go.
type Options struct {
	Config fusion.Config
	Course *course.Course // may be nil
	Inputs []Input

	// Forward gives the bytes of the corrections to another device, or with
	// ForwardToGNSS to the port the sentences come from.
	Forward       *sources.Spec
	ForwardToGNSS bool

	Record  *recorder.Options // nil: not recorded
	Publish []Publisher
	// Verdicts and Events take the output lines, nil where not wanted.
	Verdicts, Events *LineBuffer
	// Look takes what the monitor gave: a snapshot or nil, and events. It is
	// called by the loop, must return at once, and must keep nothing. Should it
	// panic, it is not called again and the run goes on.
	Look func(s *fusion.Snapshot, events []fusion.Event)
	// Heard takes each measurement before the monitor does, nil where not wanted. It
	// must return at once and must keep nothing.
	Heard func(*fusion.Measurement)
	// State takes the state of sources and recording some ten times a second,
	// under the same rules.
	State func(State)

	Now func() int64 // host time, ns; nil: the computer's clock
}

// State is how the outside of the engine is.
type State struct {
	Sources   []sources.Status
	Recording *recorder.Status // nil: not wanted
	Forward   *sources.Status  // nil: not wanted
	Dropped   int64            // bytes of corrections the forward device did not take
	Beside    []Beside         // what else is worth a line: filled by who looks
	Ended     bool             // every source is a file or pipe that gave all it had
}

// Beside is the state of something that is no input.
type Beside struct {
	Name  string
	OK    bool
	Words string
}

const (
	tickEvery  = 50 * time.Millisecond
	lineEvery  = 100 * time.Millisecond // after this much silence a verdict is due
	queueSize  = 512                    // chunks
	lateLeast  = 150 * time.Millisecond // beyond, the loop's own lateness is put on record
	setBack    = int64(1e9)             // ns: a fall of the host clock that is no jitter
	closeLimit = 5 * time.Second        // for the disk to take the end of a recording
)

// chunk is a piece of input on its way to the loop.
type chunk struct {
	ns   int64
	ch   fusion.Channel
	data []byte
}

// Engine runs the monitor. Make it with [New].
type Engine struct {
	o    Options
	srcs []*sources.Source
	fwd  *sources.Source // device for corrections, may be one of srcs
	own  bool            // fwd is a source of its own
	mon  *fusion.Monitor
	dec  *fusion.Decoder
	rec  *recorder.Recorder

	queue chan *chunk
	free  chan *chunk
	emit  func(*fusion.Measurement)

	mu    sync.Mutex
	notes []string // for the loop
	wake  chan struct{}

	keeping sync.Mutex // held while the memory of the lap is written

	// The rest belongs to the loop.
	last     int64     // ns of the last record
	lineAt   time.Time // of the last verdict
	due      time.Time // by when the loop is to turn again
	stateAt  time.Time
	recOK    bool
	recWords string
	ended    atomic.Int32 // sources that gave all they had
	steps    uint64
}

// New returns an engine that has not begun.
func New(o Options) (*Engine, error) {
	if o.Now == nil {
		o.Now = func() int64 { return time.Now().UnixNano() }
	}
	e := &Engine{o: o, mon: fusion.NewMonitor(o.Config, o.Course), dec: fusion.NewDecoder(o.Config),
		queue: make(chan *chunk, queueSize), free: make(chan *chunk, queueSize), wake: make(chan struct{}, 1)}
	e.emit = e.step
	var gnss *sources.Source
	for _, in := range o.Inputs {
		s := sources.New(in.Channel, in.Spec, sources.Options{Now: o.Now, GGA: e.gga}, e)
		e.srcs = append(e.srcs, s)
		if in.Channel == fusion.ChanNMEA && gnss == nil {
			gnss = s
		}
	}
	switch {
	case o.ForwardToGNSS && (gnss == nil || !gnss.CanSend()):
		return nil, fmt.Errorf("engine: corrections cannot be forwarded to the receiver's port, want --gnss serial:// or tcp://")
	case o.ForwardToGNSS:
		e.fwd = gnss
	case o.Forward != nil:
		e.fwd = sources.New(fusion.ChanCorrections, *o.Forward, sources.Options{Now: o.Now, Discard: true}, forwardOutlet{e})
		e.own = true
		if !e.fwd.CanSend() {
			return nil, fmt.Errorf("engine: corrections cannot be forwarded to %s, want serial:// or tcp://", o.Forward)
		}
	}
	return e, nil
}

// gga is the position for a caster.
func (e *Engine) gga() string {
	for _, s := range e.srcs {
		if g := s.GGA(); g != "" {
			return g
		}
	}
	return ""
}

// Bytes takes what a source read. It waits while the loop is behind: records
// are never dropped.
func (e *Engine) Bytes(ctx context.Context, ns int64, ch fusion.Channel, b []byte) {
	var c *chunk
	select {
	case c = <-e.free:
	default:
		c = &chunk{}
	}
	c.ns, c.ch, c.data = ns, ch, append(c.data[:0], b...)
	select {
	case e.queue <- c:
	case <-ctx.Done():
	}
}

// Told takes a change of a source's state: it becomes a note in the recording.
func (e *Engine) Told(s sources.Status) {
	if s.Ended {
		e.ended.Add(1)
	}
	e.Note(s.String())
}

// forwardOutlet is the outlet of a device that is only written to.
type forwardOutlet struct{ e *Engine }

func (o forwardOutlet) Bytes(context.Context, int64, fusion.Channel, []byte) {}
func (o forwardOutlet) Told(s sources.Status)                                { o.e.Note("forward: " + s.Words) }

// Mark reports that a person confirms that the car stands on a
// surveyed check mark, or its antenna over it.
func (e *Engine) Mark(name string, antenna bool) { e.Note(fusion.MarkNote(name, antenna)) }

// Steer tells the monitor who steers from now on.
func (e *Engine) Steer(d fusion.Driven) { e.Note(d.Note()) }

// Take takes settings for the rest of this run: assignments as a finding proposes
// them.
func (e *Engine) Take(assignments string) { e.Note(fusion.TakeNote(assignments)) }

// Note puts a word into the stream of records. It never waits.
func (e *Engine) Note(text string) {
	e.mu.Lock()
	if len(e.notes) < 1000 {
		e.notes = append(e.notes, text)
	}
	e.mu.Unlock()
	select {
	case e.wake <- struct{}{}:
	default:
	}
}

// Run reads, records and judges until ctx ends or all sources have ended, then
// closes the recording. The error is why the recording is not whole, or a
// mistake of our own that ended the run.
func (e *Engine) Run(ctx context.Context) (err error) {
	now := e.o.Now()
	if e.o.Record != nil {
		e.rec = recorder.Start(*e.o.Record, now)
		e.recOK = true // so that a recording that fails at once is news
	}
	srcCtx, stop := context.WithCancel(context.Background())
	var running sync.WaitGroup
	start := func(s *sources.Source) {
		running.Add(1)
		go func() { defer running.Done(); s.Run(srcCtx) }()
	}
	defer func() {
		stop()
		if p := recover(); p != nil {
			// The verdict falls silent, which means not usable; what was received
			// is saved, also what led here.
			err = fmt.Errorf("engine: %v\n%s", p, debug.Stack())
			if e.rec != nil {
				e.rec.Write(e.last, fusion.ChanNote, fmt.Appendf(nil, "internal error: %v", p))
			}
		}
		if e.rec != nil {
			if cerr := e.rec.Close(closeLimit); err == nil {
				err = cerr
			}
		}
		e.report()
	}()
	e.recallLap()
	for _, s := range e.srcs {
		start(s)
	}
	if e.own {
		start(e.fwd)
	}
	e.loop(ctx)
	stop()
	e.wait(&running)
	e.finish()
	return nil
}

// wait lets the sources end; one that sits in a read of standard input cannot.
func (e *Engine) wait(running *sync.WaitGroup) {
	done := make(chan struct{})
	go func() { running.Wait(); close(done) }()
	select {
	case <-done:
	case <-time.After(300 * time.Millisecond):
	}
}

func (e *Engine) loop(ctx context.Context) {
	e.lineAt = time.Now()
	e.due = e.lineAt.Add(tickEvery)
	kept := e.lineAt
	timer := time.NewTimer(tickEvery)
	defer timer.Stop()
	for {
		select {
		case c := <-e.queue:
			e.turn()
			e.take(c)
		case <-e.wake:
			e.turn()
			e.takeNotes()
		case <-timer.C:
			e.turn()
			// What has arrived comes before the tick that says time has passed.
			for n := len(e.queue); n > 0; n-- {
				e.take(<-e.queue)
			}
			e.takeNotes()
			e.record(e.o.Now(), fusion.ChanTick, nil)
			e.outside(time.Now())
			if time.Since(kept) > keepEvery {
				kept = time.Now()
				e.keepLap()
			}
			// The next tick is due in time for a verdict after each silence.
			next := tickEvery
			if left := lineEvery - time.Since(e.lineAt); left > 0 && left < next {
				next = left
			}
			timer.Reset(next)
			if len(e.srcs) > 0 && int(e.ended.Load()) == len(e.srcs) && len(e.queue) == 0 {
				return
			}
		case <-ctx.Done():
			return
		}
	}
}

// turn measures by how much the loop is late, which it never is on a computer that has
// time for it: the timer wakes it. What was received meanwhile waits behind the note.
func (e *Engine) turn() {
	now := time.Now()
	if late := now.Sub(e.due); late > lateLeast {
		e.record(e.o.Now(), fusion.ChanNote, []byte(fusion.LateNote(late.Seconds())))
	}
	e.due = now.Add(tickEvery)
}

// finish takes what is still on its way and closes what is open, as a replay
// does at the end of a recording.
func (e *Engine) finish() {
	for n := len(e.queue); n > 0; n-- {
		e.take(<-e.queue)
	}
	e.takeNotes()
	e.keptLap()
	e.keepLap()
	e.keptLap()
	e.dec.Close(recorder.Seconds(e.last), e.emit)
	e.put(nil, e.mon.Close())
	e.outside(time.Now())
}

func (e *Engine) take(c *chunk) {
	e.record(c.ns, c.ch, c.data)
	if c.ch == fusion.ChanCorrections && e.fwd != nil {
		e.fwd.Send(c.data)
	}
	if cap(c.data) > 64<<10 {
		return
	}
	select {
	case e.free <- c:
	default:
	}
}

func (e *Engine) takeNotes() {
	e.mu.Lock()
	notes := e.notes
	e.notes = nil
	e.mu.Unlock()
	for _, n := range notes {
		e.record(e.o.Now(), fusion.ChanNote, []byte(n))
	}
}

// record gives one record its place in time, saves it and lets the monitor
// have it.
func (e *Engine) record(ns int64, ch fusion.Channel, data []byte) {
	if ns < e.last && e.last-ns < setBack {
		ns = e.last // two sources stamp on their own; the queue decides
	}
	e.last = ns
	if e.rec != nil {
		e.rec.Write(ns, ch, data)
	}
	e.dec.Decode(fusion.Record{T: recorder.Seconds(ns), Channel: ch, Data: data}, e.emit)
}

func (e *Engine) step(m *fusion.Measurement) {
	e.steps++
	if e.o.Heard != nil {
		e.o.Heard(m)
	}
	snap, events := e.mon.Step(m)
	if snap != nil {
		e.lineAt = time.Now()
		for _, p := range e.o.Publish {
			p.Send(snap)
		}
	}
	if snap != nil || len(events) > 0 {
		e.put(snap, events)
	}
}

// put hands results to files and screen.
func (e *Engine) put(snap *fusion.Snapshot, events []fusion.Event) {
	if e.o.Verdicts != nil && snap != nil {
		e.o.Verdicts.Verdict(snap)
	}
	if e.o.Events != nil {
		for i := range events {
			e.o.Events.Event(&events[i])
		}
	}
	if e.o.Look != nil {
		defer e.guard()
		e.o.Look(snap, events)
	}
}

// guard keeps a mistake of the screen from taking the monitor along.
func (e *Engine) guard() {
	if p := recover(); p != nil {
		e.o.Look, e.o.State = nil, nil
		e.Note(fmt.Sprintf("screen: failed, the monitor goes on: %v", p))
	}
}

// outside looks after sources and recording.
func (e *Engine) outside(now time.Time) {
	for _, s := range e.srcs {
		s.Check(now)
	}
	if e.rec != nil {
		if st := e.rec.Status(); st.OK != e.recOK || st.Words != e.recWords {
			e.recOK, e.recWords = st.OK, st.Words
			if st.OK {
				e.Note("recording: to " + st.File)
			} else {
				e.Note("recording: not recording: " + st.Words)
			}
		}
	}
	if now.Sub(e.stateAt) >= 80*time.Millisecond {
		e.stateAt = now
		e.report()
	}
}

// report hands on the state of sources and recording.
func (e *Engine) report() {
	if e.o.State == nil {
		return
	}
	st := State{Ended: len(e.srcs) > 0 && int(e.ended.Load()) == len(e.srcs)}
	for _, s := range e.srcs {
		st.Sources = append(st.Sources, s.Status())
	}
	if e.rec != nil {
		r := e.rec.Status()
		st.Recording = &r
	}
	if e.fwd != nil {
		f := e.fwd.Status()
		st.Forward, st.Dropped = &f, e.fwd.Dropped()
	}
	defer e.guard()
	e.o.State(st)
}

// Steps returns how many measurements the monitor took. Call it after Run.
func (e *Engine) Steps() uint64 { return e.steps }
