package gnss

import (
	"math"
	"math/bits"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/nmea"
)

const (
	maxWait     = 0.15  // s after its first sentence an epoch is handed on
	maxWaitFix  = 0.5   // s, the same while the sentence with the position is missing: slow ports send it last
	sameInstant = 0.004 // s, receivers round the time of one epoch differently
	forget      = 1.0   // s, an untimed sentence older than this belongs to no coming epoch
	slotRate    = 100   // Hz, finest spacing of epochs for which usual sentences are distinguished
	pdopLife    = 2.5   // s, GSA is often sent slower than the position
)

// mask is a set of sentence types.
type mask uint16

func bit(t nmea.Type) mask { return 1 << t }

// solution is the set of sentences that report a solution or its absence;
// without one of them there is no epoch.
var solution = bit(nmea.GGA) | bit(nmea.GNS) | bit(nmea.RMC)

// Assembler puts the sentences of one UTC time together, in whatever order
// they come and whichever are missing.
//
// An epoch is handed on as soon as all sentences have come that usually come,
// or came at this fraction of the second before (a receiver may send the
// velocity only once a second), else when a sentence with another time arrives, else 0.15 s after
// its first sentence. Sentences after that are dropped and counted.
//
// The position is taken whole from one sentence: GGA, without it GNS, without
// both RMC. Talkers are not distinguished, GP and GN of one receiver are one
// epoch, until a second receiver shows itself by a GGA of its own: then that
// talker is ignored for as long as the first goes on.
//
// VTG, HDT and THS carry no time: they belong to the epoch they stand closest
// to, as learned from when they arrive. GSV and GSA come slower than epochs and
// report the latest state.
//
// The date is the receiver's (RMC, ZDA), carried over midnight; until it has
// gave one, the day nearest to host time. A date 1024 weeks early is put right
// by host time.
type Assembler struct {
	open    bool
	d       draft
	sky     sky
	talkers talkerFilter
	dropped Dropped

	slots  [slotRate + 1][2]mask // types in the last two epochs at that fraction of a second; the last is for no time
	runs   [nmea.NumTypes]uint16 // a bit for each of the last 16 epochs, set where the type was there
	epochs int                   // so far, to 16
	mostly mask                  // types in more than 60 % of those epochs

	closed    bool // lastTime and lastT are of an epoch
	lastTime  float64
	lastT     float64 // arrival
	lastSlot  int
	dated     bool // refUTC is a UTC with the receiver's date, at host time refT
	refUTC    float64
	refT      float64
	weeks     int // added to that date
	pdop      float64
	pdopT     float64
	timedT    float64 // host time of the last sentence with a time
	untimed   [3]untimed
	untimedAt mask // untimed sentences since then
}

// Dropped counts sentences that reached no epoch.
type Dropped struct {
	Late    uint64 // after their epoch was handed on
	Twice   uint64 // a second one of a type in one epoch
	Foreign uint64 // of another receiver
}

// draft is an epoch in the making.
type draft struct {
	time    float64 // s of day; NaN when the receiver has none
	arrival float64
	slot    int
	seen    mask
	fixes   [3]fix // GGA, GNS, RMC
	e       Epoch
}

// fix is what one sentence says about the position.
type fix struct {
	talker        [2]byte
	lat, lon, h   float64
	quality       Quality
	used, station int
	hdop, age     float64
}

// untimed is a sentence without a time: VTG, HDT or THS.
type untimed struct {
	s     nmea.Sentence
	t     float64
	held  bool    // waiting for the next epoch
	leads float64 // s, by how much it stands closer to the epoch after it than to the one before
}

var untimedTypes = [...]nmea.Type{nmea.VTG, nmea.HDT, nmea.THS}

// NewAssembler returns an assembler that has seen nothing.
func NewAssembler() *Assembler { return &Assembler{pdop: math.NaN()} }

// Dropped returns the sentences so far that reached no epoch.
func (a *Assembler) Dropped() Dropped { return a.dropped }

