package course

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"kerbline/gnss/geodesy"
)

// Memory is what is kept of a lap from one session to the next: where it is how
// high, and where across it the car drove, each with its spread. It holds for one
// map and one base: heights are those of the base's coordinates, places along the
// lap are the map's.
type Memory struct {
	Map          string         // fingerprint
	Base         geodesy.ECEF   // m, coordinates of the base
	Heights      []MemoryHeight // of the antenna
	HeightSpread float64        // m, 1 sigma between laps, 0 for not known
	Path         []MemoryPath   // of the body origin
	PathSpread   float64        // m, 1 sigma between laps, 0 for not known
}

// MemoryHeight is the mean of what was learned in one place.
type MemoryHeight struct {
	At geodesy.LLA // rad, m
	N  float64     // points
}

// MemoryPath is the mean of the laps at one place.
type MemoryPath struct {
	S     float64 // m along the lap
	Cross float64 // m left of the line
	Laps  float64
}

// memoryFile is a Memory as text: degrees and metres.
type memoryFile struct {
	Map          string       `json:"map"`
	Base         [3]float64   `json:"base_ecef_m"`
	HeightSpread float64      `json:"height_spread_m"`
	Heights      [][4]float64 `json:"heights"` // latitude, longitude, height, points
	PathSpread   float64      `json:"path_spread_m"`
	Path         [][3]float64 `json:"path"` // along, left, laps
}

// round brings x to so many parts of one.
func round(x, parts float64) float64 { return math.Round(x*parts) / parts }

// Text writes q on one line.
func (q *Memory) Text() string {
	const nano, milli = 1e9, 1e3 // degrees to 0.1 mm, metres to a millimetre
	f := memoryFile{Map: q.Map, Base: [3]float64{round(q.Base.X, 1e4), round(q.Base.Y, 1e4), round(q.Base.Z, 1e4)},
		HeightSpread: round(q.HeightSpread, milli), PathSpread: round(q.PathSpread, milli)}
	for i := range q.Heights {
		h := &q.Heights[i]
		f.Heights = append(f.Heights, [4]float64{round(h.At.Lat/geodesy.Degree, nano), round(h.At.Lon/geodesy.Degree, nano), round(h.At.H, milli), round(h.N, 1)})
	}
	for _, p := range q.Path {
		f.Path = append(f.Path, [3]float64{round(p.S, milli), round(p.Cross, milli), round(p.Laps, 1)})
	}
	b, err := json.Marshal(&f)
	if err != nil { // a number that is none
		return ""
	}
	return string(b)
}

// ParseMemory reads what [Memory.Text] wrote.
func ParseMemory(text string) (*Memory, error) {
	var f memoryFile
	if err := json.Unmarshal([]byte(text), &f); err != nil {
		return nil, fmt.Errorf("not readable: %w", err)
	}
	q := &Memory{Map: f.Map, Base: geodesy.ECEF{X: f.Base[0], Y: f.Base[1], Z: f.Base[2]}, HeightSpread: f.HeightSpread, PathSpread: f.PathSpread}
	if q.Map == "" || q.Base == (geodesy.ECEF{}) {
		return nil, errors.New("it does not say of which map and base it is")
	}
	if len(f.Heights) > heightCells || len(f.Path) > pathBins {
		return nil, fmt.Errorf("it holds %d heights and %d places of the path, want %d and %d at most", len(f.Heights), len(f.Path), heightCells, pathBins)
	}
	if !(f.HeightSpread >= 0 && f.HeightSpread < 10 && f.PathSpread >= 0 && f.PathSpread < 100) {
		return nil, fmt.Errorf("spreads of %g m and %g m are impossible", f.HeightSpread, f.PathSpread)
	}
	for i, h := range f.Heights {
		if !(math.Abs(h[0]) <= 90 && math.Abs(h[1]) <= 180 && math.Abs(h[2]) < 1e4 && h[3] >= 1) {
			return nil, fmt.Errorf("height %d is %v, want latitude, longitude, height and points", i+1, h)
		}
		q.Heights = append(q.Heights, MemoryHeight{geodesy.LLA{Lat: h[0] * geodesy.Degree, Lon: h[1] * geodesy.Degree, H: h[2]}, h[3]})
	}
	for i, p := range f.Path {
		if !(p[0] >= 0 && p[0] < 1e6 && math.Abs(p[1]) < 1e3 && p[2] >= 1) {
			return nil, fmt.Errorf("place %d of the path is %v, want metres along, metres left and laps", i+1, p)
		}
		q.Path = append(q.Path, MemoryPath{p[0], p[1], p[2]})
	}
	return q, nil
}

// Keep puts what was learned into k; frame is that of the places.
func (q *Heights) Keep(k *Memory, frame *geodesy.Frame) {
	k.Heights, k.HeightSpread = k.Heights[:0], math.Sqrt(q.spread)
	for i := range q.cell {
		if c := &q.cell[i]; c.key != 0 && c.n > 0 {
			k.Heights = append(k.Heights, MemoryHeight{frame.ToLLA(geodesy.ENU{E: c.e, N: c.u, U: c.h}), c.n})
		}
	}
}

// Recall takes what k holds of other sessions.
func (q *Heights) Recall(k *Memory, frame *geodesy.Frame) {
	for i := range k.Heights {
		h := &k.Heights[i]
		p := frame.FromLLA(h.At)
		c := q.find(heightKey(int64(math.Floor(p.E/heightCell)), int64(math.Floor(p.N/heightCell))), true)
		if c == nil {
			continue
		}
		if c.n == 0 {
			c.t = math.Inf(-1)
		}
		share := h.N / (c.n + h.N)
		c.e += share * (p.E - c.e)
		c.u += share * (p.N - c.u)
		c.h += share * (p.U - c.h)
		c.n = math.Min(c.n+h.N, heightMost)
	}
	q.spread = math.Max(q.spread, k.HeightSpread*k.HeightSpread)
}

// Keep puts what was learned on a course of this length, m, into k.
func (q *Path) Keep(k *Memory, length float64) {
	k.Path, k.PathSpread = k.Path[:0], math.Sqrt(q.spread)
	for i := range q.bin {
		if b := &q.bin[i]; b.laps > 0 {
			k.Path = append(k.Path, MemoryPath{(float64(i) + 0.5) * binSize(length), b.cross, b.laps})
		}
	}
}

// Recall takes what k holds of other sessions.
func (q *Path) Recall(k *Memory, length float64) {
	for _, p := range k.Path {
		b := q.at(&Place{OK: true, S: p.S}, length)
		if b == nil {
			continue
		}
		if b.laps == 0 {
			b.lap = -1
		}
		b.cross += p.Laps / (b.laps + p.Laps) * (p.Cross - b.cross)
		b.laps = math.Min(b.laps+p.Laps, pathMost)
	}
	q.spread = math.Max(q.spread, k.PathSpread*k.PathSpread)
}
