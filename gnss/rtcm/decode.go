package rtcm

import (
	"math"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
)

// Frame sizes in bytes: preamble, six reserved bits and ten of length before
// the payload, CRC-24Q after it.
const (
	preamble   = 0xD3
	headLen    = 3
	crcLen     = 3
	minFrame   = headLen + crcLen
	maxPayload = 1023
	maxFrame   = headLen + maxPayload + crcLen
)

// Bits before the cell mask of an MSM (RTCM 10403.x: message number to DF395).
const msmHead = 169

// Bits an MSM holds per satellite and per cell, by MSM type 1-7.
var (
	msmSatBits  = [8]int{0, 10, 10, 10, 18, 36, 18, 36}
	msmCellBits = [8]int{0, 15, 27, 42, 48, 63, 65, 80}
)

// Bits a legacy observation message holds per satellite, by number minus 1001:
// the sum of its fields (field sizes as in pyrtcm, citing RTCM 10403.3).
var legacySatBits = [12]int{58, 74, 101, 125, 0, 0, 0, 0, 64, 79, 107, 130}

// Decode reads the header of one whole frame, preamble to CRC, into m. The
// CRC is the caller's to check; a payload too short for its fields sets
// Truncated and never panics.
func (m *Message) Decode(frame []byte) {
	*m = Message{Station: -1, System: NoSystem, EpochMs: -1, Day: -1, Bytes: len(frame)}
	if len(frame) < minFrame {
		m.Truncated = true
		return
	}
	end := len(frame) - crcLen
	m.CRC = uint32(frame[end])<<16 | uint32(frame[end+1])<<8 | uint32(frame[end+2])
	p := frame[headLen:end]
	have := len(p) * 8
	if have < 12 {
		m.Truncated = true
		return
	}
	n := int(p[0])<<4 | int(p[1])>>4
	m.Number = n
	if !hasStation(n) {
		return
	}
	if have < 24 {
		m.Truncated = true
		return
	}
	m.Station = int(p[1]&15)<<8 | int(p[2])
	switch {
	case n > 1070 && n < 1138:
		m.decodeMSM(p, have)
	case n == 1005 || n == 1006:
		m.decodeBase(p, have)
	case n <= 1004 || n >= 1009 && n <= 1012:
		m.decodeLegacy(p, have)
	}
}

// hasStation reports whether the twelve bits after the message number are the
// reference station id (DF003).
func hasStation(n int) bool {
	switch {
	case n >= 1001 && n <= 1013, n == 1029, n == 1032, n == 1033, n == 1230:
		return true
	}
	_, typ := msm(n)
	return typ != 0
}

// msm splits an MSM message number into constellation and type 1-7; type 0
// means that n is none.
func msm(n int) (System, int) {
	k := n - 1070
	if k < 0 || k >= 10*int(NSystems) || k%10 == 0 || k%10 > 7 {
		return NoSystem, 0
	}
	return System(k / 10), k % 10
}

func (m *Message) decodeMSM(p []byte, have int) {
	m.System, m.MSM = msm(m.Number)
	if have < 55 {
		m.Truncated = true
		return
	}
	if m.System == GLONASS {
		// DF416 day of the week, DF034 ms of the Moscow day.
		m.Day = int(bitField(p, 24, 3))
		m.EpochMs = int64(bitField(p, 27, 27))
	} else {
		m.EpochMs = int64(bitField(p, 24, 30))
	}
	m.More = bitField(p, 54, 1) != 0
	if have < msmHead {
		m.Truncated = true
		return
	}
	m.Sats = countBits(p, 73, 64)
	m.Signals = countBits(p, 137, 32)
	mask := m.Sats * m.Signals
	if have < msmHead+mask {
		m.Truncated = true
		return
	}
	m.Cells = countBits(p, msmHead, mask)
	m.Truncated = have < msmHead+mask+m.Sats*msmSatBits[m.MSM]+m.Cells*msmCellBits[m.MSM]
}

func (m *Message) decodeBase(p []byte, have int) {
	need := 152
	if m.Number == 1006 {
		need = 168
	}
	m.Truncated = have < need
	if have < 152 {
		return
	}
	m.HasBase = true
	m.Base = geodesy.ECEF{
		X: float64(signedField(p, 34, 38)) * 1e-4,
		Y: float64(signedField(p, 74, 38)) * 1e-4,
		Z: float64(signedField(p, 114, 38)) * 1e-4,
	}
	if m.Number == 1006 && !m.Truncated {
		m.AntennaHeight = float64(bitField(p, 152, 16)) * 1e-4
	}
}

func (m *Message) decodeLegacy(p []byte, have int) {
	m.System = GPS
	epochBits := 30 // DF004
	if m.Number > 1004 {
		m.System = GLONASS
		epochBits = 27 // DF034
	}
	if have < 24+epochBits+10 {
		m.Truncated = true
		return
	}
	m.EpochMs = int64(bitField(p, 24, epochBits))
	m.More = bitField(p, 24+epochBits, 1) != 0
	m.Sats = int(bitField(p, 25+epochBits, 5))
	m.Signals = 1
	if m.Number%4 == 3 || m.Number%4 == 0 { // 1003, 1004, 1011, 1012: L1 and L2
		m.Signals = 2
	}
	m.Cells = m.Sats * m.Signals
	m.Truncated = have < 24+epochBits+10+m.Sats*legacySatBits[m.Number-1001]
}

// EpochClock dates the observations of a stream whose systems may not agree on
// the date: there are streams with SBAS messages of another day, or with a
// BeiDou count beyond a week. The system with the lowest number that goes on is
// believed; another that lies far from it takes its time. The zero value has
// heard nothing.
type EpochClock struct {
	utc   float64 // Unix s, of the system believed
	ref   System
	since int // observation messages of others since it
	begun bool
}

const (
	epochSpread = 30.0 // s, by which systems of one stream may be apart
	refGone     = 40   // messages of others after which another system is believed
)

// Epoch is [Message.Epoch], dated by the system that is believed.
func (c *EpochClock) Epoch(m *Message, near float64) float64 {
	utc := m.Epoch(near)
	if m.System == NoSystem || m.EpochMs < 0 {
		return utc
	}
	if !math.IsNaN(utc) && (!c.begun || m.System <= c.ref || c.since > refGone) {
		*c = EpochClock{utc: utc, ref: m.System, begun: true}
		return utc
	}
	c.since++
	if c.begun && !(math.Abs(utc-c.utc) <= epochSpread || math.Abs(utc-near) <= epochSpread) {
		return c.utc
	}
	return utc
}

// weekMs is a week in ms: no time of week is as long.
const weekMs = 604_800_000

// Epoch returns the Unix time in UTC of the observations in m, the one nearest
// to near (Unix s, right to half a week, or to half a day where a GLONASS
// message has no weekday). It is NaN for a message without an epoch, or with
// one that no week holds.
func (m *Message) Epoch(near float64) float64 {
	if m.System == NoSystem || m.EpochMs < 0 || m.System != GLONASS && m.EpochMs >= weekMs {
		return math.NaN()
	}
	switch m.System {
	case GLONASS:
		return gnsstime.GLONASSToUTC(m.Day, m.EpochMs, near)
	case BeiDou:
		return gnsstime.BDTToUTC(m.EpochMs, near)
	}
	// Galileo, SBAS, QZSS and NavIC count the seconds of the GPS week.
	return gnsstime.GPSToUTC(m.EpochMs, near)
}
