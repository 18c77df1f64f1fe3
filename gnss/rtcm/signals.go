package rtcm

import "kerbline/gnss/satellite"

// signalNames are the RINEX codes of the signal ids of DF395, by system (tables
// of pyrtcm, which cites RTCM 10403.3; the ids that it leaves out, and those of
// NavIC beyond 22, are not named).
var signalNames = [NSystems]map[uint8]string{
	GPS:     {2: "1C", 3: "1P", 4: "1W", 8: "2C", 9: "2P", 10: "2W", 15: "2S", 16: "2L", 17: "2X", 22: "5I", 23: "5Q", 24: "5X", 30: "1S", 31: "1L", 32: "1X"},
	GLONASS: {2: "1C", 3: "1P", 8: "2C", 9: "2P"},
	Galileo: {2: "1C", 3: "1A", 4: "1B", 5: "1X", 6: "1Z", 8: "6C", 9: "6A", 10: "6B", 11: "6X", 12: "6Z", 14: "7I", 15: "7Q", 16: "7X",
		18: "8I", 19: "8Q", 20: "8X", 22: "5I", 23: "5Q", 24: "5X"},
	SBAS:   {2: "1C", 22: "5I", 23: "5Q", 24: "5X"},
	QZSS:   {2: "1C", 9: "6S", 10: "6L", 11: "6X", 15: "2S", 16: "2L", 17: "2X", 22: "5I", 23: "5Q", 24: "5X", 30: "1S", 31: "1L", 32: "1X"},
	BeiDou: {2: "2I", 3: "2Q", 4: "2X", 8: "6I", 9: "6Q", 10: "6X", 14: "7I", 15: "7Q", 16: "7X", 22: "5D", 23: "5P", 24: "5X", 25: "7D", 30: "1D", 31: "1P", 32: "1X"},
	NavIC:  {22: "5A"},
}

// signals is signalNames for use.
var signals = func() (t [NSystems][33]satellite.Signal) {
	for sys, names := range signalNames {
		for id, name := range names {
			t[sys][id] = satellite.Signal{Band: name[0], Attribute: name[1]}
		}
	}
	return t
}()

// signalID returns the id of DF395 of a signal, 0 for none.
func signalID(sys System, sig satellite.Signal) int {
	if sys >= NSystems {
		return 0
	}
	for id, s := range signals[sys] {
		if s == sig && id > 0 {
			return id
		}
	}
	return 0
}
