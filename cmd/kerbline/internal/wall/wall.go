// Package wall serves what cars on a bus know as a page for a browser: read-only,
// from files inside the program, renewed by server-sent events, and as figures in
// the open metrics text format.
//
// A car is shown under the rule of a consumer ([publish.Rule]): what is not heard
// in time is NOT USABLE. The page itself says so when nothing reaches it for a
// second. Positions are degrees, times s, speeds m/s, yaw radians from east.
//
// Start at [New], [Wall.Hear] and [Wall.Handler].
package wall

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"kerbline/cmd/kerbline/internal/bus"
	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/cmd/kerbline/internal/version"
	"kerbline/fusion"
	"kerbline/fusion/words"
	"kerbline/gnss/geodesy"
)

//go:embed page
var page embed.FS

// every is how often pages are renewed.
const every = 200 * time.Millisecond

// Wall holds what was last heard of each car.
type Wall struct {
	now func() float64 // steady clock, s

	mu   sync.Mutex
	cars map[string]*car
	line []geodesy.LLA // the map's centre line
	up   bool          // the bus is connected
	said string        // how it is
}

// car is what was heard of one.
type car struct {
	rule           publish.Rule
	last           fusion.Snapshot
	whole          *fusion.Snapshot
	heard, refused uint64
	spells         [4]uint64 // verdicts, by verdict
	past           []moment  // a second apart, oldest first
}

// moment is what a car was at a time: t (s), verdict, and position (degrees), in this
// order.
type moment struct {
	t        float64
	verdict  fusion.Verdict
	lat, lon number
}

// MarshalJSON writes a moment in little room.
func (m moment) MarshalJSON() ([]byte, error) {
	return json.Marshal([]any{m.t, m.verdict.String(), m.lat, m.lon})
}

// pastSeconds is how far back the page looks, s.
const pastSeconds = 300

// remember keeps what the car is now, once a second.
func (c *car) remember(s *fusion.Snapshot) {
	if n := len(c.past); n > 0 && s.T-c.past[n-1].t < 1 {
		if s.T < c.past[n-1].t-1 { // its clock was set back
			c.past = nil
		}
		return
	}
	nan := number(math.NaN())
	m := moment{s.T, s.Verdict, nan, nan}
	if s.HasPos {
		m.lat, m.lon = number(s.Pos.Lat/geodesy.Degree), number(s.Pos.Lon/geodesy.Degree)
	}
	c.past = append(c.past, m)
	if over := len(c.past) - pastSeconds; over > 0 {
		c.past = slices.Delete(c.past, 0, over)
	}
}

// Past takes what a car was before the page began to hear it.
func (w *Wall) Past(name string, p bus.Past) {
	w.mu.Lock()
	defer w.mu.Unlock()
	c := w.cars[name]
	if c == nil {
		return
	}
	own := c.past
	c.past = nil
	for i := range p.Verdicts {
		if t := float64(p.Verdicts[i].T); len(own) == 0 || t < own[0].t {
			s := publish.Snapshot(&p.Verdicts[i])
			c.remember(&s)
		}
	}
	c.past = append(c.past, own...)
	c.past = c.past[max(0, len(c.past)-pastSeconds):]
}

// Knows reports whether anything was heard of a car.
func (w *Wall) Knows(name string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.cars[name] != nil
}

// New returns a wall that has heard nothing; line is the centre line of a map.
func New(line []geodesy.LLA) *Wall {
	start := time.Now()
	return &Wall{now: func() float64 { return time.Since(start).Seconds() }, cars: map[string]*car{}, line: line, said: "not begun"}
}

// maxCars bounds what a stranger on the bus can make the page hold.
const maxCars = 32

// Hear takes a message of the bus.
func (w *Wall) Hear(h bus.Heard) {
	w.mu.Lock()
	defer w.mu.Unlock()
	c := w.cars[h.Car]
	if c == nil {
		if len(w.cars) >= maxCars || h.Verdict == nil {
			return
		}
		c = new(car)
	}
	switch {
	case h.Verdict != nil:
		v, err := lines.ParseVerdict(h.Verdict)
		if err != nil {
			return
		}
		w.cars[h.Car] = c
		if c.rule.Hear(w.now(), h.Car, &v, true) != "" {
			c.refused++
			return
		}
		if c.whole != nil {
			c.last = *c.whole
			publish.Fill(&c.last, &v)
		} else {
			c.last = publish.Snapshot(&v)
		}
		c.heard++
		c.remember(&c.last)
		c.spells[c.last.Verdict]++
	case h.Whole != nil:
		c.whole = &h.Whole.Snapshot
	}
}

// Bus takes how the connection is.
func (w *Wall) Bus(said string, up bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.said, w.up = said, up
}

