package settings

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/fusion/verdict"
)

// What is printed must load and give the same settings: defaults first, then
// one file in which every key differs from its default.
func TestPrintThenLoad(t *testing.T) {
	d := Default()
	var b bytes.Buffer
	if err := Print(&b, &d); err != nil {
		t.Fatal(err)
	}
	got, err := Parse("printed", b.Bytes())
	if err != nil {
		t.Fatalf("the printed defaults do not load: %v", err)
	}
	if !reflect.DeepEqual(got, d) {
		t.Errorf("printing then loading gives\n%+v\nwant the defaults\n%+v", got, d)
	}
	for _, k := range Keys {
		line := "\n" + last(k.Name) + " = "
		if !strings.Contains(b.String(), line) {
			t.Errorf("%s is not printed", k.Name)
		}
		if k.Doc == "" {
			t.Errorf("%s has no meaning", k.Name)
		}
	}

	for name, print := range map[string]func(*bytes.Buffer, *File) error{
		"Print":        func(b *bytes.Buffer, f *File) error { return Print(b, f) },
		"PrintChanged": func(b *bytes.Buffer, f *File) error { return PrintChanged(b, f) },
	} {
		f := changedEverywhere(t)
		b.Reset()
		if err := print(&b, &f); err != nil {
			t.Fatal(err)
		}
		got, err := Parse("printed", b.Bytes())
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, b.String())
		}
		if !reflect.DeepEqual(got, f) {
			t.Errorf("%s then loading gives\n%+v\nwant\n%+v", name, got, f)
		}
	}
}

