package fusion

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"kerbline/fusion/columns"
	"kerbline/gnss"
	"kerbline/gnss/nmea"
	"kerbline/gnss/rtcm"
)

// Refusal says why a line was refused.
type Refusal uint8

const (
	RefusedCut        Refusal = iota // breaks off before its end
	RefusedNoChecksum                // sentence without *hh
	RefusedTooLong                   // no end within the longest line there is
	RefusedNoStart                   // text without the start of a sentence
	RefusedTag                       // TAG block; the sentence behind it still counts
	RefusedChecksum                  // *hh differs
	RefusedFields                    // too few or too many fields
	RefusedField                     // a field is no number or of another form: text, NaN, Inf
	RefusedRange                     // a number no sensor can mean
	NumRefusals                      // count of the above
)

// String returns a few words for reports.
func (r Refusal) String() string {
	if r < NumRefusals {
		return refusalNames[r]
	}
	return "unknown"
}

var refusalNames = [NumRefusals]string{"cut off", "no checksum", "too long", "no start", "TAG block", "checksum", "number of fields", "bad field", "impossible value"}

// ofNMEA maps the reasons of package nmea.
var ofNMEA = [nmea.NumReasons]Refusal{
	nmea.Cut: RefusedCut, nmea.NoChecksum: RefusedNoChecksum, nmea.TooLong: RefusedTooLong, nmea.Headless: RefusedNoStart,
	nmea.BadTag: RefusedTag, nmea.BadChecksum: RefusedChecksum, nmea.TooShort: RefusedFields, nmea.BadField: RefusedField,
}

const (
	// Samples this many full scales out are damaged digits, not motion and not a
	// wrong unit: degrees for radians is a factor 57.
	beyondScale = 100
	maxWheel    = 1e5 // m/s: a car's speed in mm/s is read, and said to be that
)

// Decoder turns raw records into measurements. It frames sentences, RTCM
// frames and CSV lines across records, so records may be cut anywhere. Bad
// input is emitted as KindRefused or KindJunk and never stops anything.
//
// The same records give the same measurements: it reads no clock. IMU, wheel
// and corrections records cost no allocation.
type Decoder struct {
	emit func(*Measurement) // during a call
	t    float64            // host Unix s of the record at hand

	framer  nmea.Framer
	parser  *nmea.Parser
	epochs  *gnss.Assembler
	scanner rtcm.Scanner
	imu     csvLines
	wheel   csvLines

	cfg        Config
	maxW, maxF float64 // rad/s, m/s^2
	gnssOffset float64 // s, to UTC

	// One measurement per kind: only its own fields are ever set.
	tickM, imuM, wheelM, epochM, frameM, linkM, junkM, refusedM, noteM, roverM, columnsM Measurement

	latency                float64 // s, of the receiver by the settings
	imuUnread, wheelUnread unread
	imuSteps               repeats
	stepsM                 Measurement

	port        rtcm.Scanner // of the rover's observations
	rover, base *observed

	// Method values made once; made anew they would allocate.
	onLine    func(nmea.Line)
	onEpoch   func(*gnss.Epoch)
	onFrame   func(*rtcm.Message)
	onJunk    func(rtcm.Refusal, int)
	onIMULine func([]byte)
	onWheel   func([]byte)
	onRover   func(*rtcm.Message)
	onNoise   func(rtcm.Refusal, int)
}

// NewDecoder returns a decoder at the start of its streams. Of cfg it needs the
// full scales of the inertial sensor.
func NewDecoder(cfg Config) *Decoder {
	d := &Decoder{
		parser: nmea.NewParser(), epochs: gnss.NewAssembler(),
		tickM:    Measurement{Kind: KindTick, Channel: ChanTick},
		imuM:     Measurement{Kind: KindIMU, Channel: ChanIMU},
		wheelM:   Measurement{Kind: KindWheel, Channel: ChanWheel},
		epochM:   Measurement{Kind: KindEpoch, Channel: ChanNMEA},
		frameM:   Measurement{Kind: KindFrame, Channel: ChanCorrections},
		linkM:    Measurement{Kind: KindLink, Channel: ChanCorrections},
		junkM:    Measurement{Kind: KindJunk, Channel: ChanCorrections},
		refusedM: Measurement{Kind: KindRefused},
		noteM:    Measurement{Kind: KindNote, Channel: ChanNote},
		roverM:   Measurement{Kind: KindRoverFrame, Channel: ChanObservations},
	}
	d.rover, d.base = newObserved(d, ChanObservations), newObserved(d, ChanCorrections)
	d.onRover, d.onNoise = d.roverFrame, d.roverJunk
	d.configure(cfg)
	d.imu.held, d.wheel.held = make([]byte, 0, maxCSVLine), make([]byte, 0, maxCSVLine)
	d.onLine, d.onEpoch, d.onFrame, d.onJunk = d.line, d.epoch, d.frame, d.junk
	d.onIMULine, d.onWheel = d.imuLine, d.wheelLine
	return d
}