// Push takes a sentence that arrived at host time t (Unix s). It calls emit
// for every epoch that is then done; the epoch is the receiver's to keep.
func (a *Assembler) Push(t float64, s *nmea.Sentence, emit func(*Epoch)) {
	switch s.Type {
	case nmea.GSV:
		a.sky.add(t, s)
	case nmea.GSA:
		a.pdop, a.pdopT = s.PDOP, t
	case nmea.VTG, nmea.HDT, nmea.THS:
		a.pushUntimed(t, s, emit)
	case nmea.ZDA: // some receivers send it long before the solution of its time
		a.date(t, s)
	case nmea.GGA, nmea.GNS, nmea.RMC, nmea.GST, nmea.GBS:
		a.pushTimed(t, s, emit)
	}
}

// Tick takes the host time t.
func (a *Assembler) Tick(t float64, emit func(*Epoch)) {
	if a.open && a.overdue(t) {
		a.close(t, emit)
	}
}

// Flush hands on the epoch still open when the stream ends at host time t.
func (a *Assembler) Flush(t float64, emit func(*Epoch)) {
	if a.open {
		a.close(t, emit)
	}
}

// overdue reports whether the open epoch has waited long enough at t. A host
// clock that stepped back does not make it wait again.
func (a *Assembler) overdue(t float64) bool {
	wait := maxWait
	need := a.need()
	for _, typ := range [...]nmea.Type{nmea.GGA, nmea.GNS} {
		if need&bit(typ) != 0 {
			if a.d.seen&bit(typ) == 0 {
				wait = maxWaitFix
			}
			break
		}
	}
	return math.Abs(t-a.d.arrival) >= wait
}

// need returns the types that usually make up an epoch like the open one.
func (a *Assembler) need() mask {
	u := &a.slots[a.d.slot]
	return a.mostly | u[0] | u[1]
}

// learn takes the types of an epoch that is closed.
func (a *Assembler) learn(slot int, seen mask) {
	u := &a.slots[slot]
	u[1], u[0] = u[0], seen
	a.epochs = min(a.epochs+1, 16)
	a.mostly = 0
	for typ := range a.runs {
		a.runs[typ] <<= 1
		if seen&(1<<typ) != 0 {
			a.runs[typ] |= 1
		}
		if 10*bits.OnesCount16(a.runs[typ]) > 6*a.epochs {
			a.mostly |= 1 << typ
		}
	}
}

// late notes that a sentence came after its epoch was closed, so that the next
// epoch like it waits for one.
func (a *Assembler) late(typ nmea.Type) {
	a.dropped.Late++
	a.slots[a.lastSlot][0] |= bit(typ)
	a.runs[typ] |= 1
}

func same(x, y float64) bool { return math.Abs(x-y) < sameInstant }

func slotOf(time float64) int {
	if math.IsNaN(time) {
		return slotRate
	}
	return int(math.Round((time-math.Floor(time))*slotRate)) % slotRate
}

func (a *Assembler) pushTimed(t float64, s *nmea.Sentence, emit func(*Epoch)) {
	var rival bool
	if s.Type == nmea.GGA {
		rival = a.talkers.fix(t, s.Talker, a.open && same(a.d.time, s.Time) && a.d.seen&bit(nmea.GGA) != 0, a.d.fixes[0].talker)
	}
	if a.talkers.foreign(t, s.Talker) {
		a.dropped.Foreign++
		return
	}
	a.learnLeads(t)
	a.date(t, s)
	untold := math.IsNaN(s.Time)
	switch {
	case a.open && same(a.d.time, s.Time):
	case a.open && untold && math.IsNaN(a.d.time) && a.d.seen&bit(s.Type) == 0:
	case a.closed && same(a.lastTime, s.Time) && math.Abs(t-a.lastT) < gnsstime.Day/2:
		a.late(s.Type)
		return
	case a.closed && a.behind(t, s.Time):
		a.dropped.Late++
		return
	default:
		if a.open {
			a.close(t, emit)
		}
		a.begin(t, s.Time)
	}
	if a.d.seen&bit(s.Type) != 0 && !rival {
		a.dropped.Twice++
		return
	}
	a.d.seen |= bit(s.Type)
	a.d.take(s)
	a.closeIfWhole(t, emit)
}

