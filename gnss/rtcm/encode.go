package rtcm

import (
	"math"

	"kerbline/gnss/geodesy"
)

// Frame returns payload (at most 1023 bytes) as a frame: preamble, length,
// payload, CRC-24Q. It panics on a longer payload, which is the caller's bug.
func Frame(payload []byte) []byte { return AppendFrame(nil, payload) }

// AppendFrame is Frame, appended to dst.
func AppendFrame(dst, payload []byte) []byte {
	if len(payload) > maxPayload {
		panic("rtcm: AppendFrame: payload longer than 1023 bytes")
	}
	start := len(dst)
	dst = append(dst, preamble, byte(len(payload)>>8), byte(len(payload)))
	dst = append(dst, payload...)
	crc := CRC24Q(dst[start:])
	return append(dst, byte(crc>>16), byte(crc>>8), byte(crc))
}

// Reseal rewrites the CRC of a whole frame whose bytes were changed.
func Reseal(frame []byte) {
	k := len(frame) - crcLen
	crc := CRC24Q(frame[:k])
	frame[k], frame[k+1], frame[k+2] = byte(crc>>16), byte(crc>>8), byte(crc)
}

// bitWriter appends fields of any width, most significant bit first.
type bitWriter struct {
	b []byte
	n int // bits written
}

func (w *bitWriter) put(v uint64, n int) {
	for n > 0 {
		free := 8 - w.n&7 // bits left in the last byte
		if free == 8 {
			w.b = append(w.b, 0)
		}
		k := min(n, free)
		w.b[len(w.b)-1] |= byte(v>>(n-k)) & (1<<k - 1) << (free - k)
		w.n += k
		n -= k
	}
}

// setField overwrites n bits of b at bit position pos.
func setField(b []byte, pos, n int, v uint64) {
	for i := range n {
		k := pos + i
		bit := byte(v>>(n-1-i)&1) << (7 - k&7)
		b[k>>3] = b[k>>3]&^(0x80>>(k&7)) | bit
	}
}

// coordinate is an ECEF coordinate in m as the 38 bits of DF025 to DF027
// (0.1 mm).
func coordinate(m float64) uint64 { return uint64(int64(math.Round(m * 1e4))) }

// EncodeBase returns a frame 1005 or, when number is 1006, one with the
// antenna height in m (0 to 6.5535).
func EncodeBase(number, station int, arp geodesy.ECEF, antennaHeight float64) []byte {
	var w bitWriter
	w.put(uint64(number), 12)
	w.put(uint64(station), 12)
	w.put(0, 6)     // DF021 ITRF year
	w.put(0b111, 3) // DF022 to DF024: GPS, GLONASS, Galileo served
	w.put(0, 1)     // DF141 a real station
	w.put(coordinate(arp.X), 38)
	w.put(0, 2) // DF142 oscillator, reserved
	w.put(coordinate(arp.Y), 38)
	w.put(0, 2) // DF364 quarter cycle
	w.put(coordinate(arp.Z), 38)
	if number == 1006 {
		w.put(uint64(math.Round(antennaHeight*1e4)), 16)
	}
	return Frame(w.b)
}

// MoveBase changes the coordinates in a whole frame 1005 or 1006 and renews
// its CRC. It reports false, and changes nothing, for any other frame.
func MoveBase(frame []byte, arp geodesy.ECEF) bool {
	var m Message
	m.Decode(frame)
	if !m.HasBase {
		return false
	}
	p := frame[headLen:]
	setField(p, 34, 38, coordinate(arp.X))
	setField(p, 74, 38, coordinate(arp.Y))
	setField(p, 114, 38, coordinate(arp.Z))
	Reseal(frame)
	return true
}

// SetStation changes the reference station id in a whole frame that has one
// and renews its CRC. It reports false for any other frame.
func SetStation(frame []byte, station int) bool {
	var m Message
	m.Decode(frame)
	if m.Station < 0 {
		return false
	}
	setField(frame[headLen:], 12, 12, uint64(station))
	Reseal(frame)
	return true
}

// MSM describes a synthetic observation message for [EncodeMSM].
type MSM struct {
	System  System
	Type    int   // 1-7
	Station int   // reference station id
	EpochMs int64 // ms of the week (GPS time; BDT for BeiDou) or of the Moscow day
	Day     int   // GLONASS: day of the week, 0 Sunday
	More    bool  // further messages of the epoch follow
	Sats    []int // satellite ids, 1-64
	Signals []int // signal ids, 1-32
	Filler  uint64
}

// EncodeMSM returns a frame with the header and masks of m: every satellite
// has every signal, and the observations themselves are filler made from
// m.Filler, the same for the same seed. It panics when the masks hold more than
// 64 cells or the type is none, which is the caller's bug.
func EncodeMSM(m MSM) []byte {
	cells := len(m.Sats) * len(m.Signals)
	if m.Type < 1 || m.Type > 7 || m.System >= NSystems || cells > 64 {
		panic("rtcm: EncodeMSM: want type 1-7, a system and at most 64 cells")
	}
	var w bitWriter
	w.put(uint64(1070+10*int(m.System)+m.Type), 12)
	w.put(uint64(m.Station), 12)
	if m.System == GLONASS {
		w.put(uint64(m.Day), 3)
		w.put(uint64(m.EpochMs), 27)
	} else {
		w.put(uint64(m.EpochMs), 30)
	}
	more := uint64(0)
	if m.More {
		more = 1
	}
	w.put(more, 1)
	w.put(0, 18) // DF409, reserved, DF411, DF412, DF417, DF418
	w.put(mask(m.Sats, 64), 64)
	w.put(mask(m.Signals, 32), 32)
	w.put(math.MaxUint64, cells)
	// Filler by a linear congruential generator (constants of Knuth's MMIX).
	x := m.Filler
	for body := len(m.Sats)*msmSatBits[m.Type] + cells*msmCellBits[m.Type]; body > 0; {
		n := min(body, 32)
		x = x*6364136223846793005 + 1442695040888963407
		w.put(x>>32, n)
		body -= n
	}
	return Frame(w.b)
}

// mask sets bit id for each id, 1 being the most significant of width bits.
func mask(ids []int, width int) uint64 {
	var m uint64
	for _, id := range ids {
		m |= 1 << (width - id)
	}
	return m
}

// EncodeBiases returns a frame 1230 with the GLONASS code-phase biases L1 C/A,
// L1 P, L2 C/A and L2 P in m (0.02 m steps).
func EncodeBiases(station int, bias [4]float64) []byte {
	var w bitWriter
	w.put(1230, 12)
	w.put(uint64(station), 12)
	w.put(1, 1) // DF421: biases are aligned
	w.put(0, 3)
	w.put(0b1111, 4)
	for _, b := range bias {
		w.put(uint64(int64(math.Round(b/0.02))), 16)
	}
	return Frame(w.b)
}

// EncodeDescriptors returns a frame 1033: antenna, its serial number,
// receiver, firmware and the receiver's serial number, each at most 31 bytes.
func EncodeDescriptors(station int, antenna, antennaSerial, receiver, firmware, receiverSerial string) []byte {
	var w bitWriter
	text := func(s string) {
		w.put(uint64(len(s)), 8)
		for i := range len(s) {
			w.put(uint64(s[i]), 8)
		}
	}
	w.put(1033, 12)
	w.put(uint64(station), 12)
	text(antenna)
	w.put(0, 8) // DF031 setup id
	text(antennaSerial)
	text(receiver)
	text(firmware)
	text(receiverSerial)
	return Frame(w.b)
}
