package dropouts

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/rtcm"
)

// text returns what Write writes, and holds it to 80 columns.
func text(t testing.TB, r *Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := r.Write(&b); err != nil {
		t.Fatal(err)
	}
	for _, l := range strings.Split(b.String(), "\n") {
		if n := len([]rune(l)); n > width {
			t.Errorf("%d columns: %s", n, l)
		}
	}
	return b.String()
}

// has reports each part that s lacks; parts are compared with all white space
// made one blank, since lines are wrapped.
func has(t testing.TB, s string, parts ...string) {
	t.Helper()
	s = strings.Join(strings.Fields(s), " ")
	for _, p := range parts {
		if !strings.Contains(s, p) {
			t.Errorf("%q is missing from:\n%s", p, s)
		}
	}
}

// A recording with everything: what a person asks is on the page.
func TestWrite(t *testing.T) {
	s := fixtures.Standard("link_silent", 2)
	files, labels := s.Files()
	r := examine(t, files)
	out := text(t, r)
	has(t, out, "recording 400.0 s from 2026-10-07", "UTC", "bytes/s", "wrong checksum", "GPS 8.9", "latency usually", fmt.Sprintf("station %d", s.Station),
		"from the surveyed ones (tolerance 0.050 m)", "from the car", "4000 epochs, 10.0 Hz; fixed", "correction age usually", "outages 2,", "near misses",
		"timeline, one mark is 1 s", "link ....", "____", "fix 1", "out ", "AAAA", "BBBB", "A At ", "(link_silent)", "Not a byte came for", "m along the lap",
		"Try: check base power", "1005", "base coordinates", "type count rate/s", "recurs")
	if strings.Contains(out, "not told") {
		t.Error("something is missing from a complete recording:", r.Missing)
	}
	// The timeline is silent where the label says so: seen late by the limit of
	// the link, over with the first epochs after.
	f := labels.Faults[0]
	for at := math.Ceil(f.From + 5); at < f.To-1; at++ {
		if got := r.Timeline.Link[int(at+labels.HostMinusUTC)]; got != '_' {
			t.Errorf("%.0f s: link %c, want _", at, got)
		}
	}
	if n := len(r.Timeline.Link); n != len(r.Timeline.Quality) || math.Abs(float64(n)-400) > 2 {
		t.Errorf("timeline of %d and %d s, want 400", n, len(r.Timeline.Quality))
	}
	for _, o := range r.Outages {
		if !(o.Where >= 0) || !(o.AgeMax > 20) || !slices.Contains(o.Facts, "no bytes") || o.Evidence.Silence < 20 || len(o.Qualities) < 3 {
			t.Errorf("evidence is missing: %+v", o)
		}
		if !(o.Requalified >= o.Flowing && o.Flowing >= o.End-1) {
			t.Errorf("ends %.1f, flows %.1f, requalified %.1f", o.End, o.Flowing, o.Requalified)
		}
	}
}

// Without a tap the receiver alone speaks: what it cannot tell is named, and
// nothing of the link is claimed.
func TestNoTap(t *testing.T) {
	for kind, cause := range map[string]string{"link_silent": "unknown", "receiver_silent": "receiver_silent", "sky_blocked": "sky_blocked"} {
		files, _ := fixtures.Standard(kind, 3).Files()
		delete(files, fixtures.CorrectionsFile)
		r := examine(t, files)
		if len(r.Outages) < 2 {
			t.Errorf("%s: %d outages", kind, len(r.Outages))
		}
		for _, o := range r.Outages {
			if o.Cause != cause {
				t.Errorf("%s: %s, want %s", kind, o.Cause, cause)
			}
		}
		if r.Link.Tapped || r.Link.LatencyUse.known() || r.Base.ID >= 0 || len(r.Types) > 0 {
			t.Errorf("%s: claims of a link that was not recorded: %+v", kind, r.Link)
		}
		out := text(t, r)
		has(t, out, "link not recorded", "the correction bytes were not recorded")
		if strings.Contains(out, "  link  ") || strings.Contains(out, "????") {
			t.Errorf("%s: the timeline shows a link that was not recorded", kind)
		}
	}
}

