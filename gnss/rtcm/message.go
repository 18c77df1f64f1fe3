package rtcm

import (
	"kerbline/gnss/geodesy"
	"kerbline/gnss/satellite"
)

// System is a satellite constellation, by the MSM message number.
type System = satellite.System

const (
	GPS      = satellite.GPS
	GLONASS  = satellite.GLONASS
	Galileo  = satellite.Galileo
	SBAS     = satellite.SBAS
	QZSS     = satellite.QZSS
	BeiDou   = satellite.BeiDou
	NavIC    = satellite.NavIC
	NSystems = satellite.NSystems
	NoSystem = satellite.NoSystem // not an observation message
)

// Refusal says why bytes of a stream belong to no valid frame.
type Refusal uint8

const (
	Unframed    Refusal = iota // no preamble, or reserved bits set
	BadCRC                     // framed, but the CRC-24Q differs
	Cut                        // begun, but the stream ended or a whole frame came first
	NumRefusals                // count of the above
)

// String returns the reason in words.
func (r Refusal) String() string {
	if r < NumRefusals {
		return refusalNames[r]
	}
	return "unknown"
}

var refusalNames = [NumRefusals]string{"outside any frame", "CRC mismatch", "cut short"}

// Message is the header of one RTCM 3 message, decoded as far as the monitor
// needs: who sent it, which epoch it observes, where the base stands.
type Message struct {
	Number  int    // message number, DF002
	Station int    // reference station id, DF003; -1 where the message has none
	Bytes   int    // whole frame, preamble to CRC
	CRC     uint32 // CRC-24Q as sent: together with the time it tells one frame from another

	// Observation messages (MSM 1071-1137; legacy 1001-1004, 1009-1012).
	System  System // NoSystem for other messages
	MSM     int    // 1-7, 0 for legacy and other messages
	EpochMs int64  // ms as sent: time of week (GPS, BDT) or of the Moscow day (GLONASS); -1 for none
	Day     int    // GLONASS MSM day of week (0 Sunday, 7 unknown), else -1
	More    bool   // multiple message bit: further messages of this epoch follow
	Sats    int    // satellites in the mask
	Signals int    // signals in the mask
	Cells   int    // satellite-signal pairs sent

	// Station messages (1005, 1006).
	HasBase       bool
	Base          geodesy.ECEF // m, antenna reference point
	AntennaHeight float64      // m, 1006 only

	// Truncated is set when the payload ends before the fields it must hold;
	// the fields above are then those that were whole.
	Truncated bool
}
