package fusion

import (
	"kerbline/fusion/navigation"
	"kerbline/fusion/symptoms"
	"kerbline/gnss"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/rtcm"
)

// Channel names one input of the monitor; its number is stable in recordings.
type Channel uint8

const (
	ChanNMEA         Channel = iota // receiver bytes: sentences, possibly among binary frames
	ChanCorrections                 // RTCM 3 bytes as they came over the link
	ChanIMU                         // CSV lines t,wx,wy,wz,fx,fy,fz
	ChanWheel                       // CSV lines t,v
	ChanTick                        // no bytes: time passed and nothing else came
	ChanNote                        // text from the shell: "source nmea lost: no such device", "mark start-finish"
	ChanObservations                // RTCM 3 bytes of the rover's own observations and ephemerides
	nChannels
)

// Notes of the base's end, where something that watches it says so.
const (
	NoteBaseSends   = "base: sends"   // the base receiver sends
	NoteBaseSilent  = "base: silent"  // it sends nothing, its computer runs
	NoteBaseUnheard = "base: unheard" // nothing is heard of its computer
)

// NumChannels counts the channels.
const NumChannels = int(nChannels)

// String returns the name a channel has in recordings and messages.
func (c Channel) String() string {
	if c < nChannels {
		return channelNames[c]
	}
	return "unknown"
}

var channelNames = [...]string{"nmea", "corrections", "imu", "wheel", "tick", "note", "observations"}

// Record is one arrival, raw: what the recorder writes before anything is
// interpreted.
type Record struct {
	T       float64 // host Unix s of arrival
	Channel Channel
	Data    []byte // as it came; a chunk may hold part of a sentence or several
}

// Kind says which field of a Measurement is filled.
type Kind uint8

const (
	KindTick        Kind = iota // time only
	KindIMU                     // W, F
	KindWheel                   // V
	KindEpoch                   // Epoch
	KindFrame                   // Frame: one whole RTCM frame
	KindLink                    // N bytes arrived on the correction link, before framing
	KindJunk                    // N bytes of the link belonged to no valid frame; Reason says why
	KindRefused                 // a line or value was refused on Channel; Reason and Note say why
	KindNote                    // Note
	KindRoverFrame              // Frame: one whole RTCM frame on the rover's own port
	KindObservation             // Observed: what the rover, or on ChanCorrections the base, observed in an epoch
	KindEphemeris               // Ephemeris: one set, heard on Channel
	KindSymptom                 // Symptom: what is wrong with an input
	KindColumns                 // Note: the columns of Channel's lines, as a line of names told them
	KindTake                    // Config: settings to go on with
	nKinds
)

// NumKinds counts the kinds.
const NumKinds = int(nKinds)

// Measurement is one decoded record. The Monitor keeps no reference to it or
// to what it points to after Step returns.
type Measurement struct {
	T         float64 // host Unix s: of arrival; for IMU and wheel lines their own time column
	Kind      Kind
	Channel   Channel
	Reason    uint8      // KindJunk: rtcm.Refusal; KindRefused: Refusal
	N         int32      // KindLink, KindJunk: bytes
	W, F      [3]float64 // KindIMU: rad/s and m/s^2 (specific force), body forward-left-up
	V         float64    // KindWheel: m/s forward
	Epoch     *gnss.Epoch
	Frame     *rtcm.Message
	Observed  *observation.Epoch
	Ephemeris *orbit.Ephemeris
	Symptom   *symptoms.Finding
	Config    *Config
	Note      string // KindNote, KindRefused: text
}

// AddTo gives a recording what the measurement says of the motion.
func (m *Measurement) AddTo(r *navigation.Recording) {
	switch {
	case m.Kind == KindIMU:
		r.AddIMU(m.T, m.W, m.F)
	case m.Kind == KindWheel:
		r.AddWheel(m.T, m.V)
	case m.Kind == KindEpoch && m.Epoch != nil:
		r.AddEpoch(m.Epoch)
	}
}
