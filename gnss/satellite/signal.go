package satellite

import "fmt"

// Signal is one signal of a satellite by its RINEX 3 observation code without
// the type: band and tracking attribute, "1C". It is comparable; the zero value
// is none.
type Signal struct {
	Band      byte // '1' to '9'
	Attribute byte // 'C', 'W', 'X' ...
}

// String returns the signal as RINEX writes it, "1C".
func (s Signal) String() string {
	if s == (Signal{}) {
		return "none"
	}
	return string([]byte{s.Band, s.Attribute})
}

// ParseSignal returns the signal of a RINEX code of two characters.
func ParseSignal(s string) (Signal, error) {
	if len(s) == 2 && s[0] >= '1' && s[0] <= '9' && s[1] >= 'A' && s[1] <= 'Z' {
		return Signal{s[0], s[1]}, nil
	}
	return Signal{}, fmt.Errorf("satellite: signal %q, want a band 1-9 and a letter, as 1C", s)
}

// SpeedOfLight in vacuum, m/s.
const SpeedOfLight = 299792458.0

const mega = 1e6

// carriers holds the carrier frequencies in Hz by system and band; GLONASS
// bands 1 and 2 are those of channel 0.
var carriers = [NSystems][10]float64{
	GPS:     {1: 1575.42 * mega, 2: 1227.60 * mega, 5: 1176.45 * mega},
	GLONASS: {1: 1602 * mega, 2: 1246 * mega, 3: 1202.025 * mega, 4: 1600.995 * mega, 6: 1248.06 * mega},
	Galileo: {1: 1575.42 * mega, 5: 1176.45 * mega, 6: 1278.75 * mega, 7: 1207.14 * mega, 8: 1191.795 * mega},
	SBAS:    {1: 1575.42 * mega, 5: 1176.45 * mega},
	QZSS:    {1: 1575.42 * mega, 2: 1227.60 * mega, 5: 1176.45 * mega, 6: 1278.75 * mega},
	BeiDou:  {1: 1575.42 * mega, 2: 1561.098 * mega, 5: 1176.45 * mega, 6: 1268.52 * mega, 7: 1207.14 * mega, 8: 1191.795 * mega},
	NavIC:   {1: 1575.42 * mega, 5: 1176.45 * mega, 9: 2492.028 * mega},
}

// NoChannel stands for a GLONASS frequency channel that is not known.
const NoChannel = -128

// Frequency returns the carrier frequency of a signal in Hz, 0 where there is
// none. channel is the GLONASS frequency channel, -7 to 13, or NoChannel;
// other systems ignore it.
func (s System) Frequency(sig Signal, channel int) float64 {
	if s >= NSystems || sig.Band < '0' || sig.Band > '9' {
		return 0
	}
	f := carriers[s][sig.Band-'0']
	if s == GLONASS && (sig.Band == '1' || sig.Band == '2') {
		if channel < -7 || channel > 13 {
			return 0
		}
		// 562.5 kHz a channel on L1, 437.5 kHz on L2.
		if sig.Band == '1' {
			return f + float64(channel)*0.5625*mega
		}
		return f + float64(channel)*0.4375*mega
	}
	return f
}
