package civil

import (
	"math"
	"testing"
	"time"
)

// Offsets and the nights at which clocks change are those of the IANA database:
// Europe changes on the last Sundays of March and October at 01:00 UTC, Nepal
// is 5 h 45 min ahead.
func TestZone(t *testing.T) {
	for _, tt := range []struct{ zone, utc, want string }{
		{"Europe/Berlin", "2026-03-29T00:59:59Z", "01:59:59 CET"},
		{"Europe/Berlin", "2026-03-29T01:00:00Z", "03:00:00 CEST"},
		{"Europe/Berlin", "2026-10-25T01:00:00Z", "02:00:00 CET"},
		{"Asia/Kathmandu", "2026-07-01T12:00:00Z", "17:45:00 UTC+5:45"},
		{"America/Sao_Paulo", "2026-07-01T12:00:00Z", "09:00:00 UTC-3"},
		{"UTC", "2026-07-01T12:00:00Z", "12:00:00 UTC"},
		{"", "2026-07-01T12:00:00Z", ""},
	} {
		z, err := Load(tt.zone)
		if err != nil {
			t.Fatal(err)
		}
		u, _ := time.Parse(time.RFC3339, tt.utc)
		if got := z.Beside(float64(u.Unix()), time.TimeOnly); got != tt.want {
			t.Errorf("%s in %q: %q, want %q", tt.utc, tt.zone, got, tt.want)
		}
	}
	for _, name := range []string{"Local", "local", "CEST+2", "Europe/Nowhere", "../etc/passwd"} {
		if z, err := Load(name); err == nil || z.Known() {
			t.Errorf("%q is taken for a zone", name)
		}
	}
}

// A time of day is the same instant back, also on a day of 23 hours.
func TestZone_Unix(t *testing.T) {
	z := Of("Europe/Berlin")
	noon, _ := time.Parse(time.RFC3339, "2026-03-29T10:00:00Z")
	for _, tod := range []float64{0, 3600, 4 * 3600, 12*3600 + 0.25, 23 * 3600} {
		u := z.Unix(float64(noon.Unix()), tod)
		at := z.At(u)
		got := float64(at.Hour()*3600+at.Minute()*60+at.Second()) + math.Mod(u, 1)
		if got != tod || at.Day() != 29 {
			t.Errorf("%g s of the day: %v, %g", tod, at, got)
		}
	}
}
