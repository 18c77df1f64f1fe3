package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// calendar is a GPS time by the calendar of GPS time.
func calendar(t gnsstime.Time) time.Time {
	return time.Unix(gnsstime.GPSEpoch, 0).UTC().AddDate(0, 0, 7*t.Week).Add(time.Duration(math.Round(t.TOW*1e6)) * time.Microsecond)
}

// observationFile writes epochs as RINEX 3.04 (the format description, from memory).
func observationFile(b *bytes.Buffer, at geodesy.ECEF, epochs []observation.Epoch) {
	line := func(label, format string, args ...any) {
		fmt.Fprintf(b, "%-60s%s\n", fmt.Sprintf(format, args...), label)
	}
	line("RINEX VERSION / TYPE", "%9.2f%11s%-20s%-20s", 3.04, "", "OBSERVATION DATA", "M")
	line("APPROX POSITION XYZ", "%14.4f%14.4f%14.4f", at.X, at.Y, at.Z)
	line("ANTENNA: DELTA H/E/N", "%14.4f%14.4f%14.4f", 0.0, 0.0, 0.0)
	types := map[satellite.System][]satellite.Signal{}
	for i := range epochs {
		for _, o := range epochs[i].Obs {
			known := false
			for _, s := range types[o.Sat.System] {
				known = known || s == o.Signal
			}
			if !known {
				types[o.Sat.System] = append(types[o.Sat.System], o.Signal)
			}
		}
	}
	for sys := range satellite.NSystems {
		if len(types[sys]) == 0 {
			continue
		}
		var list strings.Builder
		for _, s := range types[sys] {
			fmt.Fprintf(&list, " C%v L%v D%v S%v", s, s, s, s)
		}
		line("SYS / # / OBS TYPES", "%c  %3d%s", sys.Letter(), 4*len(types[sys]), list.String())
	}
	line("TIME OF FIRST OBS", "%43s%5s%3s", "", "", "GPS")
	line("END OF HEADER", "")
	value := func(v float64, lli byte) string {
		if math.IsNaN(v) {
			return fmt.Sprintf("%16s", "")
		}
		return fmt.Sprintf("%14.3f%c ", v, lli)
	}
	lock := map[string]float64{}
	for i := range epochs {
		e := &epochs[i]
		rows := map[satellite.ID][]string{}
		var order []satellite.ID
		for k := range e.Obs {
			o := &e.Obs[k]
			list := types[o.Sat.System]
			if rows[o.Sat] == nil {
				rows[o.Sat] = make([]string, len(list))
				order = append(order, o.Sat)
			}
			name := o.Sat.String() + o.Signal.String()
			lli := byte(' ')
			if before, ok := lock[name]; ok && o.Lock < before {
				lli = '1'
			}
			lock[name] = o.Lock
			if o.HalfCycle {
				lli = "23"[map[byte]int{' ': 0, '1': 1}[lli]]
			}
			for j, s := range list {
				if s == o.Signal {
					rows[o.Sat][j] = value(o.Code, ' ') + value(o.Phase, lli) + value(o.Doppler, ' ') + value(o.CN0, ' ')
				}
			}
		}
		c := calendar(e.Time)
		fmt.Fprintf(b, "> %04d %02d %02d %02d %02d%11.7f  0%3d\n", c.Year(), c.Month(), c.Day(), c.Hour(), c.Minute(), float64(c.Second())+float64(c.Nanosecond())*1e-9, len(order))
		for _, id := range order {
			b.WriteString(id.String())
			for _, r := range rows[id] {
				if r == "" {
					r = fmt.Sprintf("%64s", "")
				}
				b.WriteString(r)
			}
			b.WriteByte('\n')
		}
	}
}

// navigationFile writes sets of GPS, Galileo and BeiDou as RINEX 3.04.
func navigationFile(b *bytes.Buffer, sets []orbit.Ephemeris) {
	line := func(label, format string, args ...any) {
		fmt.Fprintf(b, "%-60s%s\n", fmt.Sprintf(format, args...), label)
	}
	line("RINEX VERSION / TYPE", "%9.2f%11s%-20s%-20s", 3.04, "", "NAVIGATION DATA", "M")
	line("END OF HEADER", "")
	for i := range sets {
		e := &sets[i]
		shift, week, source, d := 0.0, e.Week, 0.0, e.GroupDelay[1]
		switch e.Sat.System {
		case satellite.Galileo:
			week, source = week+1024, 517
		case satellite.BeiDou:
			shift = gnsstime.BDTMinusGPS
		default:
			d = float64(e.IssueClock)
		}
		c := calendar(e.Toc.Add(shift))
		fmt.Fprintf(b, "%v %04d %02d %02d %02d %02d %02d%19.12e%19.12e%19.12e\n", e.Sat, c.Year(), c.Month(), c.Day(), c.Hour(), c.Minute(), c.Second(), e.Af0, e.Af1, e.Af2)
		k := &e.Kepler
		rows := [][4]float64{
			{float64(e.Issue), k.Crs, k.DeltaN, k.M0}, {k.Cuc, k.Ecc, k.Cus, k.SqrtA}, {e.Toe.Add(shift).TOW, k.Cic, k.Omega0, k.Cis},
			{k.I0, k.Crc, k.Omega, k.OmegaDot}, {k.IDot, source, float64(week), 0}, {2, float64(e.Health), e.GroupDelay[0], d}, {e.Toe.TOW, 0, 0, 0}}
		for _, r := range rows {
			fmt.Fprintf(b, "    %19.12e%19.12e%19.12e%19.12e\n", r[0], r[1], r[2], r[3])
		}
	}
}

