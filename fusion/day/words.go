package day

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"kerbline/gnss/corrections"
)

// dash stands for a number nobody knows.
const dash = "—"

// num returns v with dec decimals, a dash when unknown.
func num(v float64, dec int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return dash
	}
	s := strconv.FormatFloat(v, 'f', dec, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// with returns num and its unit.
func with(v float64, dec int, unit string) string {
	if s := num(v, dec); s == dash || unit == "" {
		return s
	} else {
		return s + " " + unit
	}
}

// percent returns a share in %, never rounded up to 100 or down to 0.
func percent(share float64) string {
	if math.IsNaN(share) {
		return dash
	}
	p := 100 * share
	for dec := 1; ; dec++ {
		s := num(p, dec)
		if dec < 4 && (p < 100 && s == num(100, dec) || p > 0 && s == num(0, dec)) {
			continue
		}
		return s + " %"
	}
}

// lasting returns a duration in words: "4.2 s", "2 min 10 s", "1 h 05 min".
func lasting(s float64) string {
	switch {
	case math.IsNaN(s):
		return dash
	case s < 99.95:
		return num(s, 1) + " s"
	case s < 3600:
		n := int(s + 0.5)
		return fmt.Sprintf("%d min %02d s", n/60, n%60)
	}
	n := int(s/60 + 0.5)
	return fmt.Sprintf("%d h %02d min", n/60, n%60)
}

// times returns "once", "twice" or "n times".
func times(n int) string {
	switch n {
	case 1:
		return "once"
	case 2:
		return "twice"
	}
	return strconv.Itoa(n) + " times"
}

// plural returns n and the noun in its number.
func plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + one + "s"
}

// place returns "at 223 m", or "" when it is not known.
func place(m float64) string {
	if math.IsNaN(m) {
		return ""
	}
	return "at " + num(m, 0) + " m of the lap"
}

// parseCause returns the correction cause called name; ok is false when it is
// none.
func parseCause(name string) (c corrections.Cause, ok bool) {
	for c := range corrections.NumCauses {
		if c.String() == name {
			return c, true
		}
	}
	return 0, false
}

// CauseWords says in half a sentence what a break is put down to, and what to
// do about it.
func CauseWords(cause string) (words, do string) {
	if c, ok := parseCause(cause); ok {
		return c.Words(), c.Try()
	}
	if w, ok := codeWords[cause]; ok {
		return w.words, w.do
	}
	if cause == "" {
		return "why is not known", "replay the recording and look at that time"
	}
	return strings.ReplaceAll(cause, "-", " "), "replay the recording and look at that time"
}

type wordsAndDo struct{ words, do string }

const (
	doSky   = "look at what stands beside the track there; raise the rover's antenna, check its ground plane and cable"
	doIMU   = "check the inertial sensor's power, cable and port"
	doTimes = "check what else the computer does, the receiver's port and baud rate"
	doTune  = "estimate noise, lever arm and latency from this recording (calibrate), then judge it again (tune)"
)

// codeWords says each reason code of the monitor.
var codeWords = map[string]wordsAndDo{
	CauseJump: {"the receiver said fixed while its position stepped",
		"look for metal, trucks and buildings near those places; ask more of the receiver before it says fixed; check the antenna's ground plane and cable"},
	CauseClock:         {"the computer's clock was set while driving", "set the clock before the session; let nothing set it while driving"},
	"imu-units":        {"units or axes of the inertial sensor look wrong", "compare the driver's units and the mounting with the settings; nothing else counts before that"},
	"imu-silent":       {"the inertial sensor was silent", doIMU},
	"imu-saturated":    {"the inertial sensor was at the end of its range", "mount it more softly or choose a larger range"},
	"receiver-silent":  {"the receiver said nothing", "check the receiver's power, cable, port and output rate"},
	"epoch-late":       {"epochs of the receiver came too late", doTimes},
	"base-moved":       {"the base is not where it was surveyed", corrections.BaseMoved.Try()},
	"base-unconfirmed": {"another base is heard, and not where it stands", "let the base send its coordinates (1005 or 1006) every few seconds"},
	"drift":            {"the position drifted against the inertial sensor", "look for reflections and a wrong base; survey a mark on the ground and check against it"},
	"velocity":         {"the receiver's velocity disagreed with the filter", doTune},
	"innovation":       {"the receiver's position disagreed with the filter", doTune},
	"no-position":      {"the receiver had no position", doSky},
	"link-late":        {"corrections came late", corrections.LinkLate.Try()},
	"link-sparse":      {"corrections came incomplete", corrections.LinkSparse.Try()},
	"link-corrupt":     {"corrections came broken", corrections.LinkCorrupt.Try()},
	"link-silent":      {"no corrections came", corrections.LinkSilent.Try()},
	"fix-quality":      {"the receiver had no fixed position", "watch the correction age and the satellites while it comes back; check that the receiver gets the base's message set"},
	"corr-age":         {"the corrections were too old", corrections.LinkSilent.Try()},
	"sats":             {"too few satellites were used", doSky},
	"hdop":             {"the satellites stood badly", doSky},
	"fix-sigma":        {"the receiver told a poor position", doSky},
	"sat-fault":        {"the receiver told a faulty satellite", "wait until it is gone; leave that satellite out in the receiver"},
	"aligning":         {"the filter was not aligned", "stand still for some seconds, then drive straight faster than walking"},
	"drift-suspected":  {"the position seemed to drift against wheels, gyro or the receiver's velocity", "look for reflections near the antenna; check wheel speed and gyro against the settings with calibrate"},
	"pl-lateral":       {"the sideways protection level was beyond its limit", doTune},
	"pl-along":         {"the protection level along the track was beyond its limit", doTune},
	"pl-heading":       {"the protection level of heading was beyond its limit", "drive a few bends so that heading is known; check the gyro noise in the settings"},
	"coast-budget":     {"dead reckoning would not have lasted for a handover", "add or mend the wheel speed; slow down; shorten the handover"},
	"requalifying":     {"fixes had not yet been consistent for long enough", "wait; it comes back by itself"},
}