// configure reads on by the settings; columns that are none were refused with them.
func (d *Decoder) configure(cfg Config) {
	was := d.cfg.Columns
	d.cfg = cfg
	d.gnssOffset, d.latency = cfg.Columns.GNSSOffset, cfg.GNSS.Latency
	d.maxW, d.maxF = beyondScale*cfg.IMU.GyroRange, beyondScale*cfg.IMU.AccRange
	now := cfg.Columns
	if was.IMU == now.IMU && d.imu.line > 0 { // as a line of names told it
		now.IMU = d.imu.table.String()
	}
	if was.Wheel == now.Wheel && d.wheel.line > 0 {
		now.Wheel = d.wheel.table.String()
	}
	d.imu.table, _ = now.IMUTable()
	d.wheel.table, _ = now.WheelTable()
	d.imuUnread, d.wheelUnread = unread{imu: true}, unread{}
}

// Decode calls emit for every measurement that r completes, in order. The
// measurement is valid during the call; an Epoch in it is the receiver's to
// keep, a Frame, an Observed and an Ephemeris are not.
//
// Times are those of the record, but TAG-timed sentences, IMU and wheel lines
// carry their own, which win.
func (d *Decoder) Decode(r Record, emit func(*Measurement)) {
	d.emit, d.t = emit, r.T
	switch r.Channel {
	case ChanNMEA:
		d.framer.Push(r.T, r.Data, d.onLine)
	case ChanCorrections:
		d.linkM.T, d.linkM.N = r.T, int32(min(len(r.Data), math.MaxInt32))
		emit(&d.linkM)
		d.scanner.Push(r.Data, d.onFrame, d.onJunk)
	case ChanObservations:
		d.rover.on, d.base.on = true, true
		d.port.Push(r.Data, d.onRover, d.onNoise)
	case ChanIMU:
		d.imu.push(r.Data, d.onIMULine)
	case ChanWheel:
		d.wheel.push(r.Data, d.onWheel)
	case ChanTick:
		d.epochs.Tick(r.T, d.onEpoch)
		d.tickM.T = r.T
		emit(&d.tickM)
	case ChanNote:
		d.noteM.T, d.noteM.Note = r.T, string(r.Data)
		emit(&d.noteM)
		if list, ok := strings.CutPrefix(d.noteM.Note, takeNote); ok {
			d.takeValues(list)
		}
	}
}

// Close emits what the ends of the streams complete: last lines without line
// end, the last epoch. t is the host time of the last record.
func (d *Decoder) Close(t float64, emit func(*Measurement)) {
	d.emit, d.t = emit, t
	d.imu.flush(d.onIMULine)
	d.wheel.flush(d.onWheel)
	d.scanner.Flush(d.onJunk)
	d.base.join.Flush(d.base.emit)
	d.port.Flush(d.onNoise)
	d.rover.join.Flush(d.rover.emit)
	d.framer.Flush(t, d.onLine)
	d.epochs.Flush(t, d.onEpoch)
	for _, u := range [...]*unread{&d.imuUnread, &d.wheelUnread} {
		if u.lines.Seen > 0 {
			d.recognise(u)
		}
	}
}

func (d *Decoder) line(l nmea.Line) {
	err := l.Err
	if err == nil {
		s, e := d.parser.Parse(l.Text)
		if e == nil {
			d.epochs.Push(l.T, s, d.onEpoch)
			return
		}
		err = e
	}
	why := RefusedField
	var ne *nmea.Error
	if errors.As(err, &ne) {
		why = ofNMEA[ne.Reason]
	}
	d.refuse(l.T, ChanNMEA, why, err.Error())
}

func (d *Decoder) epoch(e *gnss.Epoch) {
	e.UTC += d.gnssOffset
	d.epochM.T, d.epochM.Epoch = e.Complete, e
	d.emit(&d.epochM)
	d.drove(&d.imuUnread, e)
	d.drove(&d.wheelUnread, e)
}

func (d *Decoder) frame(m *rtcm.Message) {
	d.frameM.T, d.frameM.Frame = d.t, m
	d.emit(&d.frameM)
	d.base.frame(d, m, d.scanner.Raw())
}

func (d *Decoder) junk(why rtcm.Refusal, n int) {
	d.junkM.T, d.junkM.Reason, d.junkM.N = d.t, uint8(why), int32(n)
	d.emit(&d.junkM)
}

