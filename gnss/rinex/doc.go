// Package rinex reads RINEX files: observation files of versions 2.10 to 3.05
// into epochs, and navigation files of the same versions into broadcast
// ephemerides and the ionosphere's coefficients.
//
// Units and signs are those of package observation; times are turned into GPS
// time whatever system the file counts in. Compact (Hatanaka) files are refused
// by name. A record that cannot be is refused and counted, with its line, and
// the reading goes on; nothing is read beyond the limits of a line. Sources: the
// RINEX 2.11 and 3.04 format descriptions (from memory), checked against the
// files that the tests name. Start at [ReadObservations] and [ReadNavigation].
package rinex

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"kerbline/gnss/gnsstime"
)

// maxLine bounds a line: 99 observations of 16 columns would be 1587.
const maxLine = 4096

// lines reads a file line by line and counts.
type lines struct {
	s    *bufio.Scanner
	n    int    // lines read
	text string // the line at hand
	held bool   // it was put back
	err  error
}

func newLines(r io.Reader) *lines {
	s := bufio.NewScanner(r)
	s.Buffer(make([]byte, 0, maxLine), maxLine)
	return &lines{s: s}
}

// next advances to the next line, without its end.
func (l *lines) next() bool {
	if l.held {
		l.held = false
		return true
	}
	if l.err != nil || !l.s.Scan() {
		if l.err = l.s.Err(); l.err != nil {
			l.err = fmt.Errorf("rinex: line %d: %w", l.n+1, l.err)
		}
		return false
	}
	l.n++
	l.text = strings.TrimRight(l.s.Text(), "\r ")
	return true
}

// back makes next return the line at hand once more.
func (l *lines) back() { l.held = true }

// columns returns the text from column from to before to, without blanks
// around it; it is empty where the line is shorter.
func columns(s string, from, to int) string {
	if from >= len(s) {
		return ""
	}
	return strings.TrimSpace(s[from:min(to, len(s))])
}

// label returns the name of a header line.
func label(s string) string { return columns(s, 60, 80) }

// number reads a number with an exponent of E or D. ok is false where there is
// none; NaN and infinities are none.
func number(s string) (v float64, ok bool) {
	if s == "" {
		return 0, false
	}
	if i := strings.IndexAny(s, "Dd"); i >= 0 {
		s = s[:i] + "E" + s[i+1:]
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, false
	}
	return v, true
}

// whole reads a whole number within limits.
func whole(s string, least, most int) (int, bool) {
	n, err := strconv.Atoi(s)
	return n, err == nil && n >= least && n <= most
}

// scale is the time system of a file.
type scale byte

const (
	gpsScale scale = iota // GPS, Galileo, QZSS
	bdtScale
	utcScale // GLONASS files
)

// timeScale returns the scale that a header names ("GPS", "BDT" ...).
func timeScale(name string, system byte) scale {
	switch name {
	case "BDT":
		return bdtScale
	case "GLO", "UTC":
		return utcScale
	case "":
		switch system {
		case 'C':
			return bdtScale
		case 'R':
			return utcScale
		}
	}
	return gpsScale
}

// clock turns a calendar date and time of a scale into GPS time. ok is false
// for a date that is none.
func clock(s scale, year, month, day, hour, minute int, second float64) (t gnsstime.Time, ok bool) {
	if year < 80 {
		year += 2000
	} else if year < 100 {
		year += 1900
	}
	if year < 1980 || year > 2200 || month < 1 || month > 12 || day < 1 || day > daysOf(year, month) ||
		hour < 0 || hour > 23 || minute < 0 || minute > 59 || !(second >= 0 && second < 61) {
		return t, false
	}
	days := civilDays(year, month, day) - gnsstime.GPSEpoch/gnsstime.Day
	t = gnsstime.Time{Week: days / 7, TOW: 0}.Add(float64(days%7*gnsstime.Day+hour*3600+minute*60) + second)
	switch s {
	case bdtScale:
		t = t.Add(-gnsstime.BDTMinusGPS)
	case utcScale:
		unix := float64(days*gnsstime.Day+gnsstime.GPSEpoch+hour*3600+minute*60) + second
		t = t.Add(float64(gnsstime.LeapSeconds(unix)))
	}
	return t, days >= 0
}

func daysOf(year, month int) int {
	switch month {
	case 4, 6, 9, 11:
		return 30
	case 2:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	}
	return 31
}

// civilDays returns the days from 1970-01-01, by counting from March, so that
// the leap day is the last of its year.
func civilDays(year, month, day int) int {
	if month < 3 {
		year, month = year-1, month+12
	}
	return 365*year + year/4 - year/100 + year/400 + (153*(month-3)+2)/5 + day - 1 - 719468
}

// Refused counts the records that a file holds and the reader cannot use.
type Refused struct {
	Records int
	First   error // why the first was refused, with its line
}

func (r *Refused) add(line int, format string, args ...any) {
	r.Records++
	if r.First == nil {
		r.First = fmt.Errorf("rinex: line %d: %s", line, fmt.Sprintf(format, args...))
	}
}

// version reads the first line of a file: its version, type and system.
func version(l *lines, kind byte) (v float64, system byte, err error) {
	if !l.next() {
		if l.err != nil {
			return 0, 0, l.err
		}
		return 0, 0, fmt.Errorf("rinex: empty, want a file")
	}
	if strings.HasPrefix(label(l.text), "CRINEX") {
		return 0, 0, fmt.Errorf("rinex: line 1: a compact (Hatanaka) file, want it unpacked")
	}
	if label(l.text) != "RINEX VERSION / TYPE" {
		return 0, 0, fmt.Errorf("rinex: line 1: label %q, want RINEX VERSION / TYPE", label(l.text))
	}
	v, ok := number(columns(l.text, 0, 9))
	if !ok || v < 2 || v >= 4 {
		return 0, 0, fmt.Errorf("rinex: line 1: version %q, want 2 or 3", columns(l.text, 0, 9))
	}
	got := byte(' ')
	if len(l.text) > 20 {
		got = l.text[20]
	}
	system = ' '
	if len(l.text) > 40 {
		system = l.text[40]
	}
	if kind == 'N' && v < 3 { // in version 2 the type names the system
		switch got {
		case 'G':
			return v, 'R', nil
		case 'N':
			return v, 'G', nil
		}
	}
	if got != kind {
		return 0, 0, fmt.Errorf("rinex: line 1: file type %q, want %q", got, kind)
	}
	return v, system, nil
}