// changedEverywhere returns settings of which no key has its default.
func changedEverywhere(t *testing.T) File {
	t.Helper()
	f := Default()
	v := reflect.ValueOf(&f).Elem()
	for _, k := range Keys {
		fv := v.FieldByIndex(k.index)
		switch k.kind() {
		case reflect.String:
			switch k.Name {
			case "columns.imu":
				fv.SetString(`t[ms] wx wy wz fx[g] fy fz "x" \`)
			case "driven":
				fv.SetString("reactive")
			case "time_zone":
				fv.SetString("Asia/Kathmandu")
			case "columns.fix":
				fv.SetString("t\tlat\tlon")
			case "columns.fix_quality":
				fv.SetString("1=fixed,2 = float")
			case "columns.wheel":
				fv.SetString(`"v"[km/h], "t"`)
			default:
				fv.SetString(`tcp://192.0.2.1:2000 "x" \` + "\t")
			}
		case reflect.Int:
			fv.SetInt(fv.Int() + 1)
		case reflect.Float64:
			for i := 0; i < max(1, k.elems()); i++ {
				e := fv
				if k.elems() > 0 {
					e = fv.Index(i)
				}
				// A third of the way between the default and a limit: a number with a full mantissa.
				lim := k.Max
				if e.Float() == lim {
					lim = k.Min
				}
				e.SetFloat(e.Float() + (lim-e.Float())/3)
			}
		}
	}
	f.Base.ECEF = [3]float64{4475369.4707, 940002.6416, 4431442.9193}
	f.Marks = []fusion.Mark{{Name: "pit \"out\"", Lat: 44.1, Lon: -11.9, H: 150.25}, {Name: "line", Lat: 44.2, Lon: 11.8, H: -1}}
	return f
}

func TestPrintChanged_OnlyChanges(t *testing.T) {
	f := Default()
	var b bytes.Buffer
	if err := PrintChanged(&b, &f); err != nil || b.Len() != 0 {
		t.Errorf("unchanged settings print %q (%v), want nothing", b.String(), err)
	}
	f.Tests.Dwell = 2
	if err := PrintChanged(&b, &f); err != nil {
		t.Fatal(err)
	}
	if got := b.String(); !strings.Contains(got, "\n[tests]\ndwell_s = 2.0  # s: requalification") || strings.Count(got, " = ") != 1 {
		t.Errorf("one changed key prints\n%s", got)
	}
}

// The keys that other tools may write have fixed names.
func TestFixedNames(t *testing.T) {
	f, err := Parse("f.toml", []byte(`
[vehicle]
antenna_m = [0.542, -0.125, 1]
half_width_m = 0.6
brake_mps2 = 5
reaction_s = 0.4
reactive_speed_mps = 7
[limits]
lateral_m = 0.4
along_m = 0.9
heading_deg = 2
risk = 1e-6
risk_coast = 0.02
[base]
ecef_m = [4475369.4707, 940002.6416, 4431442.9193]
station = 1201
tolerance_m = 0.04
[gnss]
latency_s = 0.1
`))
	if err != nil {
		t.Fatal(err)
	}
	w := Default()
	w.Vehicle.Antenna, w.Vehicle.HalfWidth, w.Vehicle.Brake, w.Vehicle.Reaction, w.Vehicle.ReactiveSpeed = [3]float64{0.542, -0.125, 1}, 0.6, 5, 0.4, 7
	w.Limits = verdict.Limits{Lateral: 0.4, Along: 0.9, Heading: 2, Risk: 1e-6, RiskCoast: 0.02}
	w.Base = fusion.Base{ECEF: [3]float64{4475369.4707, 940002.6416, 4431442.9193}, Station: 1201, Tolerance: 0.04}
	w.GNSS.Latency = 0.1
	if !reflect.DeepEqual(f, w) {
		t.Errorf("got  %+v\nwant %+v", f, w)
	}
}

func TestParse_Refusals(t *testing.T) {
	for _, tt := range []struct{ name, in, want string }{
		{"unknown key", "[limits]\nlateral = 0.5", `f.toml:2: unknown key "limits.lateral", did you mean "limits.lateral_m"?`},
		{"typing error", "[tests]\n\ndwel_s = 2", `f.toml:3: unknown key "tests.dwel_s", did you mean "tests.dwell_s"?`},
		{"right key, wrong table", "[limits]\nbrake_mps2 = 4", `f.toml:2: unknown key "limits.brake_mps2", did you mean "vehicle.brake_mps2"?`},
		{"key without table", "antenna_m = [0, 0, 1]", `f.toml:1: unknown key "antenna_m", did you mean "vehicle.antenna_m"?`},
		{"case", "[limits]\nLateral_m = 0.5", `f.toml:2: unknown key "limits.Lateral_m", did you mean "limits.lateral_m"?`},
		{"unknown table", "[limit]\nlateral_m = 0.5", `f.toml:1: unknown table "limit", did you mean "limits"?`},
		{"unknown inline table", "limit = {lateral_m = 0.5}", `f.toml:1: unknown key`},
		{"text for number", "[limits]\nlateral_m = \"0.5\"", `f.toml:2: limits.lateral_m is "0.5", want a number in m`},
		{"number for text", "[sources]\ngnss = 3", `f.toml:2: sources.gnss is 3, want text in quotes`},
		{"fraction for whole number", "[gnss]\nmin_sats = 5.5", `f.toml:2: gnss.min_sats is 5.5, want a whole number`},
		{"bool for number", "[gnss]\nmax_age_s = true", `f.toml:2: gnss.max_age_s is true, want a number in s`},
		{"two coordinates", "[vehicle]\nantenna_m = [0.5, 1]", `f.toml:2: vehicle.antenna_m holds 2 values, want [3 numbers] in m`},
		{"four coordinates", "[vehicle]\nantenna_m = [0.5, 1, 2, 3]", `f.toml:2: vehicle.antenna_m holds 4 values, want [3 numbers] in m`},
		{"number for three", "[vehicle]\nantenna_m = 0.5", `f.toml:2: vehicle.antenna_m is 0.5, want [3 numbers] in m`},
		{"text in three", "[vehicle]\nantenna_m = [0.5, \"a\", 1]", `f.toml:2: vehicle.antenna_m is "a", want [3 numbers] in m`},
		{"too small", "[limits]\nlateral_m = 0", `f.toml:2: limits.lateral_m is 0, want 0.01 to 50 m`},
		{"too large", "[vehicle]\nantenna_m = [0, 542, 0]", `f.toml:2: vehicle.antenna_m is 542, want -20 to 20 m`},
		{"nan", "[limits]\nrisk = nan", `f.toml:2: limits.risk is NaN, want 1e-12 to 0.3`},
		{"inf", "[base]\ntolerance_m = +inf", `f.toml:2: base.tolerance_m is +Inf, want 0.001 to 10 m`},
		{"overflow", "[gnss]\nmin_sats = 99999999999999999999", `f.toml:2: gnss.min_sats`},
		{"base in space", "[base]\necef_m = [4475369.0, 940002.0, 5431442.0]", `f.toml: base.ecef_m is`},
		{"base in km", "[base]\necef_m = [4475.369, 940.002, 4431.442]", `f.toml: base.ecef_m is`},
		{"twice", "[limits]\nrisk = 0.1\nrisk = 0.2", `f.toml:3: key risk is already defined`},
		{"syntax", "[limits\nrisk = 0.1", `f.toml:1: expected ']' to close table name`},
		{"not text", "\xff\xfe\x00", `f.toml: text in UTF-16`},
		{"password", "[sources]\ncorrections = \"ntrip://me:pw@example.org/M\"", `f.toml:2: sources.corrections holds a password, want it in the environment only`},
		{"marks as table", "[marks]\nname = \"a\"", `f.toml:1: table "marks", want [[marks]]`},
		{"time zone", "time_zone = \"CEST\"", `f.toml: time_zone: time zone "CEST" is not known, want a name of the IANA database, like Europe/Berlin`},
		{"who steers", "driven = \"autopilot\"", `f.toml: driven is "autopilot", want one of ["map" "manual" "reactive"]`},
		{"table as marks", "[[limits]]\nrisk = 0.1", `f.toml:1: table "limits", want [limits]`},
		{"mark key", "[[marks]]\nname=\"a\"\nlat=1\nlat_deg=1\nlon_deg=1\nh_m=0", `f.toml:3: unknown key "marks.lat", did you mean "marks.lat_deg"?`},
		{"mark without place", "[[marks]]\nname=\"a\"\nlat_deg=1\nh_m=1\n[limits]\n", `f.toml:1: mark without lon_deg, want a number in deg`},
		{"inline mark without place", "marks = [{name=\"a\", lat_deg=1, lon_deg=2}]", `f.toml:1: mark without h_m, want a number in m`},
		{"mark off the globe", "[[marks]]\nname=\"a\"\nlat_deg=91\nlon_deg=0\nh_m=0", `f.toml:3: marks.lat_deg is 91, want -90 to 90 deg`},
	} {
		f, err := Parse("f.toml", []byte(tt.in))
		if err == nil {
			t.Errorf("%s: accepted, want %q", tt.name, tt.want)
			continue
		}
		if !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %q, want %q", tt.name, err, tt.want)
		}
		if !reflect.DeepEqual(f, Default()) {
			t.Errorf("%s: a refused file changed the settings", tt.name)
		}
	}
}