// imuLine reads t,wx,wy,wz,fx,fy,fz.
func (d *Decoder) imuLine(line []byte) {
	var v [7]float64
	why := d.csv(ChanIMU, &d.imu, line, v[:])
	if why == headline {
		return
	}
	m := &d.imuM
	m.T, m.W, m.F = v[0], [3]float64(v[1:4]), [3]float64(v[4:7])
	if why == "" && (beyond(&m.W, d.maxW) || beyond(&m.F, d.maxF)) {
		why = d.refuseLine(ChanIMU, &d.imu, RefusedRange, fmt.Sprintf("%v rad/s, %v m/s^2 is over %d times full scale", m.W, m.F, beyondScale))
	} else if why == "" {
		d.emit(m)
		d.repeated(&d.imuSteps, m.T)
		why = d.elsewhen(m.T)
	}
	d.take(&d.imuUnread, line, why)
}

// wheelLine reads t,v.
func (d *Decoder) wheelLine(line []byte) {
	var v [2]float64
	why := d.csv(ChanWheel, &d.wheel, line, v[:])
	if why == headline {
		return
	}
	m := &d.wheelM
	m.T, m.V = v[0], v[1]
	if why == "" && !(math.Abs(m.V) <= maxWheel) {
		why = d.refuseLine(ChanWheel, &d.wheel, RefusedRange, fmt.Sprintf("%g m/s, want at most %g", m.V, maxWheel))
	} else if why == "" {
		d.emit(m)
		why = d.elsewhen(m.T)
	}
	d.take(&d.wheelUnread, line, why)
}

// elsewhen says that a line's own time is far from its arrival's, empty where it is
// not.
func (d *Decoder) elsewhen(t float64) string {
	if math.Abs(t-d.t) <= farClock {
		return ""
	}
	return farOffWhy
}

// farOffWhy is what is wrong with such a line.
const farOffWhy = "its times are hours or more from those of the receiver"

// headline stands for a line that holds no data and is none the worse for it.
const headline = "names"

// csv reads the numbers of a line, time first. Headers and empty lines are
// passed over; what is wrong is refused. It returns why, empty where nothing was.
func (d *Decoder) csv(ch Channel, c *csvLines, line []byte, out []float64) (why string) {
	if line == nil {
		return d.refuseLine(ch, c, RefusedTooLong, fmt.Sprintf("over %d bytes", maxCSVLine))
	}
	if c.line == 1 && len(line) >= 3 && string(line[:3]) == "\ufeff" {
		line = line[3:]
	}
	if c.table.Header(line) {
		d.tellColumns(ch, c)
		return headline
	}
	bad, text := c.table.Numbers(line, out)
	at := c.table.Wanted(columns.Time)
	t := out[at]
	switch {
	case bad < 0 && t >= 0 && t < columns.MaxUnix:
		for i, x := range out {
			if math.IsNaN(x) {
				return d.refuseLine(ch, c, RefusedField, fmt.Sprintf("%s is empty, want a number", c.table.Name(i)))
			}
		}
		return ""
	case NoData(line, c.line):
		return headline
	case bad < 0:
		return d.refuseLine(ch, c, RefusedRange, fmt.Sprintf("time is %g, want Unix s; where its unit or clock is another, tell %s or %s_offset_s", t, c.table.Key(), c.table.Key()))
	case text == nil:
		return d.refuseLine(ch, c, RefusedFields, fmt.Sprintf("%d fields, want the columns %s", c.table.Fields(line), c.table.String()))
	default:
		return d.refuseLine(ch, c, RefusedField, fmt.Sprintf("%s is %.40q, want a finite number", c.table.Name(bad), text))
	}
}

// tellColumns says what a line of names told, where that is not our own.
func (d *Decoder) tellColumns(ch Channel, c *csvLines) {
	if c.table.Plain() {
		return // as our own files have them
	}
	m := &d.columnsM
	*m = Measurement{T: d.t, Kind: KindColumns, Channel: ch, Note: c.table.String()}
	d.emit(m)
}

// refuseLine refuses a line and returns why in words.
func (d *Decoder) refuseLine(ch Channel, c *csvLines, why Refusal, text string) string {
	note := fmt.Sprintf("%s: line %d: %s", ch, c.line, text)
	d.refuse(d.t, ch, why, note)
	return note
}

func (d *Decoder) refuse(t float64, ch Channel, why Refusal, note string) {
	m := &d.refusedM
	m.T, m.Channel, m.Reason, m.Note = t, ch, uint8(why), note
	d.emit(m)
}
