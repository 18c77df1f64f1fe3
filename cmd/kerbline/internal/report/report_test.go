package report

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"image/png"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/fusion"
	"kerbline/fusion/course"
	"kerbline/fusion/day"
	"kerbline/fusion/score"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// replayed is one recording run once: its session, and the lines that the same
// run writes.
type replayed struct {
	files    map[string][]byte
	session  *day.Session
	trace    Trace
	settings settings.File
	course   []byte
	verdicts []lines.Verdict
	events   []fusion.Event
}

// replay runs a scenario through monitor, collector and the writers of lines.
func replay(t testing.TB, s fixtures.Scenario) *replayed {
	t.Helper()
	files, _ := s.Files()
	r := &replayed{files: files, course: files["track.geojson"]}
	rec, err := recording.FromFiles(files)
	if err != nil {
		t.Fatal(err)
	}
	if r.settings, err = rec.Settings(); err != nil {
		t.Fatal(err)
	}
	truth, err := rec.Truth()
	if err != nil {
		t.Fatal(err)
	}
	col := day.NewCollector(s.Name, &r.settings.Config, truth)
	take := func(snap *fusion.Snapshot, evs []fusion.Event) error {
		col.Add(snap, evs)
		r.trace.Add(snap)
		if snap != nil {
			v, err := lines.ParseVerdict(lines.AppendVerdict(nil, snap))
			if err != nil {
				t.Fatal(err)
			}
			r.verdicts = append(r.verdicts, v)
		}
		for i := range evs {
			e, err := lines.ParseEvent(lines.AppendEvent(nil, &evs[i]))
			if err != nil {
				t.Fatal(err)
			}
			r.events = append(r.events, e)
		}
		return nil
	}
	if _, _, err := runner.Monitor(t.Context(), rec, r.settings.Config, runner.Watch{After: take}); err != nil {
		t.Fatal(err)
	}
	r.session = col.Session()
	return r
}

func (r *replayed) input(t testing.TB) Input {
	t.Helper()
	in := Input{Session: r.session, Settings: r.settings, Trace: &r.trace}
	if r.course != nil {
		crs, err := course.Load(r.course)
		if err != nil {
			t.Fatal(err)
		}
		in.Course = crs
	}
	return in
}