// behind reports whether time is a little before the epoch last handed on: a
// straggler of an earlier one, not a clock set back.
func (a *Assembler) behind(t, time float64) bool {
	const little = 0.5 // s
	dt := gnsstime.Since(time, a.lastTime, gnsstime.Day)
	return dt < 0 && dt >= -little && math.Abs(t-a.lastT) < little
}

func (a *Assembler) closeIfWhole(t float64, emit func(*Epoch)) {
	if need := a.need(); need != 0 && a.d.seen&solution != 0 && a.d.seen&need == need {
		a.close(t, emit)
	}
}

// begin opens an epoch and gives it the untimed sentences that waited for it.
func (a *Assembler) begin(t, time float64) {
	a.open = true
	a.d = draft{time: time, arrival: t, slot: slotOf(time), e: unknownEpoch}
	for i := range a.untimed {
		u := &a.untimed[i]
		if u.held && math.Abs(t-u.t) < forget {
			a.d.seen |= bit(untimedTypes[i])
			a.d.take(&u.s)
		}
		u.held = false
	}
}

// learnLeads notes, when a sentence with a time arrives, on which side of a gap
// the untimed sentences before it stood.
func (a *Assembler) learnLeads(t float64) {
	for i := range a.untimed {
		if a.untimedAt&bit(untimedTypes[i]) != 0 && a.timedT != 0 {
			u := &a.untimed[i]
			u.leads += 0.25 * (math.Max(-1, math.Min(1, (u.t-a.timedT)-(t-u.t))) - u.leads)
		}
	}
	a.untimedAt = 0
	a.timedT = t
}

func (a *Assembler) pushUntimed(t float64, s *nmea.Sentence, emit func(*Epoch)) {
	if a.talkers.foreign(t, s.Talker) {
		a.dropped.Foreign++
		return
	}
	i := 0
	for untimedTypes[i] != s.Type {
		i++
	}
	u := &a.untimed[i]
	u.t = t
	a.untimedAt |= bit(s.Type)
	const clearly = 0.01 // s
	switch {
	case u.leads > clearly || !a.open && u.leads == 0:
		u.s, u.held = *s, true
	case a.open:
		a.d.seen |= bit(s.Type)
		a.d.take(s)
		a.closeIfWhole(t, emit)
	case a.closed:
		a.late(s.Type)
	}
}

var unknownEpoch = Epoch{
	UTC: math.NaN(), Quality: QualityUnknown, Sats: -1,
	HDOP: math.NaN(), PDOP: math.NaN(), Age: math.NaN(), Station: -1,
	Speed: math.NaN(), Course: math.NaN(),
	SigmaN: math.NaN(), SigmaE: math.NaN(), SigmaU: math.NaN(), RMSRange: math.NaN(),
	FaultSat: -1, FaultBias: math.NaN(), FaultSigma: math.NaN(),
	ErrN: math.NaN(), ErrE: math.NaN(), ErrU: math.NaN(),
	Heading: math.NaN(), Tracked: -1, CN0: math.NaN(),
}

// take writes what s says into the draft.
func (d *draft) take(s *nmea.Sentence) {
	e := &d.e
	switch s.Type {
	case nmea.GGA:
		d.fixes[0] = fixOf(s, QualityUnknown)
		if s.Quality >= 0 {
			d.fixes[0].quality = Quality(s.Quality)
		}
	case nmea.GNS:
		d.fixes[1] = fixOf(s, qualityOf(s.Mode))
		if e.Mode == 0 {
			e.Mode = s.Mode
		}
		if e.Nav == 0 {
			e.Nav = s.Nav
		}
	case nmea.RMC:
		d.fixes[2] = fixOf(s, qualityOf(s.Mode))
		if s.Status == 'V' {
			d.fixes[2].quality = QualityNone
		}
		e.Speed, e.Course, e.Status = s.Speed, s.Course, s.Status
		if s.Mode != 0 {
			e.Mode = s.Mode
		}
		if s.Nav != 0 {
			e.Nav = s.Nav
		}
	case nmea.VTG: // RMC says the same with a time to it
		if d.seen&bit(nmea.RMC) == 0 || math.IsNaN(e.Speed) {
			e.Speed, e.Course = s.Speed, s.Course
		}
		if e.Mode == 0 {
			e.Mode = s.Mode
		}
	case nmea.GST:
		e.SigmaN, e.SigmaE, e.SigmaU, e.RMSRange = s.SigN, s.SigE, s.SigU, s.RMSRange
	case nmea.GBS:
		e.FaultSat, e.FaultBias, e.FaultSigma = s.FaultSat, s.FaultBias, s.FaultSig
		e.ErrN, e.ErrE, e.ErrU = s.ErrN, s.ErrE, s.ErrU
	case nmea.HDT:
		if d.seen&bit(nmea.THS) == 0 { // THS also says when it is not valid
			e.Heading = s.Heading
		}
	case nmea.THS:
		e.Heading = s.Heading
	}
}