// shown is a car as the page shows it. A number that is not known is null.
type shown struct {
	Car     string   `json:"car"`
	T       number   `json:"t"` // s, of the monitor's host; by it the page orders the past
	Usable  bool     `json:"usable"`
	Heard   bool     `json:"heard"`
	Word    string   `json:"word"` // of [words.Calls]
	Verdict string   `json:"verdict"`
	Advice  string   `json:"advice"`
	Cap     number   `json:"cap_mps"`
	Leave   number   `json:"leave_s"` // until handover must start
	Coast   number   `json:"coast_s"`
	Speed   number   `json:"speed_mps"`
	Lat     number   `json:"lat_deg"`
	Lon     number   `json:"lon_deg"`
	Yaw     number   `json:"yaw_rad"`
	PLLat   number   `json:"pl_lat_m"`
	ALLat   number   `json:"al_lat_m"`
	PLLon   number   `json:"pl_lon_m"`
	ALLon   number   `json:"al_lon_m"`
	Quality string   `json:"quality"`
	Age     number   `json:"age_s"`
	Link    string   `json:"link"`
	Why     string   `json:"why"` // nothing is held: why
	Reasons []string `json:"reasons"`
}

type number float64

// MarshalJSON writes null for what is not known.
func (n number) MarshalJSON() ([]byte, error) {
	if !words.IsNumber(float64(n)) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// state is everything the page shows.
type state struct {
	Bus   string  `json:"bus"`
	Up    bool    `json:"up"`
	Build string  `json:"build"`
	Cars  []shown `json:"cars"`
}

// look puts together what is shown now, cars by name.
func (w *Wall) look() state {
	w.mu.Lock()
	defer w.mu.Unlock()
	st := state{Bus: w.said, Up: w.up, Build: version.String(), Cars: []shown{}}
	for name, c := range w.cars {
		st.Cars = append(st.Cars, show(name, c, c.rule.Decide(w.now())))
	}
	slices.SortFunc(st.Cars, func(a, b shown) int { return bytes.Compare([]byte(a.Car), []byte(b.Car)) })
	return st
}

func show(name string, c *car, d publish.Decision) shown {
	nan := number(math.NaN())
	out := shown{Car: name, Word: words.NoData, Usable: d.Usable, Heard: d.Verdict != "", Verdict: d.Verdict, Advice: d.Advice, Cap: number(d.Cap), Why: d.Why, Reasons: []string{},
		T: nan, Leave: nan, Coast: nan, Speed: nan, Lat: nan, Lon: nan, Yaw: nan, PLLat: nan, ALLat: nan, PLLon: nan, ALLon: nan, Age: nan}
	if d.Verdict == "" {
		return out
	}
	s := &c.last
	if call, _ := words.CallOf(s.Verdict, s.Advice, s.Speed < words.Walking); d.Usable || s.Verdict != fusion.Usable {
		out.Word = call.Word
	} else {
		out.Word = "HAND OVER" // it cannot be driven by: no cap came with it
	}
	out.T = number(s.T)
	out.Coast, out.Speed, out.Yaw, out.Age = number(s.Coast), number(s.Speed), number(s.Yaw), number(s.Epoch.Age)
	if c.whole != nil { // a line alone does not hold it
		out.Leave = number(s.LeaveIn)
	}
	if s.HasPos {
		out.Lat, out.Lon = number(s.Pos.Lat/geodesy.Degree), number(s.Pos.Lon/geodesy.Degree)
	}
	out.PLLat, out.ALLat, out.PLLon, out.ALLon = number(s.PLLat.Total), number(s.ALLat), number(s.PLLon.Total), number(s.ALLon)
	out.Quality, out.Link = s.Epoch.Quality.String(), s.Link.Condition.String()
	for _, r := range s.Reasons[:s.NReasons] {
		text := words.OfReason(r.Code).Now
		if words.IsNumber(r.Value) && r.Unit != "" {
			text += " " + words.With(r.Value, 2, r.Unit)
			if words.IsNumber(r.Limit) {
				text += ", limit " + words.With(r.Limit, 2, r.Unit)
			}
		}
		out.Reasons = append(out.Reasons, strings.TrimSuffix(text, ","))
	}
	return out
}

// Handler serves the page.
func (w *Wall) Handler() http.Handler {
	mux := http.NewServeMux()
	for path, file := range map[string]string{"/{$}": "page/index.html", "/wall.css": "page/wall.css", "/wall.js": "page/wall.js"} {
		mux.HandleFunc("GET "+path, func(rw http.ResponseWriter, r *http.Request) { http.ServeFileFS(rw, r, page, file) })
	}
	mux.HandleFunc("GET /state", w.state)
	mux.HandleFunc("GET /map", w.centreLine)
	mux.HandleFunc("GET /past", w.pasts)
	mux.HandleFunc("GET /metrics", w.metrics)
	return http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		h := rw.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cache-Control", "no-store")
		mux.ServeHTTP(rw, r)
	})
}

