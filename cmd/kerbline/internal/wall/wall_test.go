package wall

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"kerbline/cmd/kerbline/internal/bus"
	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/fusion"
	"kerbline/gnss/geodesy"
)

// monitor sends verdicts of a car to a wall on a clock of the test.
type monitor struct {
	w    *Wall
	car  string
	live lines.Live
	now  *float64
	snap fusion.Snapshot
}

func set(t *testing.T, cars ...string) (*Wall, []*monitor, *float64) {
	t.Helper()
	w := New([]geodesy.LLA{{Lat: 0.77, Lon: 0.2}, {Lat: 0.7701, Lon: 0.2}})
	now := new(float64)
	w.now = func() float64 { return *now }
	var list []*monitor
	for _, c := range cars {
		m := &monitor{w: w, car: c, live: lines.Live{Session: c, Hold: publish.Hold}, now: now, snap: *fusion.NewMonitor(fusion.DefaultConfig(), nil).Snapshot()}
		m.snap.Verdict, m.snap.Advice, m.snap.SpeedCap = fusion.Usable, fusion.AdviseMapSlow, 12.7
		m.snap.HasPos, m.snap.Pos = true, geodesy.LLA{Lat: 0.77, Lon: 0.2, H: 100}
		list = append(list, m)
	}
	return w, list, now
}

func (m *monitor) send(whole bool) {
	m.live.N++
	m.snap.T, m.snap.Seq = 1000+*m.now, m.live.N
	m.w.Hear(bus.Heard{Car: m.car, Verdict: lines.AppendLive(nil, &m.snap, m.live)})
	if whole {
		m.w.Hear(bus.Heard{Car: m.car, Whole: &bus.Whole{Snapshot: m.snap}})
	}
}

// settle lets every monitor send for the first second, in which nothing counts.
func settle(now *float64, list []*monitor) {
	for range 12 {
		*now += 0.1
		for _, m := range list {
			m.send(true)
		}
	}
}

// The wall follows the rule of a consumer: first second, silence, forgeries.
func TestRule(t *testing.T) {
	w, list, now := set(t, "red", "blue")
	list[0].send(true)
	if st := w.look(); len(st.Cars) != 1 || st.Cars[0].Usable || st.Cars[0].Heard {
		t.Errorf("first verdict: %+v", st.Cars)
	}
	settle(now, list)
	st := w.look()
	if len(st.Cars) != 2 || st.Cars[0].Car != "blue" || st.Cars[1].Car != "red" || !st.Cars[1].Usable || st.Cars[1].Cap != 12.7 || st.Cars[1].Advice != "map_slow" {
		t.Fatalf("%+v", st.Cars)
	}
	*now += 0.25
	list[0].send(false)
	*now += 0.1
	if st = w.look(); !st.Cars[1].Usable || st.Cars[0].Usable || st.Cars[0].Heard || st.Cars[0].Why != "nothing heard" {
		t.Errorf("blue is silent: %+v", st.Cars)
	}
	forged := *list[1]
	forged.live.Session = "forged"
	*now += 0.1
	forged.send(false)
	if st = w.look(); st.Cars[0].Usable {
		t.Errorf("forged: %+v", st.Cars[0])
	}
	for i := range 2 * maxCars { // strangers do not fill the page
		w.Hear(bus.Heard{Car: fmt.Sprint(i), Verdict: lines.AppendLive(nil, &list[0].snap, list[0].live)})
	}
	if n := len(w.look().Cars); n > maxCars {
		t.Errorf("%d cars, want at most %d", n, maxCars)
	}
}

// A page that has just been opened is given what the cars were of late, what was before
// the wall itself listened included, each second once; none of it makes a car usable.
func TestPast(t *testing.T) {
	w, list, now := set(t, "red")
	list[0].send(true)
	var p bus.Past
	for i := range 400 {
		v, err := lines.ParseVerdict(fmt.Appendf(nil, `{"t":%d,"seq":%d,"verdict":"usable","advice":"map","lat_deg":44.1,"lon_deg":11.5}`, 610+i, i))
		if err != nil {
			t.Fatal(err)
		}
		p.Verdicts = append(p.Verdicts, v)
	}
	w.Past("red", p)
	w.Past("nobody", p)
	if !w.Knows("red") || w.Knows("nobody") {
		t.Error("who is known")
	}
	if st := w.look(); st.Cars[0].Usable {
		t.Errorf("usable from the past: %+v", st.Cars[0])
	}
	*now += 10
	settle(now, list)
	rec := httptest.NewRecorder()
	w.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "/past", nil))
	var all map[string][][]any
	if err := json.Unmarshal(rec.Body.Bytes(), &all); err != nil || len(all["red"]) != pastSeconds {
		t.Fatalf("%v: %d moments", err, len(all["red"]))
	}
	last := 0.0
	for _, m := range all["red"] {
		at := m[0].(float64)
		if at < last+1 || m[1] != "usable" || m[2].(float64) < 44 {
			t.Errorf("%v after %v", m, last)
		}
		last = at
	}
	if last < 1011 {
		t.Errorf("the past ends at %v", last)
	}
}