func fixOf(s *nmea.Sentence, q Quality) fix {
	return fix{talker: s.Talker, lat: s.Lat, lon: s.Lon, h: s.Alt + s.Sep, quality: q,
		used: s.Used, station: s.Station, hdop: s.HDOP, age: s.Age}
}

// qualityOf returns the GGA quality that a positioning mode letter stands for.
func qualityOf(mode byte) Quality {
	switch mode {
	case 'N':
		return QualityNone
	case 'A':
		return QualitySingle
	case 'D':
		return QualityDiff
	case 'P':
		return QualityPPS
	case 'R':
		return QualityFixed
	case 'F':
		return QualityFloat
	case 'E':
		return QualityEstimated
	case 'M':
		return QualityManual
	case 'S':
		return QualitySimulated
	}
	return QualityUnknown
}

// close ends the open epoch at host time t and hands it on if it reports a
// solution.
func (a *Assembler) close(t float64, emit func(*Epoch)) {
	d := &a.d
	a.open = false
	a.learn(d.slot, d.seen)
	if d.seen&solution == 0 {
		return
	}
	a.closed, a.lastTime, a.lastT, a.lastSlot = true, d.time, d.arrival, d.slot
	e := new(Epoch)
	*e = d.e
	e.Arrival, e.Complete = d.arrival, t
	a.place(d.time, e)
	for i, typ := range [...]nmea.Type{nmea.GGA, nmea.GNS, nmea.RMC} {
		if d.seen&bit(typ) == 0 {
			continue
		}
		f := &d.fixes[i]
		e.Talker, e.Quality = f.talker, f.quality
		e.Sats, e.HDOP, e.Age, e.Station = f.used, f.hdop, f.age, f.station
		if f.quality != QualityNone && !math.IsNaN(f.lat) && !math.IsNaN(e.UTC) {
			e.HasPos = true
			e.Pos = geodesy.LLA{Lat: f.lat, Lon: f.lon}
			if !math.IsNaN(f.h) {
				e.HasH, e.Pos.H = true, f.h
			}
		}
		break
	}
	if math.Abs(d.arrival-a.pdopT) < pdopLife {
		e.PDOP = a.pdop
	}
	e.Tracked, e.Of, e.CN0 = a.sky.state(d.arrival)
	emit(e)
}

// date keeps the date of s, if it has one.
func (a *Assembler) date(t float64, s *nmea.Sentence) {
	if s.Date < 0 || math.IsNaN(s.Time) {
		return
	}
	utc := float64(s.Date)*gnsstime.Day + s.Time
	a.weeks = gnsstime.MissedRollover(utc, t)
	a.dated, a.refUTC, a.refT = true, utc+float64(a.weeks)*gnsstime.Week, t
}

// place gives e its instant from the time of day.
func (a *Assembler) place(time float64, e *Epoch) {
	if math.IsNaN(time) {
		return
	}
	if !a.dated {
		e.UTC = nearestDay(time, e.Arrival)
		return
	}
	e.UTC, e.DateSeen, e.WeeksAdded = nearestDay(time, a.refUTC+e.Arrival-a.refT), true, a.weeks
	a.refUTC, a.refT = e.UTC, e.Arrival
}

// nearestDay returns the Unix time with the time of day that is closest to
// near.
func nearestDay(time, near float64) float64 {
	return time + gnsstime.Day*math.Round((near-time)/gnsstime.Day)
}