// The JSON object holds exactly the fields that Fields lists, with units in
// their names and null for what is not known.
func TestJSON(t *testing.T) {
	files, _ := fixtures.Standard("base_restarted", 1).Files()
	whole := examine(t, files)
	delete(files, fixtures.CorrectionsFile)
	var list bytes.Buffer
	if err := Fields(&list); err != nil {
		t.Fatal(err)
	}
	want := map[string]bool{}
	for _, l := range strings.Split(strings.TrimSpace(list.String()), "\n") {
		want[strings.Fields(l)[0]] = true
	}
	whole.Link.Refused = []Refused{{}}
	whole.Link.Rollovers, whole.Link.Gaps = []Rollover{{}}, []Gap{{}}
	whole.Reception, whole.Findings = []string{""}, []Finding{{}}            // only with observations
	whole.Ends = &Ends{Places: []EndPlace{{}}, Distances: []EndDistance{{}}} // only with the base's end
	whole.Outages[0].Base = &OutageBase{}
	whole.Part = &Part{} // only where one is asked for
	got := map[string]bool{}
	var walk func(v any, under string)
	walk = func(v any, under string) {
		switch v := v.(type) {
		case map[string]any:
			for k, x := range v {
				name := under + k
				if l, ok := x.([]any); ok {
					name += "[]"
					for _, e := range l {
						walk(e, name+".")
					}
				}
				got[name] = true
				walk(x, name+".")
			}
		}
	}
	decode := func(r *Report) (v map[string]any) {
		var b bytes.Buffer
		if err := r.WriteJSON(&b); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(b.Bytes(), &v); err != nil {
			t.Fatal(err)
		}
		return v
	}
	walk(decode(whole), "")
	for k := range want {
		if !got[k] {
			t.Errorf("%s is listed but not written", k)
		}
	}
	for k := range got {
		if !want[k] {
			t.Errorf("%s is written but not listed", k)
		}
	}

	bare := decode(examine(t, files))
	link, base := bare["link"].(map[string]any), bare["base"].(map[string]any)
	for name, v := range map[string]any{"latency_usual_s": link["latency_usual_s"], "bytes_per_s": link["bytes_per_s"],
		"longest_silence_s": link["longest_silence_s"], "station": base["station"], "off_m": base["off_m"], "baseline_m": base["baseline_m"]} {
		if v != nil {
			t.Errorf("without a tap %s is %v, want null", name, v)
		}
	}
	if types, ok := bare["message_types"].([]any); !ok || len(types) != 0 {
		t.Errorf("message_types is %v, want an empty list", bare["message_types"])
	}
}

// epochs encodes seconds of corrections of one base, host times half a second
// after the epochs; of seven, every fifth second has the coordinates.
func epochs(from float64, seconds int, id int, base geodesy.ECEF, each func(t float64, b []byte)) {
	for i := range seconds {
		u := from + float64(i)
		_, tow := gnsstime.UTCToGPS(u)
		day, moscow := gnsstime.UTCToGLONASS(u)
		var b []byte
		for k, sys := range []rtcm.System{rtcm.GPS, rtcm.GLONASS, rtcm.BeiDou} {
			m := rtcm.MSM{System: sys, Type: 4, Station: id, EpochMs: int64(math.Round(tow * 1000)), More: k < 2, Sats: []int{2, 5, 9, 14, 17, 22}, Signals: []int{2}, Filler: uint64(i)}
			switch sys {
			case rtcm.GLONASS:
				m.EpochMs, m.Day = int64(math.Round(moscow*1000)), day
			case rtcm.BeiDou:
				m.EpochMs = int64(math.Round(gnsstime.UTCToBDT(u) * 1000))
			}
			b = append(b, rtcm.EncodeMSM(m)...)
		}
		if i%5 == 0 {
			b = append(b, rtcm.EncodeBase(1005, id, base, 0)...)
		}
		each(u+0.5, b)
	}
}

