// Package civil tells times of day as the people at a place read them: in the
// time zone of the settings, beside UTC.
//
// Zones are those of the IANA time zone database by name; the copy that the Go
// distribution carries is built in, so that every machine knows them. Times are
// Unix s. Start at [Load].
package civil

import (
	"fmt"
	"math"
	"strings"
	"time"
	_ "time/tzdata" // a computer in a paddock may have no database of its own
)

// Zone is a time zone. The zero value is none, and says nothing.
type Zone struct{ loc *time.Location }

// Load returns the zone called name, "Europe/Berlin"; none for "".
func Load(name string) (Zone, error) {
	if name == "" {
		return Zone{}, nil
	}
	// "Local" would mean another zone on each computer.
	loc, err := time.LoadLocation(name)
	if err != nil || strings.EqualFold(name, "local") {
		return Zone{}, fmt.Errorf("time zone %q is not known, want a name of the IANA database, like Europe/Berlin", name)
	}
	return Zone{loc}, nil
}

// Of is [Load] for a name that was checked before: none where it is not known.
func Of(name string) Zone {
	z, _ := Load(name)
	return z
}

// Known reports whether there is a zone.
func (z Zone) Known() bool { return z.loc != nil }

// At returns the time of day of unix, cut to whole ms so that no second is
// shown before it began; in UTC where there is no zone.
func (z Zone) At(unix float64) time.Time {
	loc := z.loc
	if loc == nil {
		loc = time.UTC
	}
	return time.UnixMilli(int64(math.Floor(unix*1000 + 1e-3))).In(loc)
}

// Beside returns the time of day of unix in the layout of package time with the
// zone's letters, "11:02:18 CEST"; "" where there is no zone.
func (z Zone) Beside(unix float64, layout string) string {
	if z.loc == nil {
		return ""
	}
	return z.At(unix).Format(layout) + " " + z.Letters(unix)
}

// Letters returns what the zone calls itself at unix, "CEST" or "UTC+3".
func (z Zone) Letters(unix float64) string {
	s, off := z.At(unix).Zone()
	if s != "" && s[0] != '+' && s[0] != '-' {
		return s
	}
	sign := "+"
	if off < 0 {
		sign, off = "-", -off
	}
	if off%3600 == 0 {
		return fmt.Sprintf("UTC%s%d", sign, off/3600)
	}
	return fmt.Sprintf("UTC%s%d:%02d", sign, off/3600, off%3600/60)
}

// Unix returns the Unix time of a time of day, s after midnight, on the day that
// unix falls on; in UTC where there is no zone.
func (z Zone) Unix(unix, timeOfDay float64) float64 {
	t := z.At(unix)
	whole := math.Floor(timeOfDay)
	d := time.Date(t.Year(), t.Month(), t.Day(), 0, 0, int(whole), 0, t.Location())
	return float64(d.Unix()) + timeOfDay - whole
}