// state sends what is shown, again and again, as server-sent events (HTML Living
// Standard, "Server-sent events").
func (w *Wall) state(rw http.ResponseWriter, r *http.Request) {
	rw.Header().Set("Content-Type", "text/event-stream")
	rc := http.NewResponseController(rw)
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		b, err := json.Marshal(w.look())
		if err != nil {
			return
		}
		_ = rc.SetWriteDeadline(time.Now().Add(5 * time.Second)) // who takes nothing is left
		if _, err := fmt.Fprintf(rw, "retry: 1000\ndata: %s\n\n", b); err != nil || rc.Flush() != nil {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-tick.C:
		}
	}
}

// pasts sends what every car was of late, for a page that has just been opened.
func (w *Wall) pasts(rw http.ResponseWriter, _ *http.Request) {
	w.mu.Lock()
	all := make(map[string][]moment, len(w.cars))
	for name, c := range w.cars {
		all[name] = slices.Clone(c.past)
	}
	w.mu.Unlock()
	rw.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(rw).Encode(all)
}

func (w *Wall) centreLine(rw http.ResponseWriter, _ *http.Request) {
	rw.Header().Set("Content-Type", "application/json")
	pts := make([][2]float64, len(w.line))
	for i, p := range w.line {
		pts[i] = [2]float64{p.Lat / geodesy.Degree, p.Lon / geodesy.Degree}
	}
	_ = json.NewEncoder(rw).Encode(pts)
}

// metrics writes the figures in the open metrics text format (OpenMetrics 1.0).
func (w *Wall) metrics(rw http.ResponseWriter, _ *http.Request) {
	st := w.look()
	var b bytes.Buffer
	family := func(name, kind, help string, value func(c *shown) float64) {
		fmt.Fprintf(&b, "# TYPE %s %s\n# HELP %s %s\n", name, kind, name, help)
		for i := range st.Cars {
			if x := value(&st.Cars[i]); words.IsNumber(x) {
				fmt.Fprintf(&b, "%s{car=%q} %g\n", name, st.Cars[i].Car, x)
			}
		}
	}
	flag := func(on bool) float64 {
		if on {
			return 1
		}
		return 0
	}
	family("kerbline_usable", "gauge", "1 while the position is usable for map-based driving, by the rule of a consumer.", func(c *shown) float64 { return flag(c.Usable) })
	family("kerbline_heard", "gauge", "1 while verdicts come in time.", func(c *shown) float64 { return flag(c.Heard) })
	family("kerbline_speed_cap_mps", "gauge", "Highest speed at which every condition holds.", func(c *shown) float64 { return float64(c.Cap) })
	family("kerbline_coast_seconds", "gauge", "Coast budget.", func(c *shown) float64 { return float64(c.Coast) })
	family("kerbline_correction_age_seconds", "gauge", "Age of the corrections in use.", func(c *shown) float64 { return float64(c.Age) })
	family("kerbline_protection_lateral_meters", "gauge", "Lateral protection level.", func(c *shown) float64 { return float64(c.PLLat) })
	family("kerbline_protection_along_meters", "gauge", "Protection level along the direction of travel.", func(c *shown) float64 { return float64(c.PLLon) })
	w.mu.Lock()
	fmt.Fprintf(&b, "# TYPE kerbline_verdicts counter\n# HELP kerbline_verdicts Verdicts taken, by verdict.\n")
	for _, c := range st.Cars {
		for v, n := range w.cars[c.Car].spells {
			fmt.Fprintf(&b, "kerbline_verdicts_total{car=%q,verdict=%q} %d\n", c.Car, fusion.Verdict(v), n)
		}
	}
	fmt.Fprintf(&b, "# TYPE kerbline_refused counter\n# HELP kerbline_refused Verdicts refused by the rule of a consumer.\n")
	for _, c := range st.Cars {
		fmt.Fprintf(&b, "kerbline_refused_total{car=%q} %d\n", c.Car, w.cars[c.Car].refused)
	}
	w.mu.Unlock()
	fmt.Fprintf(&b, "# TYPE kerbline_bus_up gauge\n# HELP kerbline_bus_up 1 while the bus is connected.\nkerbline_bus_up %g\n# EOF\n", flag(st.Up))
	rw.Header().Set("Content-Type", "application/openmetrics-text; version=1.0.0; charset=utf-8")
	_, _ = rw.Write(b.Bytes())
}