func (r *replayed) page(t testing.TB) *Page {
	t.Helper()
	p, err := New([]Input{r.input(t)}, day.Ask{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// eventful is a recording with a silent link and a jump, run once for all tests.
var eventful = struct {
	once sync.Once
	r    *replayed
}{}

func fixture(t testing.TB) *replayed {
	t.Helper()
	eventful.once.Do(func() {
		s := fixtures.Standard("nominal", 11)
		s.Name, s.Duration = "eventful", 200
		s.Sentences.GSV, s.Sentences.GSA = true, true
		jump := fixtures.Standard("jump", 11).Faults[0]
		jump.From, jump.To, jump.Size = 150, 155, 0.6
		s.Faults = []fixtures.Fault{{Kind: faults.Silent, From: 75, To: 105, Dir: [3]float64{1, 0, 0}}, jump}
		eventful.r = replay(t, s)
	})
	if eventful.r == nil {
		t.Fatal("the recording could not be run")
	}
	return eventful.r
}

// table returns a table by name, as the columns of its CSV text.
func table(t testing.TB, p *Page, name string) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	err := p.EachTable(func(file string, tab *Table) error {
		if file != name {
			return nil
		}
		var b bytes.Buffer
		if err := tab.WriteCSV(&b); err != nil {
			return err
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			return err
		}
		for i, h := range rows[0] {
			out[h] = []string{}
			for _, row := range rows[1:] {
				out[h] = append(out[h], row[i])
			}
		}
		return nil
	})
	if err != nil || len(out) == 0 {
		t.Fatalf("table %s: %v", name, err)
	}
	return out
}

func number(s string) float64 {
	if s == "" {
		return math.NaN()
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return math.Inf(1)
	}
	return v
}

// same compares to the decimals that are printed; unknown equals unknown.
func same(got, want, tol float64) bool {
	return math.IsNaN(got) && math.IsNaN(want) || math.Abs(got-want) <= tol
}

// held returns for how long each line stands: until the next, half a second at
// most; the last as long as the one before.
func held(vs []lines.Verdict) []float64 {
	dt := make([]float64, len(vs))
	for i := range vs {
		if i+1 < len(vs) {
			dt[i] = math.Min(float64(vs[i+1].T-vs[i].T), 0.5)
		} else if i > 0 {
			dt[i] = dt[i-1]
		}
	}
	return dt
}

// Every figure over time follows from the lines that replay writes: what is
// plotted is computed a second time from them alone, with the truth file for
// the errors.
func TestSeriesReproduced(t *testing.T) {
	r := fixture(t)
	col := table(t, r.page(t), "series")
	truth, err := score.ReadTruth(bytes.NewReader(r.files["truth.csv"]))
	if err != nil {
		t.Fatal(err)
	}
	crs, err := course.Load(r.course)
	if err != nil {
		t.Fatal(err)
	}
	frame := geodesy.NewFrame(crs.Origin())
	crs.Bind(frame)
	step := number(col["step_s"][0])
	n := len(col["x_s"])
	sec := map[string][]float64{}
	lo, hi := map[string][]float64{}, map[string][]float64{}
	add := func(name string, k int, dt float64) {
		if sec[name] == nil {
			sec[name] = make([]float64, n)
		}
		sec[name][k] += dt
	}
	span := func(name string, k int, v float64) {
		if lo[name] == nil {
			lo[name], hi[name] = slices.Repeat([]float64{math.NaN()}, n), slices.Repeat([]float64{math.NaN()}, n)
		}
		if !math.IsNaN(v) {
			if !(lo[name][k] <= v) {
				lo[name][k] = v
			}
			if !(hi[name][k] >= v) {
				hi[name][k] = v
			}
		}
	}
	dts := held(r.verdicts)
	hint, seg := 0, -1
	for i := range r.verdicts {
		v := &r.verdicts[i]
		x := float64(v.T - r.verdicts[0].T)
		k := int(math.Floor(x/step + 1e-9))
		add(v.Verdict+"_s", k, dts[i])
		quality := map[lines.Int]string{-1: "none", 0: "none", 4: "fixed", 5: "float"}[v.Quality]
		if quality == "" {
			quality = "other"
		}
		add("quality_"+quality+"_s", k, dts[i])
		add("link_"+v.Link+"_s", k, dts[i])
		span("pl_lat_m", k, float64(v.PLLat))
		span("pl_lon_m", k, float64(v.PLLon))
		span("pl_yaw_rad", k, float64(v.PLYaw))
		span("al_lat_m", k, float64(v.ALLat))
		span("al_lon_m", k, float64(v.ALLon))
		span("al_yaw_rad", k, float64(v.ALYaw))
		span("speed_mps", k, float64(v.Speed))
		span("speed_cap_mps", k, float64(v.SpeedCap))
		span("coast_s", k, float64(v.Coast))
		if v.Quality > 0 {
			span("age_s", k, float64(v.Age))
		}
		if math.IsNaN(float64(v.Lat)) {
			continue
		}
		p := geodesy.LLA{Lat: float64(v.Lat) * geodesy.Degree, Lon: float64(v.Lon) * geodesy.Degree, H: float64(v.H)}
		ref, ok := truth.At(float64(v.T), &hint)
		pl := crs.Locate(frame.FromLLA(p), &seg)
		if ok && pl.OK {
			q := truth.Frame().FromLLA(p)
			e, no := q.E-ref.Pos.E, q.N-ref.Pos.N
			sin, cos := math.Sincos(pl.Yaw)
			span("error_lat_m", k, math.Abs(-sin*e+cos*no))
			span("error_lon_m", k, math.Abs(cos*e+sin*no))
			span("error_yaw_rad", k, math.Abs(math.Remainder(float64(v.Yaw)-ref.Yaw, 2*math.Pi)))
		}
	}
	compared := 0
	check := func(name string, got []string, want []float64, tol float64) {
		if got == nil {
			t.Errorf("no column %s", name)
			return
		}
		for k := range got {
			compared++
			w := math.NaN()
			if want != nil {
				w = want[k]
			} else if strings.HasSuffix(name, "_s") {
				w = 0
			}
			if !same(number(got[k]), w, tol) {
				t.Errorf("%s at %s s: %s, the lines say %.4f", name, col["x_s"][k], got[k], w)
				return
			}
		}
	}
	for name := range col {
		if strings.HasSuffix(name, "_s") && (strings.HasPrefix(name, "quality_") || strings.HasPrefix(name, "link_")) || slices.Contains([]string{"usable_s", "coasting_s", "unproven_s", "unusable_s"}, name) {
			check(name, col[name], sec[name], 0.002)
		}
	}
	for name := range lo {
		check("min_"+name, col["min_"+name], lo[name], 0.0006)
		check("max_"+name, col["max_"+name], hi[name], 0.0006)
	}
	if compared < 30*n {
		t.Errorf("compared %d values over %d bins: columns are missing", compared, n)
	}

	// Satellites and signal strength are not in the lines; the receiver's own
	// sentences say them.
	most, least, cn0 := 0.0, math.Inf(1), 0.0
	for i := range col["max_sats"] {
		if v := number(col["max_sats"][i]); v > most {
			most = v
		}
		if v := number(col["min_sats"][i]); v < least {
			least = v
		}
		if v := number(col["max_cn0_dbhz"][i]); v > cn0 {
			cn0 = v
		}
	}
	wantMost, wantLeast := 0.0, math.Inf(1)
	sc := bufio.NewScanner(bytes.NewReader(r.files["nmea.log"]))
	for sc.Scan() {
		if _, gga, ok := strings.Cut(sc.Text(), "GGA,"); ok {
			f := strings.Split(gga, ",")
			if q, _ := strconv.Atoi(f[5]); q > 0 {
				v, _ := strconv.ParseFloat(f[6], 64)
				wantMost, wantLeast = math.Max(wantMost, v), math.Min(wantLeast, v)
			}
		}
	}
	if most != wantMost || least != wantLeast || !(cn0 > 30 && cn0 < 60) {
		t.Errorf("satellites %g to %g, C/N0 up to %.1f dB-Hz; the sentences say %g to %g", least, most, cn0, wantLeast, wantMost)
	}
}

// Map and laps follow from the positions of the lines and the map alone.
func TestPlacesReproduced(t *testing.T) {
	r := fixture(t)
	p := r.page(t)
	places, laps := table(t, p, "places"), table(t, p, "laps")
	crs, err := course.Load(r.course)
	if err != nil {
		t.Fatal(err)
	}
	frame := geodesy.NewFrame(crs.Origin())
	crs.Bind(frame)
	n := len(places["passes"])
	width := crs.Length() / float64(n)
	rank := map[string]int{"usable": 1, "coasting": 2, "unproven": 3, "unusable": 4}
	type lap struct{ cells []int }
	var got []lap
	now := lap{make([]int, n)}
	last, seg := -1, -1
	moved := math.NaN()
	near := map[int]bool{} // places whose border a line is too near to
	for i := range r.verdicts {
		v := &r.verdicts[i]
		if !(v.Speed > 1.5) || math.IsNaN(float64(v.Lat)) {
			continue
		}
		if math.IsNaN(moved) {
			moved = float64(v.T)
		}
		if float64(v.T)-moved < 0.5 { // not known to drive yet
			continue
		}
		pl := crs.Locate(frame.FromLLA(geodesy.LLA{Lat: float64(v.Lat) * geodesy.Degree, Lon: float64(v.Lon) * geodesy.Degree, H: float64(v.H)}), &seg)
		k := min(int(pl.S/width), n-1)
		if f := math.Mod(pl.S, width); f < 1e-3 || f > width-1e-3 {
			near[k] = true
		}
		if last > 3*n/4 && k < n/4 {
			got = append(got, now)
			now = lap{make([]int, n)}
		}
		last = k
		now.cells[k] = max(now.cells[k], rank[v.Verdict])
	}
	got = append(got, now)
	if len(got) != len(laps["lap"]) {
		t.Fatalf("%d laps by the lines, %d on the page", len(got), len(laps["lap"]))
	}
	compared, trouble := 0, 0
	for i, l := range got {
		cells := laps["worst_by_place"][i]
		for k := range l.cells {
			if near[k] {
				continue
			}
			compared++
			if c := int(cells[k] - '0'); c != l.cells[k] {
				t.Errorf("lap %d, place %d: rank %d on the page, %d by the lines", i+1, k, c, l.cells[k])
			} else if c > 1 {
				trouble++
			}
		}
	}
	if compared < 300 || trouble < 20 {
		t.Errorf("compared %d cells, %d with trouble: the recording shows too little", compared, trouble)
	}
	// Passes of a place are the laps in which settled driving went through it.
	passes := 0
	for k := range n {
		p, _ := strconv.Atoi(places["passes"][k])
		g, _ := strconv.Atoi(places["usable_passes"][k])
		if p < g || p > len(got) {
			t.Errorf("place %d: %d passes, %d usable, of %d laps", k, p, g, len(got))
		}
		passes += p
	}
	if passes < n*2 {
		t.Errorf("%d passes of %d places", passes, n)
	}
}

// Lists and diagrams follow from the event lines, and the diagram from lines
// and truth.
func TestListsReproduced(t *testing.T) {
	r := fixture(t)
	p := r.page(t)
	jumps, outages := table(t, p, "jumps"), table(t, p, "outages")
	t0 := float64(r.verdicts[0].T)
	nj, no := 0, 0
	for _, e := range r.events {
		switch e.Kind {
		case fusion.EventJump:
			if !same(number(jumps["x_s"][nj]), e.T-t0, 0.002) || !same(number(jumps["size_m"][nj]), e.Size, 1e-4) || !same(number(jumps["where_m"][nj]), e.Where, 0.06) {
				t.Errorf("jump %d: %s s, %s m; the line says %.3f s, %.4f m", nj, jumps["x_s"][nj], jumps["size_m"][nj], e.T-t0, e.Size)
			}
			nj++
		case fusion.EventOutage:
			if !same(number(outages["from_x_s"][no]), e.T-t0, 0.002) || outages["cause"][no] != e.Cause || outages["detail"][no] != e.Detail {
				t.Errorf("outage %d: %s s, %s; the line says %.3f s, %s", no, outages["from_x_s"][no], outages["cause"][no], e.T-t0, e.Cause)
			}
			no++
		}
	}
	if nj != len(jumps["x_s"]) || no != len(outages["cause"]) || nj < 2 || no < 1 {
		t.Errorf("%d jumps and %d outages by the lines, %d and %d on the page", nj, no, len(jumps["x_s"]), len(outages["cause"]))
	}

	// Breaks: the first begins when the verdict leaves usable after 20 s.
	breaks := table(t, p, "breaks")
	var want []float64
	usable := false
	for i := range r.verdicts {
		v := &r.verdicts[i]
		if v.Verdict == "usable" {
			usable = true
		} else if i > 0 && usable && r.verdicts[i-1].Verdict == "usable" {
			want = append(want, float64(v.T)-t0)
		}
	}
	if len(want) != len(breaks["from_x_s"]) {
		t.Fatalf("%d breaks by the lines, %d on the page", len(want), len(breaks["from_x_s"]))
	}
	for i, x := range want {
		if !same(number(breaks["from_x_s"][i]), x, 0.002) {
			t.Errorf("break %d from %s s, the lines say %.3f", i+1, breaks["from_x_s"][i], x)
		}
	}

	// The integrity diagram, cell by cell.
	truth, err := score.ReadTruth(bytes.NewReader(r.files["truth.csv"]))
	if err != nil {
		t.Fatal(err)
	}
	crs, err := course.Load(r.course)
	if err != nil {
		t.Fatal(err)
	}
	frame := geodesy.NewFrame(crs.Origin())
	crs.Bind(frame)
	cells := map[[2]int]int{}
	hint, seg, total := 0, -1, 0
	for i := range r.verdicts {
		v := &r.verdicts[i]
		ref, ok := truth.At(float64(v.T), &hint)
		if !ok || math.IsNaN(float64(v.Lat)) || !(v.ALLat > 0) {
			continue
		}
		q := geodesy.LLA{Lat: float64(v.Lat) * geodesy.Degree, Lon: float64(v.Lon) * geodesy.Degree, H: float64(v.H)}
		pl := crs.Locate(frame.FromLLA(q), &seg)
		d := truth.Frame().FromLLA(q)
		sin, cos := math.Sincos(pl.Yaw)
		at := func(x float64) int { return min(int(x*score.DiagramCells/2), score.DiagramCells-1) }
		cells[[2]int{at(math.Abs(-sin*(d.E-ref.Pos.E)+cos*(d.N-ref.Pos.N)) / float64(v.ALLat)), at(float64(v.PLLat / v.ALLat))}]++
		total++
	}
	dia := table(t, p, "integrity")
	// Lines that rounding put into the cell beside, each counted in both: a level that stays
	// for seconds beside a border takes many along.
	moved := 0
	sum := 0
	for i, axis := range dia["axis"] {
		if axis != "lateral" {
			continue
		}
		k := [2]int{int(math.Round(number(dia["error_share_from"][i]) * 32)), int(math.Round(number(dia["pl_share_from"][i]) * 32))}
		n := int(number(dia["lines"][i]))
		sum += n
		moved += max(n-cells[k], cells[k]-n)
	}
	if sum != total || total < 1000 || moved > total/100 {
		t.Errorf("diagram of %d lines, %d by the lines, %d in other cells", sum, total, moved)
	}
}

// The drawing is that of the tables: strips hold each state for its share of
// time.
func TestStripLengths(t *testing.T) {
	r := fixture(t)
	f := r.page(t).Sheets[0].Wide["verdict"]
	drawn := map[string]float64{}
	for _, o := range f.ops {
		if o.kind == opArea && o.pts[0].y == 20 {
			drawn[o.style.name] += o.pts[1].x - o.pts[0].x
		}
	}
	s := r.session
	bins := map[string]float64{}
	for i := range s.Series.Bins {
		if v, ok := s.Series.Bins[i].Worst(); ok {
			bins[verdictStyles[v].name] += s.Series.Step
		}
	}
	w := f.W - leftRoom - rightRoom
	for name, sec := range bins {
		if got := drawn[name] / w * s.Length; math.Abs(got-sec) > 0.03*sec+0.6 {
			t.Errorf("%s drawn for %.1f s, it is %.1f s", name, got, sec)
		}
	}
	if len(drawn) < 3 {
		t.Errorf("drawn %v: too little in the recording", drawn)
	}
}

func markup(t testing.TB, p *Page) string {
	t.Helper()
	var b bytes.Buffer
	if err := p.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// unscripted is the page without its own script, which must stand in it once, whole.
func unscripted(t testing.TB, page string) string {
	t.Helper()
	own := "<script>" + pageJS + "</script>"
	if strings.Count(page, own) != 1 {
		t.Error("the page's script does not stand in it once, as it is")
	}
	return strings.Replace(page, own, "", 1)
}

// The page needs nothing from outside, runs nothing but its own script, which asks
// for nothing, and is the same each time.
func TestSelfContained(t *testing.T) {
	r := fixture(t)
	a, b := markup(t, r.page(t)), markup(t, r.page(t))
	if a != b {
		t.Error("two pages of one session differ")
	}
	for _, bad := range []string{"fetch(", "XMLHttp", "import", "http:", "https:", "WebSocket", "eval", "Function(", "innerHTML", "localStorage", "cookie", "sendBeacon", ".src"} {
		if strings.Contains(pageJS, bad) {
			t.Errorf("the script holds %q", bad)
		}
	}
	a = unscripted(t, a)
	for _, bad := range []string{"<script", "http:", "https:", "@import", "src=", "<link", "onload", "javascript"} {
		if strings.Contains(a, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	for _, u := range regexp.MustCompile(`url\([^)]*\)`).FindAllString(a, -1) {
		if !strings.HasPrefix(u, "url(#p-") {
			t.Errorf("the page refers to %s", u)
		}
	}
	for _, want := range []string{"NO</b>", "What broke, when and where", "Lap by lap", "Integrity", "Day check", "Not checked here", "emergency stop", "All settings", "link_silent"} {
		if !strings.Contains(a, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	if strings.Contains(a, "NaN") || strings.Contains(a, "ZgotmplZ") || strings.Contains(a, "Inf") {
		t.Error("the page holds NaN, Inf or a refused value")
	}
}

// No time without its zone, no criterion without its unit.
func TestUnitsAndZones(t *testing.T) {
	r := fixture(t)
	p := r.page(t)
	text := regexp.MustCompile(`(?s)<svg.*?</svg>|<style>.*?</style>|<pre>.*?</pre>|<[^>]*>`).ReplaceAllString(markup(t, p), " ")
	for _, m := range regexp.MustCompile(`[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?.{0,12}`).FindAllString(text, -1) {
		if !strings.Contains(m, "UTC") {
			t.Errorf("a time without zone: %q", m)
		}
	}
	counts := []string{"station", "units", "imu_gaps", "imu_noise", "imu_bias", "clock", "survey"} // numbers of things and ratios
	for i := range p.Check.Rows {
		row := &p.Check.Rows[i]
		if v := row.ValueText(); row.State != day.Unseen && !strings.ContainsAny(v, "abcdefghijklmnopqrstuvwxyz%") && !slices.Contains(counts, row.Key) {
			t.Errorf("%s: %q has no unit", row.Key, v)
		}
	}
	for _, tab := range p.Sheets[0].tables {
		for _, h := range tab.Header {
			if !regexp.MustCompile(`_(s|m|mps|rad|dbhz)$|share|sats|hdop|passes|lap$|cause|reason|why_ended|kind|size|unit|detail|number|verdict|begins|back|whole|settled|worst_by_place|key|name|value|limit|state|effect|sure|axis|lines|_from$`).MatchString(h) {
				t.Errorf("%s: column %q has no unit", tab.Name, h)
			}
		}
	}
}

// What comes from outside cannot become markup.
func TestEscaped(t *testing.T) {
	r := fixture(t)
	s := *r.session
	s.Name = `<b onmouseover="x">&`
	s.Outages = []day.Outage{{From: 10, To: 20, Cause: `"><script>`, Detail: `<img src=x>`}}
	s.Breaks = []day.Break{{From: 10, To: 20, Cause: `<i>`, Where: math.NaN(), Coast: math.NaN(), Handover: math.NaN(), Outage: 0}}
	in := r.input(t)
	in.Session = &s
	p, err := New([]Input{in}, day.Ask{})
	if err != nil {
		t.Fatal(err)
	}
	got := unscripted(t, markup(t, p))
	for _, bad := range []string{"<b onmouseover", "<script", "<img", "<i>"} {
		if strings.Contains(got, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	if id := p.Sheets[0].ID; strings.ContainsAny(id, `<>"&/\`) {
		t.Errorf("file name %q", id)
	}
}

// Every figure is also a PNG image in which something is drawn.
func TestPNG(t *testing.T) {
	p := fixture(t).page(t)
	n := 0
	err := p.Each(func(name string, f *Figure) error {
		n++
		var b bytes.Buffer
		if err := f.PNG(&b); err != nil {
			return err
		}
		img, err := png.Decode(&b)
		if err != nil {
			return err
		}
		if got := img.Bounds().Dx(); got != int(math.Ceil(f.W*pngScale)) {
			t.Errorf("%s: %d dots wide, want %g", name, got, f.W*pngScale)
		}
		seen := map[uint32]bool{}
		for y := 0; y < img.Bounds().Dy(); y += 3 {
			for x := 0; x < img.Bounds().Dx(); x += 3 {
				r, g, b, _ := img.At(x, y).RGBA()
				seen[r>>8<<16|g>>8<<8|b>>8] = true
			}
		}
		if len(seen) < 6 {
			t.Errorf("%s: %d colours, nothing is drawn", name, len(seen))
		}
		return nil
	})
	if err != nil || n != 12 {
		t.Errorf("%d figures, %v, want 12", n, err)
	}
}

// patterns and lightness tell the states apart where colours do not: relative
// luminance (WCAG 2.1) of the grounds differs, or the pattern does.
func TestGrey(t *testing.T) {
	lum := func(s *style) float64 {
		r, g, b, _ := s.fill.RGBA()
		lin := func(c uint32) float64 {
			v := float64(c) / 65535
			if v <= 0.03928 {
				return v / 12.92
			}
			return math.Pow((v+0.055)/1.055, 2.4)
		}
		return 0.2126*lin(r) + 0.7152*lin(g) + 0.0722*lin(b)
	}
	states := []*style{stFine, stHalf, stThin, stGone, stCrossed}
	for i, a := range states {
		for _, b := range states[:i] {
			if a.pattern == b.pattern && math.Abs(lum(a)-lum(b)) < 0.4 {
				t.Errorf("%s and %s look alike in grey", a.name, b.name)
			}
		}
	}
}

// Without map, truth, wheel and corrections there is still a page.
func TestBare(t *testing.T) {
	s := fixtures.Standard("nominal", 3)
	s.Name, s.Duration, s.NoMap, s.NoTap, s.NoWheel = "bare", 70, true, true, true
	r := replay(t, s)
	delete(r.files, "truth.csv")
	r.session.Score = nil
	got := markup(t, r.page(t))
	if !strings.Contains(got, "no map") || strings.Contains(got, "Lap by lap") || strings.Contains(got, "Integrity, judged") {
		t.Error("the page of a recording without map and truth shows them")
	}
	// And of one in which nothing was ever known.
	empty := day.NewCollector("empty", &r.settings.Config, nil).Session()
	p, err := New([]Input{{Session: empty, Settings: r.settings}}, day.Ask{})
	if err != nil {
		t.Fatal(err)
	}
	if got := markup(t, p); !strings.Contains(got, "CANNOT SAY</b>") {
		t.Error("an empty session gets an answer")
	}
}

// Recordings are compared oldest first, and the newest gives the answer.
func TestTrends(t *testing.T) {
	r := fixture(t)
	older := *r.session
	older.Name, older.UTCStart, older.Jumps, older.NJumps = "older", r.session.UTCStart-86400, nil, 60
	in := r.input(t)
	in.Session = &older
	p, err := New([]Input{r.input(t), in}, day.Ask{})
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Trends) != 2 || p.Trends[0].Name != "older" || p.Sheets[0].Name != "eventful" || len(p.Check.Sessions) != 1 || p.Check.Headline != p.Sheets[0].Check.Headline || len(p.Check.LeftOut) != 1 {
		t.Fatalf("trends %+v, newest %s", p.Trends, p.Sheets[0].Name)
	}
	i := slices.Index(trendColumns, "steps and drifts, an hour")
	if c := p.Trends[1].Cells[i]; !c.Changed {
		t.Errorf("1 step against 60 in the same time is called chance: %+v", c)
	}
	if c := p.Trends[1].Cells[slices.Index(trendColumns, "outages, an hour")]; c.Changed {
		t.Errorf("1 outage against 1 is called a change: %+v", c)
	}
	names := map[string]bool{}
	_ = p.EachTable(func(name string, _ *Table) error {
		if names[name] {
			t.Errorf("two files %s", name)
		}
		names[name] = true
		return nil
	})
}

// An hour of driving, every bin of it full, stays below 3 MB.
func TestHourSize(t *testing.T) {
	r := fixture(t)
	cfg := r.settings.Config
	col := day.NewCollector("hour", &cfg, nil)
	snap := *fusion.NewMonitor(cfg, nil).Snapshot()
	for i := range 36_000 {
		s := snap
		x := float64(i) * 0.1
		s.T, s.UTC = 1.7913672e9+x, 1.7913672e9+x
		s.Verdict = fusion.Verdict(i / 7 % 4)
		noise := math.Mod(float64(i)*0.754877, 1)
		s.HasPos, s.Pos = true, geodesy.LLA{Lat: 0.8 + 1e-5*math.Sin(x/6), Lon: 0.2 + 1e-5*math.Cos(x/6), H: 100}
		s.Speed, s.SpeedCap, s.Coast = 10+noise, 20-5*noise, 9
		s.PLLat.Total, s.PLLon.Total, s.PLYaw.Total = 0.2+0.2*noise, 0.3+0.3*noise, 0.01+0.01*noise
		s.ALLat, s.ALLon, s.ALYaw = 0.5, 1, 0.05
		s.HasCourse, s.LapLength, s.Station = true, 400, math.Mod(10*x, 400)
		s.EpochAge, s.Epoch.Quality, s.Epoch.Age, s.Epoch.Sats, s.Epoch.CN0 = 0.05, gnss.Quality(4+i/13%2), 1+noise, 15+i%9, 40+noise
		s.Link.Condition = corrections.Condition(1 + i/11%5)
		col.Add(&s, nil)
	}
	in := r.input(t)
	in.Session = col.Session()
	p, err := New([]Input{in}, day.Ask{})
	if err != nil {
		t.Fatal(err)
	}
	n := len(markup(t, p))
	t.Logf("%.2f MB", float64(n)/1e6)
	if n > 3e6 {
		t.Errorf("page of %.2f MB, want below 3", float64(n)/1e6)
	}
}
