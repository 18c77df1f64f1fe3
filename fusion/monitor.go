package fusion

import (
	"math"
	"strings"

	"kerbline/fusion/coast"
	"kerbline/fusion/course"
	"kerbline/fusion/crosscheck"
	"kerbline/fusion/hostclock"
	"kerbline/fusion/integrity"
	"kerbline/fusion/navigation"
	"kerbline/fusion/parameters"
	"kerbline/fusion/symptoms"
	"kerbline/fusion/trust"
	"kerbline/fusion/verdict"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/rtcm"

	"gonum.org/v1/gonum/spatial/r3"
)

// lineEvery is the silence after which a verdict line is due, s.
const lineEvery = 0.1

// Monitor fuses what it is given and says whether the position may be used.
// It reads no clock, starts no goroutine and uses no random number: the same
// measurements give the same snapshots and events.
type Monitor struct {
	cfg Config
	crs *course.Course

	now       float64 // host s, without clock steps
	shift     float64 // s, steps of the host clock: now = T + shift
	started   bool
	closed    bool
	zero      float64 // host s of the first record
	leverFree bool    // the lever arm of the settings is not believed any more
	lastLine  float64
	claim     float64 // host s, far off, that a record bore and no other has confirmed
	strayed   int     // IMU or wheel stamps in a row that are far from now

	mounted bool        // IMU axes are not body axes
	mount   r3.Rotation // from those to these
	clock   hostclock.Model
	nav     navigation.Driver
	link    *corrections.Link
	episode func(*corrections.Episode)
	take    func(*corrections.Episode) // m.outage, bound once

	frame    geodesy.Frame
	hasFrame bool

	rcv       receiver
	trust     trust.State
	params    parameters.Watch
	checks    checks
	drift     integrity.DriftTests
	ref       integrity.References
	claims    claims
	phases    phases
	heights   course.Heights
	lapMemory lapMemory
	path      course.Path
	driven    Driven
	mark      marking
	coast     coast.Budget

	jump                      integrity.JumpTest
	jumpShare                 integrity.Share // of its covariance
	posGate, horGate, velGate integrity.Gate
	weighed                   weighed
	kPL                       float64

	recv        receiving
	baseChanges int
	hint        int // course segment
	pathHint    int // the same, of epochs
	lastS       float64
	lap         int
	snap        Snapshot
	evidence    verdict.Evidence
	judgement   verdict.Judgement
	memory      verdict.Memory
	late        lateness // of this computer
	events      []Event
	due         bool
}

// NewMonitor returns a monitor with the given settings. crs may be nil; it is
// bound to the monitor's frame and must not be shared with another monitor.
func NewMonitor(cfg Config, crs *course.Course) *Monitor {
	m := &Monitor{crs: crs}
	m.link = corrections.New(corrections.Config{
		Surveyed:     cfg.Base.ECEF != [3]float64{},
		Base:         geodesy.ECEF{X: cfg.Base.ECEF[0], Y: cfg.Base.ECEF[1], Z: cfg.Base.ECEF[2]},
		Station:      cfg.Base.Station,
		Tolerance:    cfg.Base.Tolerance,
		LateAfter:    cfg.Link.LateAfter,
		SilentAfter:  cfg.Link.SilentAfter,
		AgeEpisode:   cfg.Link.AgeEpisode,
		CorruptShare: cfg.Link.CorruptShare,
		SparseShare:  cfg.Link.SparseShare,
		Radio:        cfg.Radio.Both(),
	})
	m.claim = math.NaN()
	m.begin(&cfg)
	return m
}

// begin makes everything but link and time ready for the settings.
func (m *Monitor) begin(cfg *Config) {
	m.cfg = *cfg
	t := &cfg.Tests
	m.jump = integrity.NewJumpTest(t.PFA, t.PMD)
	m.posGate = integrity.NewGate(t.InnovPFA, t.PMD, 3)
	m.horGate = integrity.NewGate(t.InnovPFA, t.PMD, 2)
	m.velGate = integrity.NewGate(t.InnovPFA, t.PMD, 2)
	m.kPL = integrity.K(cfg.Limits.Risk)
	m.take = m.outage
	m.nav.Init(cfg.Navigation(), (*paths)(m))
	m.rcv.reset()
	m.trust, m.leverFree = trust.Start(), false
	m.drift.Init(t.Settings)
	m.ref.Init()
	m.knowCar()
	m.phases.init()
	m.params.Init(cfg.Vehicle.Antenna, crosscheck.Told{IMU: cfg.Columns.IMU, Wheel: cfg.Columns.Wheel, IMUOffset: cfg.Columns.IMUOffset,
		WheelOffset: cfg.Columns.WheelOffset, Mount: cfg.IMU.Mounting(), Latency: cfg.GNSS.Latency}, m.suspect)
	m.claims.off.at, m.checks.narrow = math.NaN(), math.NaN()
	m.mark = marking{last: math.NaN(), verified: math.NaN()}
	m.configureMount(&cfg.IMU)
	m.coast.Init(integrity.K(cfg.Limits.RiskCoast), m.kPL, cfg.GNSS.Stall)
	m.hint, m.pathHint = -1, -1
	m.driven = parseDriven(cfg.Driven)
	m.snap = blankSnapshot()
	m.snap.Taken = cfg.Taken
}

// Snapshot returns what the monitor knew at the last verdict line; it is valid
// until the next Step.
func (m *Monitor) Snapshot() *Snapshot { return &m.snap }