// A file of corrections alone: the bases are told apart and measured, turns of
// the week and of the Moscow day are told as what they are, gaps are found; from
// raw bytes as well as from timed ones.
func TestCorrectionsAlone(t *testing.T) {
	one := geodesy.LLA{Lat: 44.5 * geodesy.Degree, Lon: 11.4 * geodesy.Degree, H: 120}.ECEF()
	two := geodesy.ECEF{X: one.X + 3000, Y: one.Y + 4000, Z: one.Z}
	var raw []byte
	csv := []byte("t,hex\n")
	add := func(at float64, b []byte) {
		raw = append(raw, b...)
		csv = fmt.Appendf(csv, "%.3f,%s\n", at+0.01*math.Sin(at), hex.EncodeToString(b))
	}
	week := 1_791_072_000.0 // Unix s of Sunday 2026-10-04 00:00:00 UTC, 18 s after the GPS week began
	epochs(week-18-60, 120, 7, one, add)
	epochs(week-18+80, 40, 8, two, add) // after a gap of 20 s, another base
	epochs(1_791_147_600-30, 60, 8, two, add)

	for name, files := range map[string]map[string][]byte{
		"timed": {fixtures.CorrectionsFile: csv},
		"raw":   {fixtures.CorrectionsFile: raw},
	} {
		r := examine(t, files)
		out := text(t, r)
		has(t, out, "1 to 2: 5000.000 m", "GPS week turned over", "(604799000 ms to 0 ms): so it should, no fault", "BeiDou week turned over",
			"GLONASS day turned over", "(86399000 ms to 0 ms)", "gap 21.0 s from epoch to epoch", "no receiver was recorded")
		if len(r.Stations) != 2 || r.Stations[0].ID != 7 || r.Stations[1].ID != 8 || math.Abs(float64(r.Stations[1].X)-two.X) > 1e-3 {
			t.Errorf("%s: stations %+v", name, r.Stations)
		}
		if n := len(r.Link.Rollovers); n != 3 {
			t.Errorf("%s: %d rollovers, want GPS week, BeiDou week, GLONASS day", name, n)
		}
		if r.Link.Timed != (name == "timed") || r.Link.LatencyTied {
			t.Errorf("%s: timed %v, tied %v", name, r.Link.Timed, r.Link.LatencyTied)
		}
		if len(r.Outages) == 0 || r.Outages[0].Cause != "base_restarted" {
			t.Errorf("%s: another base after a silence: %+v", name, r.Outages)
		}
	}
}

// What came between the last verdict line and the end of the recording counts,
// and an outage that the end cuts off is one.
func TestToTheEnd(t *testing.T) {
	at := geodesy.LLA{Lat: 44.5 * geodesy.Degree, Lon: 11.4 * geodesy.Degree, H: 120}.ECEF()
	csv := []byte("t,hex\n")
	last := 0.0
	epochs(1_791_147_600, 60, 8, at, func(t float64, b []byte) {
		csv = fmt.Appendf(csv, "%.3f,%s\n", t, hex.EncodeToString(b))
		last = t
	})
	count := func() (n int) {
		for _, row := range examine(t, map[string][]byte{fixtures.CorrectionsFile: csv}).Types {
			n += int(row.Count)
		}
		return n
	}
	before := count()
	for i := range 5 { // within 50 ms of the last line
		csv = fmt.Appendf(csv, "%.3f,%s\n", last+0.01*float64(i+1), hex.EncodeToString(rtcm.EncodeBase(1005, 8, at, 0)))
	}
	if n := count(); before < 60 || n != before+5 {
		t.Errorf("%d messages counted, %d with five more at the end", before, n)
	}
	s := fixtures.Standard("nominal", 4)
	s.Still, s.Duration = 12, 60
	s.Faults = []fixtures.Fault{{Kind: faults.Silent, From: 40, To: 70}}
	files, _ := s.Files()
	r := examine(t, files)
	if len(r.Outages) != 1 || !r.Outages[0].Unfinished || math.Abs(float64(r.Outages[0].End-r.From-r.Span)) > 0.1 {
		t.Errorf("outages %+v, want one that ends with the recording after %.3f s", r.Outages, r.Span)
	}
}

// Outages every 50 s at one place are told as such, with the chance beside; the
// test behind is checked in gnss/corrections.
func TestRecurs(t *testing.T) {
	s := fixtures.Standard("nominal", 4)
	for at := 80.0; at < 370; at += 50 {
		s.Faults = append(s.Faults, fixtures.Fault{Kind: faults.Silent, From: at, To: at + 8})
	}
	files, _ := s.Files()
	r := examine(t, files)
	if len(r.Outages) != 6 || math.Abs(float64(r.Recurrence.Period)-50) > 1 || !(r.Recurrence.PeriodP < 0.01) {
		t.Errorf("%d outages, %+v; want 6 every 50 s", len(r.Outages), r.Recurrence)
	}
	has(t, text(t, r), "recurs every 50", "random times do so with probability")
}

// A host clock that is set back tears no hole and turns nothing round.
func TestClockSetBack(t *testing.T) {
	s := fixtures.Standard("link_silent", 5)
	s.Faults = append(s.Faults, fixtures.Fault{Kind: faults.Clock, From: 200, To: 1e9, Size: -40})
	files, _ := s.Files()
	r := examine(t, files)
	text(t, r)
	if math.Abs(float64(r.Span)-400) > 3 || math.Abs(float64(len(r.Timeline.Link))-400) > 3 {
		t.Errorf("span %.1f s, timeline of %d s, want 400", float64(r.Span), len(r.Timeline.Link))
	}
	last := num(0)
	for _, o := range r.Outages {
		if o.At < last || o.Length < 0 || o.Cause != "link_silent" {
			t.Errorf("%s at %.1f s for %.1f s after one at %.1f s", o.Cause, float64(o.At), float64(o.Length), float64(last))
		}
		last = o.At
	}
	if len(r.Outages) != 2 {
		t.Errorf("%d outages, want 2", len(r.Outages))
	}
}

