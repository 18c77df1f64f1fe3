package reception

import (
	"math"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/rtcm"
	"kerbline/gnss/satellite"
	"kerbline/gnss/singlepoint"
)

const (
	keepSets   = 4    // of a satellite
	placeEvery = 1.0  // s between two positions of the base
	placeLeast = 10   // positions until the base is judged
	placeTime  = 60.0 // s, time constant of their mean
	elsewhere  = 50.0 // m that broadcast coordinates may be off the mean: some sigmas of a single point without an ionosphere
	lackAfter  = 10.0 // s that the rover must observe what the base does not
	maxTypes   = 32
)

// TypeCount is one message type on the rover's port.
type TypeCount struct {
	Number int
	Count  int
}

// State is what is known. It is valid until the next call.
type State struct {
	Rover, Base Side
	Types       [maxTypes]TypeCount // on the rover's port, as first heard
	NTypes      int
	LeastMSM    int // poorest MSM type on the rover's port, 0 before any
	RoverSets   int // ephemerides heard on the rover's port
	BaseSets    int // on the link
	Without     int // satellites of the rover's last epoch without a set that serves

	Lacking  [16]satellite.ID // what the rover observes and the base lacks
	NLacking int
	Common   int // satellites that both observe

	BasePlace   geodesy.ECEF // by its own observations, mean
	BasePlaces  int          // positions in it so far
	BaseModel   singlepoint.Ionosphere
	BaseFailure singlepoint.Failure     // of the last position
	BaseSaid    geodesy.ECEF            // coordinates it broadcasts, zero before
	BaseOff     float64                 // m between the two, NaN where either is unknown
	BaseAntenna float64                 // m, height that 1006 gives
	BadSystems  [satellite.NSystems]int // positions at which a system failed its residual test
}

// Elsewhere reports whether the base's own observations place it far from the
// coordinates that it broadcasts.
func (s *State) Elsewhere() bool { return s.BasePlaces >= placeLeast && s.BaseOff > elsewhere }

// Interference reports whether all of the rover's signals fell together, by how
// many dB, and whether the base's did too; heard says whether the base was heard
// at the time, so that it could.
func (s *State) Interference() (dB float64, base, heard bool) {
	heard = s.Base.Epochs > 0 && math.Abs(s.Rover.Last-s.Base.Last) < 4*fresh
	return s.Rover.Fall, heard && s.Base.Fall > 0, heard
}

// Watch follows rover and base. Feed it what the decoder gives.
type Watch struct {
	st          State
	rover, base *side
	roverAt     gnsstime.Time
	baseAt      gnsstime.Time
	sets        orbit.Store
	solver      singlepoint.Solver
	placed      float64 // host Unix s of the last position of the base
}

// New returns a Watch that heard nothing yet.
func New() *Watch {
	w := &Watch{placed: math.Inf(-1)}
	w.st.BaseOff = math.NaN()
	w.rover, w.base = newSide(&w.st.Rover), newSide(&w.st.Base)
	w.sets.Keep = keepSets
	w.solver.Sets = &w.sets
	return w
}

// State returns what is known; it points into w.
func (w *Watch) State() *State { return &w.st }

// Frame takes a frame on the rover's port.
func (w *Watch) Frame(m *rtcm.Message) {
	if m.MSM > 0 && (w.st.LeastMSM == 0 || m.MSM < w.st.LeastMSM) {
		w.st.LeastMSM = m.MSM
	}
	for i := range w.st.Types[:w.st.NTypes] {
		if w.st.Types[i].Number == m.Number {
			w.st.Types[i].Count++
			return
		}
	}
	if w.st.NTypes < maxTypes {
		w.st.Types[w.st.NTypes] = TypeCount{m.Number, 1}
		w.st.NTypes++
	}
}

// Said takes the coordinates that the base broadcasts.
func (w *Watch) Said(m *rtcm.Message) {
	if m.HasBase {
		if w.st.BaseSaid != m.Base && w.st.BaseSaid.Dist(m.Base) > elsewhere {
			w.st.BasePlaces = 0 // another one, judged anew
		}
		w.st.BaseSaid, w.st.BaseAntenna = m.Base, m.AntennaHeight
		w.compare()
	}
}

// Ephemeris keeps a set; onLink says that it came with the corrections.
func (w *Watch) Ephemeris(e *orbit.Ephemeris, onLink bool) {
	if onLink {
		w.st.BaseSets++
	} else {
		w.st.RoverSets++
	}
	w.sets.Add(e)
}

// Rover takes an epoch of the rover that came at t.
func (w *Watch) Rover(t float64, e *observation.Epoch) {
	w.rover.epoch(t, e, w.since(&w.roverAt, e))
	w.st.Without = 0
	for i := range e.Obs {
		if i > 0 && e.Obs[i-1].Sat == e.Obs[i].Sat {
			continue
		}
		if w.sets.Find(e.Obs[i].Sat, e.Time) == nil {
			w.st.Without++
		}
	}
	w.lacking(t, e)
}

// since returns the time since a receiver's epoch before, by its own time.
func (w *Watch) since(at *gnsstime.Time, e *observation.Epoch) float64 {
	d := math.NaN()
	if !at.IsZero() {
		d = e.Time.Sub(*at)
	}
	*at = e.Time
	return d
}

// lacking finds what the rover observes for a while and the base does not.
func (w *Watch) lacking(t float64, e *observation.Epoch) {
	st := &w.st
	st.NLacking, st.Common = 0, 0
	if !(t-st.Base.Last < 4*fresh) {
		return
	}
	for i := range e.Obs {
		id := e.Obs[i].Sat
		if i > 0 && e.Obs[i-1].Sat == id || !id.Valid() {
			continue
		}
		switch {
		case w.base.seen(id.Index(), t, lackAfter):
			st.Common++
		case st.Base.Epochs > 10 && w.rover.since(id.Index(), t) > lackAfter && st.NLacking < len(st.Lacking):
			st.Lacking[st.NLacking] = id
			st.NLacking++
		}
	}
}

// Base takes an epoch of the base that came at t.
func (w *Watch) Base(t float64, e *observation.Epoch) {
	w.base.epoch(t, e, w.since(&w.baseAt, e))
	if t-w.placed < placeEvery && t >= w.placed {
		return
	}
	dt := math.Min(t-w.placed, placeTime)
	w.placed = t
	st := &w.st
	sol := w.solver.Solve(e, st.BasePlace)
	st.BaseFailure = sol.Failure
	if sol.Failure != singlepoint.Solved {
		return
	}
	for i := range sol.Systems {
		if !sol.Systems[i].Passed() {
			st.BadSystems[i]++
		}
	}
	if st.BasePlaces == 0 {
		st.BasePlace = sol.Pos
	}
	st.BasePlaces++
	st.BaseModel = sol.Model
	// A plain mean at first, then one that forgets.
	k := math.Max(1/float64(st.BasePlaces), 1-math.Exp(-dt/placeTime))
	st.BasePlace.X += k * (sol.Pos.X - st.BasePlace.X)
	st.BasePlace.Y += k * (sol.Pos.Y - st.BasePlace.Y)
	st.BasePlace.Z += k * (sol.Pos.Z - st.BasePlace.Z)
	w.compare()
}

func (w *Watch) compare() {
	st := &w.st
	st.BaseOff = math.NaN()
	if st.BasePlaces > 0 && st.BaseSaid != (geodesy.ECEF{}) {
		st.BaseOff = st.BasePlace.Dist(st.BaseSaid)
	}
}