// Step takes one measurement. The snapshot is nil unless a verdict line is due:
// after an epoch, and after each 0.1 s without one. Snapshot and events are
// valid until the next Step. Nothing is allocated unless an event happens.
func (m *Monitor) Step(in *Measurement) (*Snapshot, []Event) {
	m.events = m.events[:0]
	m.due = false
	if m.closed || !m.place(in) {
		return nil, m.events
	}
	c := &m.snap.Counts
	switch in.Kind {
	case KindIMU:
		c.IMU++
		m.onIMU(in)
	case KindWheel:
		c.Wheel++
		m.onWheel(in)
	case KindEpoch:
		c.Epochs++
		m.onEpoch(in.Epoch)
	case KindFrame:
		c.Frames++
		m.link.Frame(m.now, in.Frame)
		if m.recv.Watch != nil {
			m.recv.Said(in.Frame)
		}
	case KindLink:
		m.link.Bytes(m.now, int(in.N))
	case KindJunk:
		if rtcm.Refusal(in.Reason) == rtcm.BadCRC {
			c.Refused[ChanCorrections]++
		}
		m.link.Junk(m.now, rtcm.Refusal(in.Reason), int(in.N))
	case KindRefused:
		c.Refused[in.Channel%nChannels]++
		switch in.Channel {
		case ChanCorrections:
			m.checks.onLinkRefused(in.Note)
		case ChanNMEA:
			m.checks.onSentenceRefused(Refusal(in.Reason), in.Note)
		}
	case KindObservation:
		m.onReception(in)
		m.onObservation(in)
	case KindEphemeris:
		m.onReception(in)
		m.phases.begin().Ephemeris(in.Ephemeris)
	case KindNote:
		m.onNote(in.Note)
	case KindTick:
		m.onTick()
	case KindRoverFrame:
		m.onReception(in)
	case KindSymptom:
		m.checks.raise(m, *in.Symptom)
	case KindTake:
		m.retake(in.Config)
	case KindColumns:
		m.params.Columns(in.Channel == ChanWheel, in.Note)
	}
	m.onBase()
	if m.lapMemory.lap != nil {
		m.bindMemory()
	}
	m.link.Take(m.take)
	if m.due {
		m.evaluate()
		return &m.snap, m.events
	}
	return nil, m.events
}

// Close closes what is still open and returns its events. The link in the
// snapshot is then that of the end. A closed monitor takes nothing more.
func (m *Monitor) Close() []Event {
	m.closed = true
	m.events = m.events[:0]
	m.closeGap()
	m.link.Close(m.now)
	m.link.Take(m.take)
	m.snap.Link = *m.link.State()
	return m.events
}

func (m *Monitor) onTick() {
	m.link.Tick(m.now)
	m.watchSilence()
	if m.nav.Phase != navigation.Empty {
		m.nav.Advance(m.now - m.cfg.GNSS.Stall)
	}
	if m.now-m.lastLine >= lineEvery-1e-6 {
		m.due = true
	}
}

// onNote takes a word from the shell: about a check mark, who steers, the lap of other
// sessions, the base's end, a computer that was late.
func (m *Monitor) onNote(note string) {
	m.onMark(note)
	if who, ok := strings.CutPrefix(note, drivenNote); ok {
		m.onDriven(who)
	}
	if log, ok := strings.CutPrefix(note, baseLogNote); ok {
		m.onBaseLog(log)
	}
	if by, ok := strings.CutPrefix(note, lateNote); ok {
		m.onLate(by)
	}
	if text, ok := strings.CutPrefix(note, memoryNote); ok {
		m.recall(text)
	}
	switch note {
	case NoteBaseSends:
		m.link.BaseEnd(m.now, corrections.BaseSends)
	case NoteBaseSilent:
		m.link.BaseEnd(m.now, corrections.BaseSilent)
	case NoteBaseUnheard:
		m.link.BaseEnd(m.now, corrections.BaseEndUnheard)
	}
}

// host turns the monitor's time into host time.
func (m *Monitor) host(t float64) float64 { return t - m.shift }

func (m *Monitor) event(e Event) {
	m.snap.Counts.Events++
	m.events = append(m.events, e)
}

// where returns the place along the lap, NaN without a map or a position.
func (m *Monitor) where() float64 {
	if m.snap.HasCourse && m.nav.Phase == navigation.Aligned {
		return m.snap.Station
	}
	return math.NaN()
}

// suspect makes an event of what contradicts the settings.
func (m *Monitor) suspect(f symptoms.Finding) {
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventUnit, Cause: symptoms.Of(f.ID).Code, Size: math.NaN(), Where: m.where(), Detail: f.Text()})
}

// OnEpisode asks for every correction outage with all its evidence, when it
// closes; the episode is valid during the call and counts in the monitor's own
// time, which the host clock's steps do not move.
func (m *Monitor) OnEpisode(f func(*corrections.Episode)) { m.episode = f }

func (m *Monitor) outage(ep *corrections.Episode) {
	m.event(Event{T: m.host(ep.Start), End: m.host(ep.End()), Kind: EventOutage, Cause: ep.Cause.String(),
		Size: ep.End() - ep.Start, Where: ep.Where, Detail: ep.Paragraph(m.zero, m.cfg.Zone().Beside)})
	if m.episode != nil {
		m.episode(ep)
	}
}

func vec(e geodesy.ENU) r3.Vec { return r3.Vec{X: e.E, Y: e.N, Z: e.U} }
func enu(v r3.Vec) geodesy.ENU { return geodesy.ENU{E: v.X, N: v.Y, U: v.Z} }