// toRINEX writes a copy of a recording whose observations are RINEX files.
func toRINEX(t *testing.T, dir string) string {
	t.Helper()
	rec, err := recording.Open(dir, recording.Paths{})
	if err != nil {
		t.Fatal(err)
	}
	feed, err := rec.Feed(fusion.DefaultConfig())
	if err != nil {
		t.Fatal(err)
	}
	defer feed.Close()
	var rover, base []observation.Epoch
	var sets orbit.Store
	var at geodesy.ECEF
	for {
		list, err := feed.Next()
		if err != nil {
			break
		}
		for i := range list {
			m := &list[i]
			switch {
			case m.Kind == fusion.KindEphemeris:
				sets.Add(m.Ephemeris)
			case m.Kind == fusion.KindFrame && m.Frame.HasBase:
				at = m.Frame.Base
			case m.Kind == fusion.KindObservation:
				e := *m.Observed
				e.Obs = append([]observation.Observation(nil), e.Obs...)
				if m.Channel == fusion.ChanCorrections {
					base = append(base, e)
				} else {
					rover = append(rover, e)
				}
			}
		}
	}
	out := t.TempDir()
	for _, name := range []string{"nmea.log", "imu.csv", "wheel.csv", "kerbline.toml", "track.geojson"} {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(out, name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	var list []orbit.Ephemeris
	for i := range satellite.NumIndices {
		list = append(list, sets.Sets(satellite.ID{System: satellite.System(i / satellite.MaxNumber), Number: uint8(i%satellite.MaxNumber + 1)})...)
	}
	var r, b, n bytes.Buffer
	observationFile(&r, geodesy.ECEF{}, rover)
	observationFile(&b, at, base)
	navigationFile(&n, list)
	for name, data := range map[string][]byte{"rover.obs": r.Bytes(), "base.obs": b.Bytes(), "day.nav": n.Bytes()} {
		if err := os.WriteFile(filepath.Join(out, name), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// A folder with RINEX files of rover, base and orbits says of the fix what the same
// recording said with the messages they were made from, and goes into an MCAP file.
func TestRINEX_Replay(t *testing.T) {
	dir := observedFolder(t, func(s *fixtures.Scenario) { s.Observe.SlipRate, s.Observe.HalfTime = 0.01, 5 })
	with := toRINEX(t, dir)
	mcap := filepath.Join(t.TempDir(), "run.mcap")
	if code, _, errOut := kerbline(t, "convert", with, mcap); code != 0 {
		t.Fatal(errOut)
	}
	type line struct {
		Verdict string
		Reasons []string
	}
	usable := func(from string) (n int, all []byte) {
		t.Helper()
		out := filepath.Join(t.TempDir(), "verdicts")
		code, text, errOut := kerbline(t, "replay", from, "--verdicts", out)
		if code != 0 {
			t.Fatal(errOut)
		}
		if !strings.Contains(text+errOut, "epochs of rover and base") {
			t.Errorf("%s: replay says nothing of observations:\n%s%s", from, text, errOut)
		}
		all, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range bytes.Split(bytes.TrimSpace(all), []byte("\n")) {
			var l line
			if err := json.Unmarshal(s, &l); err != nil {
				t.Fatal(err)
			}
			if l.Verdict == "usable" {
				n++
			}
		}
		return n, all
	}
	was, _ := usable(dir)
	is, lines := usable(with)
	_, again := usable(mcap)
	if was < 100 || math.Abs(float64(is-was)) > 0.05*float64(was) {
		t.Errorf("%d usable lines with RINEX, %d with the messages", is, was)
	}
	if !bytes.Equal(lines, again) {
		t.Error("another verdict from the MCAP file")
	}
	_, text, errOut := kerbline(t, "dropouts", with)
	for _, want := range []string{"rover: 2 Hz, GPS ", "base: 1 Hz, GPS "} {
		if !strings.Contains(text+errOut, want) {
			t.Errorf("dropouts lacks %q:\n%s%s", want, text, errOut)
		}
	}
	_, text, errOut = kerbline(t, "replay", with, "--verdicts", os.DevNull)
	if !strings.Contains(text+errOut, "read as the rover's observations") {
		t.Errorf("replay does not say what it read:\n%s%s", text, errOut)
	}
}

// What is no such file, or could be either, is named with what to do.
func TestRINEX_Refused(t *testing.T) {
	dir := toRINEX(t, observedFolder(t, func(s *fixtures.Scenario) { s.Duration = 60 }))
	file := func(name string) string { return filepath.Join(dir, name) }
	write := func(name, text string) string {
		p := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(p, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return p
	}
	compact := write("compact", fmt.Sprintf("%-60s%s\n", "1.0                 COMPACT RINEX FORMAT", "CRINEX VERS   / TYPE"))
	zipped := write("rover.obs.gz", "\x1f\x8b\x08 and so on")
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--observations", compact}, "Hatanaka"},
		{[]string{"--observations", zipped}, "compressed, want it unpacked"},
		{[]string{"--observations", file("day.nav")}, "want observations there, and this file as --navigation"},
		{[]string{"--navigation", file("rover.obs")}, "file type"},
	} {
		code, out, errOut := kerbline(t, append([]string{"replay", dir}, c.args...)...)
		if code == 0 || !strings.Contains(errOut, c.want) {
			t.Errorf("%v: exit %d, want a word of %q:\n%s%s", c.args, code, c.want, out, errOut)
		}
	}
	b, err := os.ReadFile(file("rover.obs"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file("second.obs"), b, 0o644); err != nil {
		t.Fatal(err)
	}
	if code, _, errOut := kerbline(t, "replay", dir); code == 0 || !strings.Contains(errOut, "want --observations FILE") {
		t.Errorf("two rovers: exit %d: %s", code, errOut)
	}
}