// What the whole snapshot tells beyond a line is shown, with values and limits.
func TestReasons(t *testing.T) {
	w, list, now := set(t, "red")
	m := list[0]
	m.snap.Verdict, m.snap.Advice, m.snap.LeaveIn = fusion.Coasting, fusion.AdviseMapSlow, 3.5
	m.snap.Reasons[0] = fusion.Reason{Code: "corr-age", Value: 31.2, Limit: 10, Unit: "s"}
	m.snap.NReasons = 1
	settle(now, list)
	c := w.look().Cars[0]
	if c.Usable || c.Verdict != "coasting" || c.Leave != 3.5 || len(c.Reasons) != 1 || !strings.HasPrefix(c.Reasons[0], "corrections too old 31.20 s, limit 10.00 s") {
		t.Errorf("%+v", c)
	}
}

// The page comes from the program alone: it names no other host, and its policy
// lets nothing else in; events renew it; the map is served.
func TestPage(t *testing.T) {
	w, list, now := set(t, "red")
	settle(now, list)
	w.Bus("connected", true)
	srv := httptest.NewServer(w.Handler())
	defer srv.Close()
	get := func(path string) (string, *http.Response) {
		t.Helper()
		r, err := http.Get(srv.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		b, err := io.ReadAll(r.Body)
		if err != nil {
			t.Fatal(err)
		}
		return string(b), r
	}
	outside := regexp.MustCompile(`https?://|//[a-z]|@import|url\(`)
	for path, want := range map[string]string{"/": "NO DATA", "/wall.css": "prefers-color-scheme: dark", "/wall.js": "EventSource"} {
		b, r := get(path)
		if r.StatusCode != 200 || !strings.Contains(b, want) || outside.MatchString(b) {
			t.Errorf("%s: %s, %.80q", path, r.Status, b)
		}
		if p := r.Header.Get("Content-Security-Policy"); !strings.HasPrefix(p, "default-src 'none'") || strings.Contains(p, "unsafe") {
			t.Errorf("%s: policy %q", path, p)
		}
	}
	for _, path := range []string{"/nothing", "/page/index.html", "/../wall.go"} {
		if _, r := get(path); r.StatusCode != 404 {
			t.Errorf("%s: %s", path, r.Status)
		}
	}
	if r, err := http.Post(srv.URL+"/state", "text/plain", nil); err != nil || r.StatusCode != http.StatusMethodNotAllowed {
		t.Errorf("a post: %v, %v", r, err)
	}
	var pts [][2]float64
	if b, _ := get("/map"); json.Unmarshal([]byte(b), &pts) != nil || len(pts) != 2 || pts[0][0] < 44 || pts[0][0] > 45 {
		t.Errorf("map %v", pts)
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	req, _ := http.NewRequestWithContext(ctx, "GET", srv.URL+"/state", nil)
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	if k := r.Header.Get("Content-Type"); k != "text/event-stream" {
		t.Errorf("content type %q", k)
	}
	sc := bufio.NewScanner(r.Body)
	for n := 0; n < 2; {
		if !sc.Scan() {
			t.Fatal("the events ended")
		}
		if data, ok := strings.CutPrefix(sc.Text(), "data: "); ok {
			var st state
			if err := json.Unmarshal([]byte(strings.ReplaceAll(data, "null", "0")), &st); err != nil || len(st.Cars) != 1 || !st.Cars[0].Usable || !st.Up {
				t.Fatalf("%v: %s", err, data)
			}
			n++
		}
	}
}

// The figures have the form of the open metrics text format (OpenMetrics 1.0):
// TYPE and HELP before their samples, counters that end in _total, EOF.
func TestMetrics(t *testing.T) {
	w, list, now := set(t, "red")
	settle(now, list)
	rec := httptest.NewRecorder()
	w.Handler().ServeHTTP(rec, httptest.NewRequest("GET", "/metrics", nil))
	body := rec.Body.String()
	if k := rec.Header().Get("Content-Type"); !strings.HasPrefix(k, "application/openmetrics-text; version=1.0.0") {
		t.Errorf("content type %q", k)
	}
	kind := map[string]string{}
	sample := regexp.MustCompile(`^([a-z_]+)(\{[a-z]+="[^"]*"(,[a-z]+="[^"]*")*\})? -?[0-9.e+-]+$`)
	text := strings.Split(strings.TrimSuffix(body, "\n"), "\n")
	if text[len(text)-1] != "# EOF" {
		t.Errorf("ends in %q", text[len(text)-1])
	}
	for _, l := range text[:len(text)-1] {
		if f := strings.Fields(l); f[0] == "#" {
			if f[1] == "TYPE" {
				kind[f[2]] = f[3]
			} else if f[1] != "HELP" || kind[f[2]] == "" {
				t.Errorf("%q", l)
			}
			continue
		}
		m := sample.FindStringSubmatch(l)
		if m == nil || kind[m[1]] != "gauge" && kind[strings.TrimSuffix(m[1], "_total")] != "counter" {
			t.Errorf("%q", l)
		}
	}
	for _, want := range []string{"kerbline_usable{car=\"red\"} 1\n", "kerbline_speed_cap_mps{car=\"red\"} 12.7\n", `kerbline_verdicts_total{car="red",verdict="usable"} [12]\n`, `kerbline_refused_total{car="red"} 1[01]\n`} { // the first second is refused
		if !regexp.MustCompile(strings.NewReplacer("{", `\{`, "}", `\}`).Replace(want)).MatchString(body) {
			t.Errorf("no %q in\n%s", want, body)
		}
	}
}
