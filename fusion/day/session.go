package day

import (
	"math"
	"time"

	"kerbline/fusion"
	"kerbline/fusion/outlook"
	"kerbline/fusion/score"
	"kerbline/fusion/symptoms"
	"kerbline/fusion/words"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/reception"
)

const numAxes = int(score.NumAxes)

// QualityClass sorts what the receiver says of its position.
type QualityClass uint8

const (
	ClassNone  QualityClass = iota // no position, or none for a second
	ClassOther                     // single, code differential and the rest
	ClassFloat
	ClassFixed
	NumClasses
)

// String returns the word used in figures.
func (q QualityClass) String() string {
	return [NumClasses]string{"none", "other", "float", "fixed"}[q]
}

// Link conditions and verdicts counted by time.
const (
	numVerdicts   = 4
	numConditions = 6
)

// Session is what one recording, or one while of listening, showed.
type Session struct {
	Name   string
	Config *fusion.Config // the settings it was judged with
	Map    string         // tells maps apart, "" without one

	// Reception is what was known of the observations of rover and base at the
	// end, nil without any.
	Reception *reception.State

	Phases  PhaseTimes // what carrier phases did and said while driving
	Refuted []Refuted  // fixes that our own integers refuted

	// Times. X is s after the first verdict line throughout.
	HostStart float64 // host Unix s of the first verdict line
	Length    float64 // s
	UTCStart  float64 // Unix s of x = 0: by the receiver's clock when UTCKnown, else by the computer's
	UTCKnown  bool
	Lines     int

	Seconds  [numVerdicts]float64 // all of it, by verdict
	Moved    float64              // x of moving off, NaN when the car never did
	Driving  float64              // s of driving
	Settled  float64              // s of settled driving
	ByV      [numVerdicts]float64 // of these, by verdict
	FixedS   float64              // of these, with a fixed position
	Distance float64              // m driven

	FirstEpoch, FirstFix, FirstUsable float64 // x, NaN when never
	TopSpeed                          float64 // m/s, fastest usable settled driving; NaN when none
	OverCap                           float64 // s of usable settled driving faster than the speed cap
	caps                              capHistogram
	LowCap, LowCapWhere, LowCapX      float64 // lowest cap of usable settled driving

	Series Series
	Lap    LapGrid
	Track  Track

	Breaks  []Break // in order; at most maxBreaks
	NBreaks int
	Jumps   []Jump
	NJumps  int // without the ways back
	NDrifts int
	Outages []Outage
	NOut    int
	Events  []Happening // everything else worth a line: base, units, clock, gaps
	counts  map[fusion.EventKind]int

	Base       corrections.BaseState // worst seen
	BaseOff    float64               // m, largest from the reference; NaN when never heard
	BaseAt     float64               // x at which the base was first elsewhere, NaN when never
	MapBase    geodesy.ECEF          // where the base of the map's survey stood
	MapAsked   bool                  // whether it fits the base is to be judged
	HasMapBase bool                  // the map's file says so
	Taken      string                // settings taken for that run alone, empty for none
	Marked     bool                  // a check mark confirmed the position, and the base is still the same
	HasBase    bool                  // its coordinates were heard
	BaseFirst  geodesy.ECEF          // the first that were
	Stations   []int                 // ids the receiver named, in order; at most maxStations
	LinkS      [numConditions]float64
	MaxAge     float64 // s, while fixed and driving; NaN when none was told
	MaxAgeX    float64
	LinkUsual  float64 // s, usual latency of the corrections
	Latency    float64 // s, of an epoch
	EpochRate  float64 // Hz, last known; NaN without an epoch
	LatencySig float64

	IMURate  float64
	GyroBias float64                           // rad/s, largest axis
	AccBias  float64                           // m/s^2, largest axis
	AccNoise float64                           // m/s^2/sqrt(Hz), at rest; NaN when never at rest
	RestS    float64                           // s at rest behind it
	Symptoms [symptoms.NumIDs]symptoms.Finding // as last seen

	// By the drive alone: the antenna from where the settings have it, forward and
	// left, m, and 1 sigma, infinite where it did not show; last known.
	LeverOff, LeverSigma [2]float64
	level                [2]Mean // m, along and lateral level on usable lines

	detectable detectable

	HasIMU    bool
	HasWheel  bool
	HasCourse bool

	Rest  Rest
	Score *score.Result // nil without a truth file

	Sky *outlook.Outlook // the hours ahead; nil where nothing was heard of them

	// Live is set where only verdict lines were heard, which say less.
	Live bool
}

// Break is a time of driving that was not usable.
type Break struct {
	From, To  float64 // x; To is the end of the session when Open
	Open      bool
	Lost      float64 // s of driving in it
	Where     float64 // m along the lap, NaN unknown
	Coast     float64 // s, coast budget on the last usable line; NaN when there was none
	Handover  float64 // x at which dead reckoning no longer carried it, NaN when it did to the end
	coastFrom float64 // x of the first coasting line
	Said      float64 // s, the countdown as the coast began, NaN where there was none
	Ended     float64 // x at which the countdown ended: the car was to be handed over; NaN when it did not
	Why       string  // what ended the carrying, in words; "" when it did not end
	Reason    string  // the code that explains most of it
	Cause     string  // what it is put down to: a correction cause, "jump", or Reason
	Outage    int     // index of the outage behind it, -1
	reasons   tally
}