// A long recording keeps to few rows: the worst of each stretch shows.
func TestTimelineScale(t *testing.T) {
	for _, tt := range []struct{ seconds, step int }{{400, 1}, {720, 1}, {721, 2}, {3600, 5}, {36000, 60}} {
		if got := scale(tt.seconds); got != tt.step {
			t.Errorf("%d s: one mark is %d s, want %d", tt.seconds, got, tt.step)
		}
	}
	r := &Report{Timeline: Timeline{Link: strings.Repeat(".", 900) + "_" + strings.Repeat(".", 900), Quality: strings.Repeat("4", 1200) + "5-" + strings.Repeat("4", 599)}}
	var link, fix []byte
	for _, w := range r.rows(5) {
		link, fix = append(link, w.link...), append(fix, w.fix...)
	}
	if len(link) != 361 || link[180] != '_' || bytes.Count(link, []byte("_")) != 1 || fix[240] != '5' || bytes.Count(fix, []byte("5")) != 1 {
		t.Errorf("rows of %d marks\n%s\n%s", len(link), link, fix)
	}
}

// Streams measured by others (swift-nav/gnss-converters @ 5e9b637, LGPL-3;
// yoronneko/qzsl6tool @ a3d8694, BSD-2): four bases told apart, the week's turn
// told as one, six constellations seen.
func TestReal(t *testing.T) {
	dir := outside(t, "KERBLINE_REAL")
	open := func(name string) (*Report, string) {
		rec, err := recording.Open("", recording.Paths{Corrections: filepath.Join(dir, "rtcm", name)})
		if err != nil {
			t.Fatal(err)
		}
		r := run(t, rec)
		return r, text(t, r)
	}

	r, _ := open("four_bases.rtcm3")
	var ids []count
	for _, s := range r.Stations {
		ids = append(ids, s.ID)
	}
	if !slices.Equal(ids, []count{175, 1014, 59, 0}) || len(r.Distances) != 6 {
		t.Errorf("stations %v, %d distances", ids, len(r.Distances))
	}
	for _, d := range r.Distances {
		if d.Metres < 200e3 || d.Metres > 2000e3 {
			t.Errorf("%d to %d: %.0f m, want hundreds of km", d.From, d.To, float64(d.Metres))
		}
	}
	for _, o := range r.Outages {
		if o.Cause != "base_restarted" {
			t.Errorf("%s, want a base that was another after each pause", o.Text)
		}
	}

	r, out := open("week_rollover.rtcm3")
	has(t, out, "GPS week turned over at 591.0 s (604799000 ms to 0 ms): so it should, no fault", "BeiDou week turned over at 605.0 s")
	if len(r.Outages) != 0 || len(r.Link.Gaps) != 0 || r.Link.Epochs != 1134 {
		t.Errorf("%d outages, %d gaps, %d epochs; want 1134 epochs and nothing wrong", len(r.Outages), len(r.Link.Gaps), r.Link.Epochs)
	}

	r, _ = open("six_systems.rtcm3")
	var systems []string
	for _, s := range r.Link.Systems {
		systems = append(systems, s.Name)
	}
	if got := strings.Join(systems, " "); got != "GPS GLONASS Galileo QZSS BeiDou NavIC" || len(r.Outages) != 0 {
		t.Errorf("systems %s, %d outages", got, len(r.Outages))
	}
	for _, name := range []string{"msm7.rtcm3", "glonass_day_rollover.rtcm3"} {
		if r, out := open(name); len(r.Outages) != 0 || !regexp.MustCompile(`frames, 0 with a wrong checksum`).MatchString(out) {
			t.Errorf("%s: %d outages", name, len(r.Outages))
		}
	}

	rec, err := recording.Open("", recording.Paths{GNSS: filepath.Join(dir, "walk", "receiver.bin")})
	if err != nil {
		t.Fatal(err)
	}
	r = run(t, rec)
	has(t, text(t, r), "link not recorded", "536 epochs, 4.0 Hz; fixed 65.1 %, float 34.9 %", "outages none")
}
