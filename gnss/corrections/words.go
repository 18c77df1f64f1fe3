package corrections

// MessageWords says in trade words what RTCM 3 message number n holds, "" for
// one that is not known here.
func MessageWords(n int) string {
	if n > 1070 && n < 1138 && n%10 >= 1 && n%10 <= 7 {
		return msmSystems[(n-1070)/10] + msmContent[n%10]
	}
	return messageWords[n]
}

var msmSystems = [...]string{"GPS", "GLONASS", "Galileo", "SBAS", "QZSS", "BeiDou", "NavIC"}

// msmContent is what MSM types 1 to 7 hold.
var msmContent = [...]string{
	1: " MSM1: code, compact",
	2: " MSM2: phase, compact",
	3: " MSM3: code, phase, compact",
	4: " MSM4: code, phase, C/N0",
	5: " MSM5: code, phase, C/N0, Doppler",
	6: " MSM6: code, phase, C/N0, fine",
	7: " MSM7: code, phase, C/N0, Doppler, fine",
}

var messageWords = map[int]string{
	1001: "GPS L1 observations",
	1002: "GPS L1 observations with C/N0",
	1003: "GPS L1/L2 observations",
	1004: "GPS L1/L2 observations with C/N0",
	1005: "base coordinates",
	1006: "base coordinates and antenna height",
	1007: "antenna type",
	1008: "antenna type and serial number",
	1009: "GLONASS L1 observations",
	1010: "GLONASS L1 observations with C/N0",
	1011: "GLONASS L1/L2 observations",
	1012: "GLONASS L1/L2 observations with C/N0",
	1013: "list of messages sent",
	1019: "GPS ephemeris",
	1020: "GLONASS ephemeris",
	1029: "text",
	1032: "physical base coordinates",
	1033: "receiver and antenna type",
	1041: "NavIC ephemeris",
	1042: "BeiDou ephemeris",
	1044: "QZSS ephemeris",
	1045: "Galileo F/NAV ephemeris",
	1046: "Galileo I/NAV ephemeris",
	1230: "GLONASS code-phase biases",
}