func TestParse_AllProblemsAtOnce(t *testing.T) {
	_, err := Parse("f.toml", []byte("[limits]\nlateral = 1\nrisk = 2\n[vehicel]\nx = 1\n"))
	ps, ok := err.(Problems)
	if !ok || len(ps) != 3 || ps[0].Line != 2 || ps[1].Line != 3 || ps[2].Line != 4 {
		t.Errorf("got %v, want three problems at lines 2, 3, 4", err)
	}
}

func TestParse_Accepts(t *testing.T) {
	for _, in := range []string{
		"", "\ufeff[limits]\r\nrisk = 0.1\r\n", "limits.risk = 0.1", "limits = {risk = 0.1}",
		"marks = [{name = \"a\", lat_deg = 1, lon_deg = 2, h_m = 3}]", "[gnss]\nmin_sats = 0x10",
		"[vehicle]\nantenna_m = [0, # forward\n 1_0, # left\n 2.5]", "[base]\necef_m = [0, 0, 0]",
		"[sources]\ncorrections = \"ntrip://me@example.org/M\"",
	} {
		if _, err := Parse("f.toml", []byte(in)); err != nil {
			t.Errorf("%q: %v", in, err)
		}
	}
}

func TestLoad_Files(t *testing.T) {
	dir := t.TempDir()
	big := filepath.Join(dir, "big.toml")
	if err := os.WriteFile(big, make([]byte, maxFile+1), 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		dir:                          "is a folder, want a TOML file",
		big:                          "bytes, want a TOML file of at most",
		filepath.Join(dir, "no.tml"): "no such file or directory, want a TOML file",
	} {
		if _, err := Load(path); err == nil || !strings.Contains(err.Error(), want) || strings.Count(err.Error(), path) != 1 {
			t.Errorf("%s: %v, want it to say %q", path, err, want)
		}
	}
}

