package tui

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"kerbline/fusion"
	"kerbline/fusion/words"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"
)

// The short names of what stands on every line.
const dash = words.Dash

var known, num, with, down, up = words.IsNumber, words.Num, words.With, words.Down, words.Up

func count(n int) string {
	if n < 0 {
		return dash
	}
	return strconv.Itoa(n)
}

// lasting returns a duration in words; a running one has no tenths from ten
// seconds on.
func lasting(s float64) string {
	switch {
	case s < 0:
		return "0 s"
	case s >= 9.95 && s < 99.5:
		return num(s, 0) + " s"
	case s >= 1e8:
		return dash
	}
	return words.Lasting(s)
}

// since returns how long t (host Unix s) is ago at the snapshot, NaN when that
// is unknown.
func (v *View) since(t float64) float64 {
	if t == 0 || !known(t) || !known(v.Snap.T) {
		return math.NaN()
	}
	return v.Snap.T - t
}

// clock returns the time of day of host time t: in UTC when their offset
// is known, else as the host says.
func (v *View) clock(t float64, dec int) string {
	if v.hasUTC() {
		t -= v.Snap.HostMinusUTC
	}
	return timeOfDay(t, dec)
}

// hasUTC reports whether host time can be given in UTC.
func (v *View) hasUTC() bool {
	return known(v.Snap.HostMinusUTC) && known(v.Snap.UTC) && v.Snap.UTC != 0
}

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

// reasonText returns r in words with value, limit and how long it has held.
func (v *View) reasonText(r *fusion.Reason) string {
	s := Clean(words.OfReason(r.Code).Now)
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
	case r.Code == "fix-unproven":
		s = strings.TrimSuffix(s, ",")
		if known(value) && known(limit) {
			s += ", evidence " + num(value, 1) + " of " + num(limit, 1) + " needed"
		}
		return s + v.lasted(r)
	case r.Code == "carried_by_phase":
		p := &v.Snap.Phases
		s += " " + lasting(value) + ", level " + num(p.Level, 2) + " of " + with(v.Snap.ALLat, 2, "m")
		if known(limit) {
			s += ", budget " + lasting(limit-value)
		}
		return s
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
