package tui

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"kerbline/fusion"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// dash stands for a number nobody knows.
const dash = "—"

func known(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// num returns x with dec decimals, a dash when unknown.
func num(x float64, dec int) string {
	if !known(x) {
		return dash
	}
	s := strconv.FormatFloat(x, 'f', dec, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// with returns num and its unit, only a dash when unknown.
func with(x float64, dec int, unit string) string {
	if !known(x) {
		return dash
	}
	return num(x, dec) + " " + unit
}

// down and up round to dec decimals towards the safe side. The small term
// keeps 12.3 from turning into 12.2 because it is stored as 12.29999.
func down(x float64, dec int) string {
	p := math.Pow(10, float64(dec))
	return num(math.Floor(x*p+1e-6)/p, dec)
}

func up(x float64, dec int) string {
	p := math.Pow(10, float64(dec))
	return num(math.Ceil(x*p-1e-6)/p, dec)
}

func count(n int) string {
	if n < 0 {
		return dash
	}
	return strconv.Itoa(n)
}

// lasting returns a duration of s seconds in words: "4.2 s", "2 min 10 s".
func lasting(s float64) string {
	switch {
	case !known(s):
		return dash
	case s < 0:
		return "0 s"
	case s < 9.95:
		return num(s, 1) + " s"
	case s < 99.5:
		return num(s, 0) + " s"
	case s < 3600:
		n := int(s + 0.5)
		return fmt.Sprintf("%d min %02d s", n/60, n%60)
	case s < 1e8:
		n := int(s/60 + 0.5)
		return fmt.Sprintf("%d h %02d min", n/60, n%60)
	}
	return dash
}

// since returns how long t (host Unix s) is ago at the snapshot, NaN when that
// is unknown.
func (v *View) since(t float64) float64 {
	if t == 0 || !known(t) || !known(v.Snap.T) {
		return math.NaN()
	}
	return v.Snap.T - t
}

// clock returns the time of day of host time t: in UTC when receiver and host
// are tied, else as the host says.
func (v *View) clock(t float64, dec int) string {
	if v.tied() {
		t -= v.Snap.HostMinusUTC
	}
	return timeOfDay(t, dec)
}

// tied reports whether host time can be told in UTC.
func (v *View) tied() bool { return known(v.Snap.HostMinusUTC) && known(v.Snap.UTC) && v.Snap.UTC != 0 }

func timeOfDay(t float64, dec int) string {
	if !known(t) || t <= 0 || t > 1e11 {
		return "--:--:--"
	}
	// Cut, not rounded, so that no second is shown before it began.
	day := math.Mod(t, 86400)
	sec := math.Floor(day)
	s := time.Unix(int64(sec), 0).UTC().Format("15:04:05")
	if dec > 0 {
		p := math.Pow(10, float64(dec))
		s += fmt.Sprintf(".%0*d", dec, int(math.Floor((day-sec)*p+1e-6))%int(p))
	}
	return s
}

// bytesWords returns a size in words.
func bytesWords(n int64) string {
	switch {
	case n < 1000:
		return strconv.FormatInt(n, 10) + " B"
	case n < 1000_000:
		return num(float64(n)/1e3, 1) + " kB"
	case n < 1000_000_000:
		return num(float64(n)/1e6, 1) + " MB"
	}
	return num(float64(n)/1e9, 2) + " GB"
}

// reasonWords says each reason code of the monitor in words. A code that is not
// here is shown as it is, so that nothing is hidden by a missing entry.
var reasonWords = map[string]string{
	"imu-units":        "IMU units or axes look wrong",
	"imu-silent":       "IMU silent",
	"imu-saturated":    "IMU at the end of its range",
	"receiver-silent":  "receiver silent",
	"epoch-late":       "GNSS epochs arrive late",
	"base-moved":       "base is not where it was surveyed, off by",
	"base-unconfirmed": "base changed, its coordinates not heard yet",
	"drift":            "position drifts against the IMU",
	"jump":             "position jumped",
	"velocity":         "GNSS velocity disagrees with the filter",
	"innovation":       "GNSS position disagrees with the filter",
	"no-position":      "receiver gives no position",
	"link-late":        "corrections late",
	"link-sparse":      "corrections incomplete",
	"link-corrupt":     "corrections arrive broken",
	"link-silent":      "correction link silent",
	"fix-quality":      "fix quality",
	"corr-age":         "corrections too old",
	"sats":             "too few satellites",
	"hdop":             "satellite geometry poor, HDOP",
	"fix-sigma":        "receiver reports a poor position, sigma",
	"sat-fault":        "receiver reports a faulty satellite",
	"aligning":         "filter not aligned yet",
	"drift-suspected":  "position may be drifting, seen so far",
	"pl-lateral":       "lateral protection level",
	"pl-along":         "along-track protection level",
	"pl-heading":       "heading protection level",
	"coast-budget":     "coast budget shorter than the handover,",
	"lever-arm-check":  "lever arm not proven by turns yet",
	"requalifying":     "requalifying: consistent fixes for another",
	"speed":            "too fast,",
}

// reasonText returns r in words with value, limit and how long it has held.
func (v *View) reasonText(r *fusion.Reason) string {
	s, ok := reasonWords[r.Code]
	if !ok {
		s = Clean(strings.ReplaceAll(r.Code, "-", " "))
	}
	value, limit, unit := r.Value, r.Limit, Clean(r.Unit)
	switch unit {
	case "rad":
		value, limit, unit = value/geodesy.Degree, limit/geodesy.Degree, "deg"
	case "rad/s":
		value, limit, unit = value/geodesy.Degree, limit/geodesy.Degree, "deg/s"
	}
	dec := decimals(value, limit, unit)
	if unit != "" {
		unit = " " + unit
	}
	switch {
	case r.Code == "fix-quality":
		return s + " " + qualityWord(value) + ", needed " + qualityWord(limit) + v.lasted(r)
	case r.Code == "requalifying":
		return s + " " + lasting(value)
	case known(value):
		s += " " + num(value, dec) + unit
	}
	if known(limit) {
		word := ", limit "
		if r.Code == "sats" || r.Code == "coast-budget" { // the limit is a least one
			word = ", needed "
		}
		s += word + num(limit, dec) + unit
	}
	if r.Unit == "s" && !known(limit) {
		return s // the value is how long it has lasted
	}
	return s + v.lasted(r)
}

// lasted says for how long a reason has held.
func (v *View) lasted(r *fusion.Reason) string {
	if d := v.since(r.Since); d >= 0.05 {
		return ", for " + lasting(d)
	}
	return ""
}

func qualityWord(x float64) string {
	if !(x >= 0 && x <= 255) {
		return "unknown"
	}
	return gnss.Quality(x).String()
}

// decimals chooses as many decimals as unit deserves, and more where value and
// limit would otherwise look the same though they are not.
func decimals(value, limit float64, unit string) int {
	dec := 2
	switch unit {
	case "s", "m/s", "Hz", "deg", "deg/s", "%":
		dec = 1
	case "":
		if value == math.Trunc(value) && (limit == math.Trunc(limit) || !known(limit)) {
			dec = 0
		}
	}
	for known(value) && known(limit) && value != limit && dec < 5 && num(value, dec) == num(limit, dec) {
		dec++
	}
	return dec
}

// causeWords says each cause of an outage in words.
var causeWords = [corrections.NumCauses]string{
	corrections.CauseUnknown:     "cause unknown",
	corrections.LinkSilent:       "link silent, no bytes",
	corrections.LinkCorrupt:      "link corrupt, bytes broken",
	corrections.LinkSparse:       "link sparse, messages missing",
	corrections.LinkLate:         "link late",
	corrections.BaseRestarted:    "base restarted",
	corrections.BaseMoved:        "base moved",
	corrections.ReceiverNotUsing: "receiver not using them",
	corrections.SkyBlocked:       "sky blocked",
	corrections.ReceiverSilent:   "receiver silent",
}

// causeTry says what to look at first in the paddock.
var causeTry = [corrections.NumCauses]string{
	corrections.CauseUnknown:     "tap the correction bytes too (--corrections), so that the next one can be told",
	corrections.LinkSilent:       "radio power and cable, antenna height, line of sight; is the base still on?",
	corrections.LinkCorrupt:      "radio channel and antenna, baud rate on both ends, cable shielding",
	corrections.LinkSparse:       "message set of the base, radio data rate against message size",
	corrections.LinkLate:         "radio data rate against message size, buffering or network on the way",
	corrections.BaseRestarted:    "base power supply and plug; fix the base position, do not let it survey itself again",
	corrections.BaseMoved:        "tripod and base settings; survey the base again before trusting the map",
	corrections.ReceiverNotUsing: "receiver port and protocol settings, station id, maximum correction age",
	corrections.SkyBlocked:       "rover antenna place and ground plane; what stands there beside the track?",
	corrections.ReceiverSilent:   "receiver power, cable and port",
}

func causeName(c corrections.Cause) string {
	if c >= corrections.NumCauses {
		return causeWords[corrections.CauseUnknown]
	}
	return causeWords[c]
}

// eventName says each kind of event in words.
func eventName(k fusion.EventKind) string {
	switch k {
	case fusion.EventOutage:
		return "correction outage"
	case fusion.EventVerdict:
		return "verdict"
	case fusion.EventQuality:
		return "quality"
	case fusion.EventReinit:
		return "filter restarted"
	}
	return Clean(strings.ReplaceAll(string(k), "_", " "))
}

// eventSizeUnit returns the unit of an event's size.
func eventSizeUnit(k fusion.EventKind) string {
	switch k {
	case fusion.EventJump, fusion.EventDrift, fusion.EventBase:
		return "m"
	}
	return "s"
}