// Counted returns after how many s the countdown ended, NaN where it did not.
func (b *Break) Counted() float64 { return b.Ended - b.coastFrom }

// Jump is a step of the receiver's position under a fixed quality.
type Jump struct {
	X, Size, Where float64 // x, m, m along the lap
	Back           bool    // the step back from one before
}

// Outage is a correction outage as the monitor reported it.
type Outage struct {
	From, To float64 // x
	Cause    string
	Detail   string
	Where    float64
}

// Happening is any other event.
type Happening struct {
	X      float64
	Kind   fusion.EventKind
	Size   float64
	Where  float64
	Detail string
}

// Rest is how still the fixed positions stood while the car did.
type Rest struct {
	N    int     // epochs
	Span float64 // s
	sum  float64 // m^2 about the mean of each stretch
	free int     // degrees of freedom, two an epoch
}

// rms returns the horizontal scatter in m, NaN with fewer than 20 epochs.
func (r *Rest) rms() float64 {
	if r.N < 20 {
		return math.NaN()
	}
	return math.Sqrt(2 * r.sum / float64(r.free))
}

const (
	maxBreaks   = 512
	maxJumps    = 512
	maxOutages  = 256
	maxEvents   = 256
	maxStations = 16
)

// Hours returns the driving in h.
func (s *Session) Hours() float64 { return s.Driving / 3600 }

// Total returns the length by verdicts in s.
func (s *Session) Total() float64 {
	return s.Seconds[0] + s.Seconds[1] + s.Seconds[2] + s.Seconds[3]
}

// UsableShare returns the usable share of settled driving, NaN without any.
func (s *Session) UsableShare() float64 { return s.ByV[fusion.Usable] / s.Settled }

// FixedShare returns the share of settled driving with a fixed position.
func (s *Session) FixedShare() float64 { return s.FixedS / s.Settled }

// Count returns the number of events of kind k.
func (s *Session) Count(k fusion.EventKind) int { return s.counts[k] }

// Handovers returns how often the car had to be given away while driving.
func (s *Session) Handovers() int {
	n := 0
	for i := range s.Breaks {
		if !math.IsNaN(s.Breaks[i].Handover) {
			n++
		}
	}
	return n
}

// UTC returns the Unix time of x.
func (s *Session) UTC(x float64) float64 { return s.UTCStart + x }

// Clock returns the time of day of x, "09:02:18 UTC", with the local time where
// the settings name a zone, "09:02:18 UTC (11:02:18 CEST)"; "—" when unknown.
func (s *Session) Clock(x float64) string {
	if math.IsNaN(x) {
		return words.Dash
	}
	c := s.TimeOfDay(x) + " " + s.Zone()
	if l := s.Config.Zone().Beside(s.UTC(x), time.TimeOnly); l != "" {
		c += " (" + l + ")"
	}
	return c
}

// TimeOfDay returns the time of day of x alone, "09:02:18".
func (s *Session) TimeOfDay(x float64) string { return at(s.UTC(x)).Format(time.TimeOnly) }

// Date returns the day of the session.
func (s *Session) Date() string { return at(s.UTCStart).Format("2006-01-02") }

// Zone names the time scale of Clock.
func (s *Session) Zone() string {
	if s.UTCKnown {
		return "UTC"
	}
	return "UTC (computer)"
}

func at(unix float64) time.Time {
	// Cut to whole milliseconds, so that no second is shown before it began.
	return time.UnixMilli(int64(math.Floor(unix*1000 + 1e-3))).UTC()
}

// capHistogram holds seconds by speed cap in steps of 0.25 m/s.
type capHistogram [401]float64

const capStep = 0.25

func (h *capHistogram) add(v, dt float64) {
	if v >= 0 {
		h[min(int(v/capStep), len(h)-1)] += dt
	}
}

// quantile returns the lower edge of the step that holds quantile q.
func (h *capHistogram) quantile(q float64) float64 {
	total := 0.0
	for _, s := range h {
		total += s
	}
	if total == 0 {
		return math.NaN()
	}
	sum := 0.0
	for i, s := range h {
		if sum += s; sum >= q*total && s > 0 {
			return float64(i) * capStep
		}
	}
	return float64(len(h)-1) * capStep
}

// tally counts seconds by reason code; what does not fit is left out.
type tally struct {
	code [8]string
	s    [8]float64
}

func (t *tally) add(code string, dt float64) {
	for i := range t.code {
		if t.code[i] == code || t.code[i] == "" {
			t.code[i] = code
			t.s[i] += dt
			return
		}
	}
}

// most returns the code with the most seconds, the first on a tie. Serving the
// dwell is what follows a fault, never the fault, where there is another.
func (t *tally) most() string {
	best, s := "", 0.0
	for i, c := range t.code {
		if c != "" && c != "requalifying" && t.s[i] > s {
			best, s = c, t.s[i]
		}
	}
	if best == "" {
		return t.code[0]
	}
	return best
}