func TestSet(t *testing.T) {
	f := Default()
	for _, a := range []string{"tests.dwell_s=2", " vehicle.antenna_m = [0.5, 0, 1]", "gnss.min_sats=7", "sources.imu=serial:///dev/ttyUSB0?baud=115200", `sources.gnss="-"`, "limits.risk=1e-6"} {
		if err := f.Set(a); err != nil {
			t.Errorf("%s: %v", a, err)
		}
	}
	w := Default()
	w.Tests.Dwell, w.Vehicle.Antenna, w.GNSS.MinSats, w.Limits.Risk = 2, [3]float64{0.5, 0, 1}, 7, 1e-6
	w.Sources = Sources{IMU: "serial:///dev/ttyUSB0?baud=115200", GNSS: "-"}
	if !reflect.DeepEqual(f, w) {
		t.Errorf("got  %+v\nwant %+v", f, w)
	}
	for a, want := range map[string]string{
		"tests.dwell=2":              `unknown key "tests.dwell", did you mean "tests.dwell_s"?`,
		"tests.dwell_s":              `"tests.dwell_s", want key=value`,
		"tests.dwell_s=":             `tests.dwell_s is "", want a number in s`,
		"tests.dwell_s=two":          `tests.dwell_s is "two", want a number in s`,
		"tests.dwell_s=1000":         `tests.dwell_s is 1000, want 0.2 to 60 s`,
		"tests.dwell_s=2\nx=3":       `want a number in s`,
		"tests.dwell_s=2 # hm":       ``, // a comment is TOML
		"marks.lat_deg=2":            `unknown key "marks.lat_deg"`,
		"base.ecef_m=[1,2,3]":        `base.ecef_m is`,
		"vehicle.antenna_m=[1,2]":    `vehicle.antenna_m holds 2 values`,
		"sources.gnss=ntrip://a:b@c": `holds a password`,
	} {
		before := f
		err := f.Set(a)
		if want == "" {
			if err != nil {
				t.Errorf("%q: %v", a, err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", a, err, want)
		}
		if !reflect.DeepEqual(f, before) {
			t.Errorf("%q: refused, yet changed the settings", a)
		}
	}
}

// Every default lies within its own limits; tags are written by hand.
func TestDefaultsArePossible(t *testing.T) {
	f := Default()
	v := reflect.ValueOf(&f).Elem()
	for _, k := range Keys {
		fv := v.FieldByIndex(k.index)
		check := func(x float64) {
			if s := k.outside(x); s != "" {
				t.Error(s)
			}
		}
		switch k.typ.Kind() {
		case reflect.Float64:
			check(fv.Float())
		case reflect.Int:
			check(float64(fv.Int()))
		case reflect.Array:
			for i := 0; i < fv.Len(); i++ {
				check(fv.Index(i).Float())
			}
		}
		if k.kind() != reflect.String && (math.IsInf(k.Min, 0) || math.IsInf(k.Max, 0)) {
			t.Errorf("%s has no min or max", k.Name)
		}
	}
}

func FuzzParse(f *testing.F) {
	var b bytes.Buffer
	d := Default()
	if err := Print(&b, &d); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Add([]byte("[[marks]]\nname=\"a\"\nlat_deg=1\nlon_deg=2\nh_m=3\n[base]\necef_m=[1,2,[3]]\nv={a={b=1}}"))
	f.Fuzz(func(t *testing.T, in []byte) {
		got, err := Parse("f", in)
		if err != nil {
			return
		}
		// What is accepted must survive printing.
		b.Reset()
		if err := Print(&b, &got); err != nil {
			t.Fatal(err)
		}
		again, err := Parse("printed", b.Bytes())
		if err != nil || fmt.Sprintf("%+v", again) != fmt.Sprintf("%+v", got) {
			t.Fatalf("%q loads as %+v, printed and loaded again as %+v (%v)", in, got, again, err)
		}
	})
}
