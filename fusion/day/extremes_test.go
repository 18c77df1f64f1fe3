package day

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/fusion/verdict"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
)

// What a session keeps as its largest and smallest is that of the lines that count,
// with their time: one outlier among good lines is found, and one on a line that
// does not count is not.
func TestExtremes(t *testing.T) {
	d := newDrive(10)
	const at, other = 1500, 1700 // lines, in the middle of the drive
	d.run(250, func(s *fusion.Snapshot) {
		switch d.n {
		case at:
			s.Epoch.Age, s.Speed, s.SpeedCap, s.Link.BaseOff = 7, 12, 11, -0.002
		case at + 1:
			s.Link.BaseOff = 0.04
		case other: // neither usable nor fixed
			s.Verdict, s.Epoch.Quality = fusion.Unusable, gnss.QualityFloat
			s.Epoch.Age, s.Speed, s.SpeedCap = 14, 20, 2
		}
	})
	s := d.c.Session()
	if s.MaxAge != 7 || s.TopSpeed != 12 || s.LowCap != 11 || s.BaseOff != 0.04 {
		t.Errorf("age %g s, speed %g, cap %g m/s, base off by %g m; want 7, 12, 11, 0.04", s.MaxAge, s.TopSpeed, s.LowCap, s.BaseOff)
	}
	if want := 0.1 * at; math.Abs(s.MaxAgeX-want) > 0.11 || math.Abs(s.LowCapX-want) > 0.11 {
		t.Errorf("age at %g s, cap at %g s, want %g", s.MaxAgeX, s.LowCapX, want)
	}
	c := Judge([]*Session{s}, Ask{})
	if r := row(t, c, "age"); r.Value != 7 || r.Sure != "at "+s.Clock(s.MaxAgeX) || r.Limit != d.settings.Day.AgeShare*d.settings.GNSS.MaxAge {
		t.Errorf("age %+v", r)
	}
	// The worst base state of a session counts, whatever came after.
	d = newDrive(10)
	d.run(100, func(s *fusion.Snapshot) {
		switch {
		case d.n == 300:
			s.Link.Base = corrections.BaseUnconfirmed
		case d.n == 400:
			s.Reasons[0], s.NReasons = verdict.Reason{Code: "base-moved"}, 1
		}
	})
	if s := d.c.Session(); s.Base != corrections.BaseElsewhere || math.Abs(s.BaseAt-40) > 0.11 || !s.HasBase || s.BaseFirst != d.base {
		t.Errorf("base %v at %g s, first %v", s.Base, s.BaseAt, s.BaseFirst)
	}
}

// Means that are joined are those of all values together, whichever is empty.
func TestMean_Join(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	for _, n := range [][2]int{{0, 0}, {5, 0}, {0, 7}, {1, 1}, {40, 13}} {
		var a, b, all Mean
		for i := range n[0] + n[1] {
			v := -5 + rng.NormFloat64() // all below 0: the largest of none is not 0
			all.Add(v)
			if i < n[0] {
				a.Add(v)
			} else {
				b.Add(v)
			}
			a.Add(math.NaN())
		}
		a.join(b)
		if a.N != all.N || !(math.Abs(a.Avg-all.Avg) < 1e-12) || a.Max != all.Max {
			t.Errorf("%v: %+v, want %+v", n, a, all)
		}
	}
}

// The words of a base that is the cause say whether it is elsewhere, by how much
// against what, or only not confirmed.
func TestBaseWords(t *testing.T) {
	for _, tt := range []struct {
		off  float64
		say  string
		none string
	}{{0.3, "not where it was surveyed: off by 0.3", "not confirmed"}, {math.NaN(), "the base is not confirmed", "off by"}} {
		d := newDrive(10)
		d.run(300, func(s *fusion.Snapshot) {
			s.Link.Base, s.Link.BaseOff = corrections.BaseElsewhere, tt.off
			if math.IsNaN(tt.off) {
				s.Link.Base = corrections.BaseUnconfirmed
			}
			s.Verdict = fusion.Unusable
			s.Reasons[0], s.NReasons = verdict.Reason{Code: "base-moved", Value: tt.off, Limit: 0.05, Unit: "m"}, 1
		})
		c := d.judge()
		if len(c.Reasons) == 0 || !strings.Contains(c.Reasons[0].What, tt.say) || strings.Contains(c.Reasons[0].What, tt.none) {
			t.Errorf("off by %g: %+v, want %q", tt.off, c.Reasons, tt.say)
		}
	}
}
