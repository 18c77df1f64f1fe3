package rinex

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// head returns a header line: text to column 60, then the label.
func head(text, label string) string { return fmt.Sprintf("%-60s%-20s\n", text, label) }

func observationFile(body string) string {
	return head("     3.04           OBSERVATION DATA    M", "RINEX VERSION / TYPE") +
		head("QUARRY", "MARKER NAME") +
		head("  4430000.1234   900000.5000  4480000.2500", "APPROX POSITION XYZ") +
		head("G    5 C1C L1C D1C S1C C2W", "SYS / # / OBS TYPES") +
		head("R    2 C1C L1C", "SYS / # / OBS TYPES") +
		head("E    2 X1  L1X", "SYS / # / OBS TYPES") +
		head("  2 R01  1 R09 -2", "GLONASS SLOT / FRQ #") +
		head("     0.200", "INTERVAL") +
		head("  2026    11    28     6    30    0.0000000     GPS", "TIME OF FIRST OBS") +
		head("", "END OF HEADER") + body
}

func TestReadObservations(t *testing.T) {
	body := "> 2026 11 28 06 30  0.2000000  0  3\n" +
		"G05  21243381.127 7 111634716.53717     -1234.500 7        46.813    21243380.526 6\n" +
		"R 9  20000000.000   107000000.00012\n" +
		"G07                                            0.000                  20000001.000\n" +
		"> 2026 11 28 06 30  0.4000000  4  1\n" +
		head("a remark amid the data", "COMMENT") +
		"> 2026 11 28 06 30  0.4000000  0  2\n" +
		"G05  21243x81.127 7\n" +
		"Q99  1\n" +
		"> 2026 13 28 06 30  0.6000000  0  1\n" +
		"G05  21243381.127 7\n" +
		"> 2026 11 28 06 30  0.8000000  0  3\n" +
		"G05  21243381.127 7\n" +
		"> 2026 11 28 06 30  1.0000000  0  0\n"
	var got []observation.Epoch
	h, err := ReadObservations(strings.NewReader(observationFile(body)), func(e *observation.Epoch) error {
		c := *e
		c.Obs = append([]observation.Observation(nil), e.Obs...)
		got = append(got, c)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if h.Marker != "QUARRY" || h.Interval != 0.2 || h.Approx.X != 4430000.1234 {
		t.Errorf("header %+v", h)
	}
	if len(got) != 4 {
		t.Fatalf("%d epochs, want 4", len(got))
	}
	// 2026-11-28 is the Saturday of GPS week 2446.
	if want := (gnsstime.Time{Week: 2446, TOW: 6*86400 + 6*3600 + 30*60 + 0.2}); math.Abs(got[0].Time.Sub(want)) > 1e-9 {
		t.Errorf("time %+v, want %+v", got[0].Time, want)
	}
	c1, w2 := satellite.Signal{Band: '1', Attribute: 'C'}, satellite.Signal{Band: '2', Attribute: 'W'}
	g5 := satellite.ID{System: satellite.GPS, Number: 5}
	o := got[0].Find(g5, c1)
	if o == nil || o.Code != 21243381.127 || o.Phase != 111634716.537 || o.Doppler != -1234.5 || o.CN0 != 46.813 || !o.Slip || o.HalfCycle || o.Hz != 1575.42e6 || !math.IsNaN(o.Lock) {
		t.Errorf("G05 1C: %+v", o)
	}
	if o := got[0].Find(g5, w2); o == nil || o.Code != 21243380.526 || !math.IsNaN(o.Phase) {
		t.Errorf("G05 2W: %+v", o)
	}
	r9 := got[0].Find(satellite.ID{System: satellite.GLONASS, Number: 9}, c1)
	if r9 == nil || r9.Hz != 1602e6-2*0.5625e6 || !r9.Slip || r9.HalfCycle || r9.Phase != 107000000.000 {
		t.Errorf("R09: %+v", r9)
	}
	if len(got[0].Obs) != 5 { // G07: a Doppler of zero counts, a phase that is blank does not
		t.Errorf("%d observations: %+v", len(got[0].Obs), got[0].Obs)
	}
	if h.Refused.Records != 4 || h.Refused.First == nil || !strings.Contains(h.Refused.First.Error(), `line 18: G05: value "21243x81.127"`) {
		t.Errorf("refused %d: %v", h.Refused.Records, h.Refused.First)
	}
	stop := errors.New("enough")
	if _, err := ReadObservations(strings.NewReader(observationFile(body)), func(*observation.Epoch) error { return stop }); err != stop {
		t.Errorf("emit's error is %v", err)
	}
}

func TestReadObservations_Refused(t *testing.T) {
	none := func(*observation.Epoch) error { return nil }
	for name, text := range map[string]string{
		"empty": "", "text": "hello\n", "compact": head("1.0                 COMPACT RINEX FORMAT", "CRINEX VERS   / TYPE"),
		"version 4": head("     4.00           OBSERVATION DATA    M", "RINEX VERSION / TYPE"),
		"kind":      head("     3.04           N: GNSS NAV DATA    M", "RINEX VERSION / TYPE"),
		"no end":    head("     3.04           OBSERVATION DATA    M", "RINEX VERSION / TYPE"),
		"long line": head("     3.04           OBSERVATION DATA    M", "RINEX VERSION / TYPE") + strings.Repeat("x", 5000),
		"types":     head("     3.04           OBSERVATION DATA    M", "RINEX VERSION / TYPE") + head("Z    3 C1C", "SYS / # / OBS TYPES"),
	} {
		if _, err := ReadObservations(strings.NewReader(text), none); err == nil || !strings.HasPrefix(err.Error(), "rinex: ") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Version 2: two-digit years, satellites in the epoch's line, five values a line.
func TestReadObservations_Version2(t *testing.T) {
	text := head("     2.11           OBSERVATION DATA    M (MIXED)", "RINEX VERSION / TYPE") +
		head("     6    C1    L1    S1    D1    P2    L2", "# / TYPES OF OBSERV") +
		head("", "END OF HEADER") +
		" 26 11 28  6 30  0.2000000  0  2G05R 9\n" +
		"  21243381.127 7 111634716.53717        46.813       -1234.500    21243380.526\n" +
		"  86988092.048\n" +
		"  20000000.000\n" +
		"\n"
	var got observation.Epoch
	h, err := ReadObservations(strings.NewReader(text), func(e *observation.Epoch) error {
		got = *e
		return nil
	})
	if err != nil || h.Refused.Records > 0 {
		t.Fatal(err, h.Refused.First)
	}
	g5 := satellite.ID{System: satellite.GPS, Number: 5}
	if o := got.Find(g5, satellite.Signal{Band: '2', Attribute: 'W'}); o == nil || o.Code != 21243380.526 || o.Phase != 86988092.048 {
		t.Errorf("G05 2W: %+v", o)
	}
	if o := got.Find(g5, satellite.Signal{Band: '1', Attribute: 'C'}); o == nil || !o.Slip || o.CN0 != 46.813 {
		t.Errorf("G05 1C: %+v", o)
	}
	if len(got.Obs) != 3 || got.Time.Week != 2446 {
		t.Errorf("%+v", got)
	}
}

// row formats up to four numbers of a navigation file.
func row(v ...float64) string {
	s := "    "
	for _, x := range v {
		s += fmt.Sprintf("%19.12E", x)
	}
	return s + "\n"
}

func TestReadNavigation(t *testing.T) {
	elements := func(week, toe float64) string {
		return row(56, 66.3125, 3.8e-9, -2.8) + row(3.4e-6, 0.012, 1e-5, 5153.5) + row(toe, 3.5e-8, 0.7, -3.1e-8) +
			row(0.98, 197, -1.01, -7.6e-9) + row(3.4e-10, 1, week, 0)
	}
	text := head("     3.04           N: GNSS NAV DATA    M: MIXED", "RINEX VERSION / TYPE") +
		head("GPSA   8.3819E-09  1.4901E-08 -5.9605E-08 -5.9605E-08", "IONOSPHERIC CORR") +
		head("GPSB   8.3968D+04  1.6384D+04 -1.3107D+05 -6.5536D+04", "IONOSPHERIC CORR") +
		head("", "END OF HEADER") +
		"G06 2021 09 22 02 00 00 7.914518937469E-05 7.503331289627D-12 0.000000000000E+00\n" + elements(2176, 266400) + row(2, 0, 3.7e-9, 56) + row(264198, 4) +
		"E08 2021 09 22 01 10 00 5.933824402746E-03-6.238565219974E-12 0.000000000000E+00\n" + strings.Replace(elements(2176, 263400), " 1.000000000000E+00 2.17", " 5.170000000000E+02 2.17", 1) + row(3.12, 0, -3.4e-9, -4.1e-9) + row(264177) +
		"C05 2021 09 22 02 00 00 1.0E-04             0.0                0.0\n" + elements(820, 266400) + row(2, 1, 4e-9, 5e-9) + row(264198, 3) +
		"R03 2021 09 22 02 15 00-1.4E-04             9.1E-13            2.64E+05\n" + row(14260.2, -1.38, 0, 0) + row(-5967.5, 2.4, 0, 5) + row(20344.6, 1.67, -2.8e-9, 0) +
		"G07 2021 09 22 02 00 00 x                  7.503331289627D-12 0.000000000000E+00\n" + elements(2176, 266400) + row(2, 0, 3.7e-9, 56) + row(264198, 4) +
		"G08 2021 09 22 02 00 00 0.0                0.0                 0.0\n" + row(1, 2, 3, 4) +
		"S20 2021 09 22 02 00 00 0.0                0.0                 0.0\n" + row(1) + row(1) + row(1)
	sets := map[string]orbit.Ephemeris{}
	n, err := ReadNavigation(strings.NewReader(text), func(e *orbit.Ephemeris) { sets[e.Sat.String()] = *e })
	if err != nil {
		t.Fatal(err)
	}
	if n.Sets != 4 || n.Skipped != 1 || n.Refused.Records != 2 || n.GPS.Beta[0] != 83968 {
		t.Errorf("%+v, refused first %v", n, n.Refused.First)
	}
	g, e, c, r := sets["G06"], sets["E08"], sets["C05"], sets["R03"]
	if g.Toe != (gnsstime.Time{Week: 2176, TOW: 266400}) || g.Week != 2176 || g.Issue != 56 || g.IssueClock != 56 || g.FitHours != 4 || g.Kepler.IDot != 3.4e-10 || g.GroupDelay[0] != 3.7e-9 {
		t.Errorf("G06: %+v", g)
	}
	if e.Source != orbit.INAV || e.Week != 1152 || e.Toe.TOW != 263400 || e.GroupDelay[1] != -4.1e-9 || e.Accuracy != 107 {
		t.Errorf("E08: %+v", e)
	}
	if c.Toe != (gnsstime.Time{Week: 2176, TOW: 266414}) || c.Toc != c.Toe || c.Healthy() || c.IssueClock != 3 {
		t.Errorf("C05: %+v", c)
	}
	// 02:15 UTC is 05:15 in Moscow, the 21st quarter of an hour, and 18 s later
	// by GPS.
	if r.Toe != (gnsstime.Time{Week: 2176, TOW: 3*86400 + 2*3600 + 15*60 + 18}) || r.Issue != 21 || r.Inertial.Channel != 5 || r.Inertial.Pos.Y != -5967500 || !r.Healthy() {
		t.Errorf("R03: %+v", r)
	}
}

func observationSeeds() []string {
	return []string{
		observationFile("> 2026 11 28 06 30  0.2000000  0  1\nG05  21243381.127 7 111634716.53717\n> 2026 11 28 06 30  0.4000000  0  2\nG05  21243381.127 7\nR09  20000000.000\n"),
		head("     2.11           OBSERVATION DATA    M (MIXED)", "RINEX VERSION / TYPE") + head("     2    C1    L1", "# / TYPES OF OBSERV") +
			head("", "END OF HEADER") + " 26 11 28  6 30  0.2000000  0  1G05\n  21243381.127 7 111634716.53717\n",
	}
}

func navigationSeeds() []string {
	return []string{
		head("     3.04           N: GNSS NAV DATA    M: MIXED", "RINEX VERSION / TYPE") + head("", "END OF HEADER") +
			"R03 2021 09 22 02 15 00-1.4E-04             9.1E-13            2.64E+05\n" + row(14260.2, -1.38, 0, 0) + row(-5967.5, 2.4, 0, 5) + row(20344.6, 1.67, -2.8e-9, 0) +
			"G06 2021 09 22 02 00 00 7.914518937469E-05 7.503331289627D-12 0.000000000000E+00\n" +
			row(56, 66.3125, 3.8e-9, -2.8) + row(3.4e-6, 0.012, 1e-5, 5153.5) + row(266400, 3.5e-8, 0.7, -3.1e-8) +
			row(0.98, 197, -1.01, -7.6e-9) + row(3.4e-10, 1, 2176, 0) + row(2, 0, 3.7e-9, 56) + row(264198, 4),
		head("     2.01           GLONASS NAV DATA", "RINEX VERSION / TYPE") + head("", "END OF HEADER") +
			" 1 16  6  6  0 15  0.0-0.142809003591D-03 0.000000000000D+00 0.300000000000D+02\n" +
			row(14260.2, -1.38, 0, 0)[1:] + row(-5967.5, 2.4, 0, 5)[1:] + row(20344.6, 1.67, -2.8e-9, 0)[1:],
	}
}

// checkObservations reads a file: whatever is in it, times and values are
// possible ones.
func checkObservations(t *testing.T, s string) (read bool) {
	h, err := ReadObservations(strings.NewReader(s), func(e *observation.Epoch) error {
		read = true
		if !(e.Time.TOW >= 0 && e.Time.TOW < gnsstime.Week) {
			t.Errorf("time %+v", e.Time)
		}
		for i := range e.Obs {
			if o := &e.Obs[i]; !o.Sat.Valid() || math.IsInf(o.Code, 0) || math.IsInf(o.Phase, 0) {
				t.Errorf("%+v", o)
			}
		}
		return nil
	})
	if err == nil && h == nil {
		t.Error("neither a header nor an error")
	}
	return read
}

// checkNavigation reads a file: every set has a satellite and a position.
func checkNavigation(t *testing.T, s string) (read bool) {
	ReadNavigation(strings.NewReader(s), func(e *orbit.Ephemeris) {
		read = true
		if !e.Sat.Valid() {
			t.Errorf("%+v", e.Sat)
		}
		if st := e.At(e.Toe.Add(100)); math.IsNaN(st.Pos.X) {
			t.Errorf("no position: %+v", e)
		}
	})
	return read
}

func FuzzReadObservations(f *testing.F) {
	for _, s := range observationSeeds() {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { checkObservations(t, s) })
}

func FuzzReadNavigation(f *testing.F) {
	for _, s := range navigationSeeds() {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { checkNavigation(t, s) })
}
