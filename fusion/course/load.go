package course

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"kerbline/gnss/geodesy"
)

const (
	maxVertices = 200_000 // a 300 km road at 1.5 m; more is not a course
	minSpacing  = 1e-3    // m; nearer vertices are one
	minLength   = 5.0     // m
	// A line whose ends are this near is a lap, whatever the spacing, m.
	closeEnough = 1.0
)

// object is any GeoJSON object as far as it is needed.
type object struct {
	Type        string          `json:"type"`
	Features    []object        `json:"features"`
	Geometry    *object         `json:"geometry"`
	Coordinates json.RawMessage `json:"coordinates"`
	Properties  *properties     `json:"properties"`
	CRS         json.RawMessage `json:"crs"`
}

type properties struct {
	Name      json.RawMessage `json:"name"`
	HalfWidth json.RawMessage `json:"half_width_m"`
	Closed    json.RawMessage `json:"closed"`
	Base      json.RawMessage `json:"base_ecef_m"`
}

// Load reads a course from GeoJSON: a LineString, a Feature with one, or a
// FeatureCollection with exactly one (or exactly one that has half_width_m).
//
// Properties looked at: half_width_m, metres, a number or a list with one per
// vertex; name; base_ecef_m, where the base of its survey stood, Earth-centred
// Earth-fixed, m; closed, true or false. Without closed the line is a lap when
// its ends are within 1 m, or within one and a half of its longest spacing
// and a tenth of its length. Errors say where in the file and what was wanted.
func Load(geojson []byte) (*Course, error) {
	var root object
	if err := json.Unmarshal(bytes.TrimPrefix(geojson, []byte("\xef\xbb\xbf")), &root); err != nil {
		return nil, jsonError(geojson, err)
	}
	// where is the path of the feature, at that of its geometry.
	line, props, where, err := pick(&root)
	at := where
	if line != &root {
		at += "geometry."
	}
	if err != nil {
		return nil, err
	}
	if len(root.CRS) > 0 && !wgs84(root.CRS) {
		return nil, fmt.Errorf("course: crs: is %.80q, want WGS 84 longitude and latitude (leave crs out)", root.CRS)
	}
	c := &Course{}
	if err := c.vertices(line.Coordinates, at); err != nil {
		return nil, err
	}
	if err := c.properties(props, where); err != nil {
		return nil, err
	}
	if err := c.tidy(props, where, at); err != nil {
		return nil, err
	}
	return c, nil
}

// pick finds the one line of the file.
func pick(root *object) (line *object, props *properties, where string, err error) {
	switch root.Type {
	case "LineString":
		return root, nil, "", nil
	case "Feature":
		return feature(root, "")
	case "FeatureCollection":
		var found, wide []int
		for i := range root.Features {
			f := &root.Features[i]
			if f.Geometry == nil || f.Geometry.Type != "LineString" {
				continue
			}
			found = append(found, i)
			if f.Properties != nil && len(f.Properties.HalfWidth) > 0 {
				wide = append(wide, i)
			}
		}
		switch {
		case len(found) == 1:
		case len(found) == 0:
			return nil, nil, "", fmt.Errorf("course: features: none of the %d is a LineString, want one, the centre line", len(root.Features))
		case len(wide) == 1:
			found = wide
		default:
			return nil, nil, "", fmt.Errorf("course: features: %d are LineStrings, want one, or one with half_width_m", len(found))
		}
		return feature(&root.Features[found[0]], fmt.Sprintf("features[%d].", found[0]))
	case "":
		return nil, nil, "", errors.New("course: type: missing, want LineString, Feature or FeatureCollection (GeoJSON)")
	}
	return nil, nil, "", fmt.Errorf("course: type: is %.40q, want LineString, Feature or FeatureCollection", root.Type)
}

func feature(f *object, where string) (*object, *properties, string, error) {
	if f.Geometry == nil {
		return nil, nil, "", fmt.Errorf("course: %sgeometry: missing, want a LineString", where)
	}
	if f.Geometry.Type != "LineString" {
		return nil, nil, "", fmt.Errorf("course: %sgeometry.type: is %.40q, want LineString", where, f.Geometry.Type)
	}
	return f.Geometry, f.Properties, where, nil
}

// wgs84 accepts the forms in which older files say what GeoJSON now implies.
func wgs84(crs json.RawMessage) bool {
	return bytes.Contains(crs, []byte("CRS84")) || bytes.Contains(crs, []byte("EPSG::4326")) ||
		bytes.Contains(crs, []byte("EPSG:4326")) || bytes.Equal(bytes.TrimSpace(crs), []byte("null"))
}

func (c *Course) vertices(raw json.RawMessage, at string) error {
	at += "coordinates"
	var list []json.RawMessage
	if err := json.Unmarshal(raw, &list); err != nil {
		return fmt.Errorf("course: %s: not a list, want [[longitude, latitude], ...]", at)
	}
	if len(list) > maxVertices {
		return fmt.Errorf("course: %s: %d vertices, want at most %d", at, len(list), maxVertices)
	}
	c.lla = make([]geodesy.LLA, 0, len(list))
	c.hasH = true
	for i, r := range list {
		var v []float64
		if err := json.Unmarshal(r, &v); err != nil || len(v) < 2 {
			return fmt.Errorf("course: %s[%d]: is %.60s, want [longitude, latitude] in degrees", at, i, r)
		}
		if math.Abs(v[1]) > 90 {
			hint := ""
			if math.Abs(v[0]) <= 90 {
				hint = "; the order is longitude, latitude"
			}
			return fmt.Errorf("course: %s[%d]: latitude is %g, want -90 to 90%s", at, i, v[1], hint)
		}
		if math.Abs(v[0]) > 180 {
			return fmt.Errorf("course: %s[%d]: longitude is %g, want -180 to 180", at, i, v[0])
		}
		p := geodesy.LLA{Lon: v[0] * geodesy.Degree, Lat: v[1] * geodesy.Degree}
		if len(v) > 2 {
			p.H = v[2]
			if math.Abs(p.H) > 1e5 {
				return fmt.Errorf("course: %s[%d]: height is %g, want metres above the ellipsoid", at, i, v[2])
			}
		} else {
			c.hasH = false
		}
		c.lla = append(c.lla, p)
	}
	if len(c.lla) < 2 {
		return fmt.Errorf("course: %s: %d vertices, want at least 2", at, len(c.lla))
	}
	return nil
}

func (c *Course) properties(p *properties, where string) error {
	c.half = make([]float64, len(c.lla))
	for i := range c.half {
		c.half[i] = math.NaN()
	}
	if p == nil {
		return nil
	}
	// A name that is not text is no reason to refuse a map.
	_ = json.Unmarshal(p.Name, &c.name)
	if err := c.surveyed(p.Base, where+"properties.base_ecef_m"); err != nil {
		return err
	}
	at := where + "properties.half_width_m"
	raw := bytes.TrimSpace(p.HalfWidth)
	if len(raw) == 0 || string(raw) == "null" {
		return nil
	}
	if raw[0] != '[' {
		var w float64
		if err := json.Unmarshal(raw, &w); err != nil {
			return fmt.Errorf("course: %s: is %.40s, want metres: a number, or a list with one per vertex", at, raw)
		}
		if err := plausible(w, at); err != nil {
			return err
		}
		for i := range c.half {
			c.half[i] = w
		}
		return nil
	}
	var list []*float64
	if err := json.Unmarshal(raw, &list); err != nil {
		return fmt.Errorf("course: %s: not a list of numbers, want metres: a number, or a list with one per vertex", at)
	}
	if len(list) != len(c.lla) {
		return fmt.Errorf("course: %s: %d widths for %d vertices, want one per vertex", at, len(list), len(c.lla))
	}
	for i, w := range list {
		if w == nil {
			return fmt.Errorf("course: %s[%d]: is null, want metres", at, i)
		}
		if err := plausible(*w, fmt.Sprintf("%s[%d]", at, i)); err != nil {
			return err
		}
		c.half[i] = *w
	}
	return nil
}

func plausible(w float64, at string) error {
	if !(w > 0 && w <= 1000) {
		return fmt.Errorf("course: %s: is %g, want metres, above 0 and at most 1000", at, w)
	}
	return nil
}

// tidy merges coincident vertices, decides whether the line is a lap and
// measures it.
func (c *Course) tidy(p *properties, where, at string) error {
	f := geodesy.NewFrame(c.lla[0])
	flat := func(i int) geodesy.ENU {
		v := c.lla[i]
		if !c.hasH {
			v.H = 0
		}
		return f.FromLLA(v)
	}
	dist := func(a, b geodesy.ENU) float64 { return math.Hypot(a.E-b.E, a.N-b.N) }
	k, last := 1, flat(0)
	length, longest := 0.0, 0.0
	for i := 1; i < len(c.lla); i++ {
		q := flat(i)
		d := dist(last, q)
		if d < minSpacing {
			continue
		}
		length += d
		longest = math.Max(longest, d)
		c.lla[k], c.half[k] = c.lla[i], c.half[i]
		k, last = k+1, q
	}
	c.lla, c.half = c.lla[:k], c.half[:k]
	gap := dist(flat(0), last)
	c.closed = len(c.lla) >= 3 && (gap <= closeEnough || gap <= math.Min(1.5*longest, length/10))
	if p != nil && len(p.Closed) > 0 && string(bytes.TrimSpace(p.Closed)) != "null" {
		if err := json.Unmarshal(p.Closed, &c.closed); err != nil {
			return fmt.Errorf("course: %sproperties.closed: is %.40s, want true or false", where, p.Closed)
		}
	}
	if c.closed && gap < minSpacing {
		c.lla, c.half = c.lla[:k-1], c.half[:k-1]
	}
	if c.closed && len(c.lla) < 3 {
		return fmt.Errorf("course: %scoordinates: %d different vertices, want at least 3 for a lap", at, len(c.lla))
	}
	if length < minLength {
		return fmt.Errorf("course: %scoordinates: the line is %.3g m long, want at least %g", at, length, minLength)
	}
	if length > 1e6 {
		return fmt.Errorf("course: %scoordinates: the line is %.0f km long, want one course", at, length/1000)
	}
	c.place(f)
	return nil
}

// jsonError says on which line the file stops being JSON of the right shape.
func jsonError(b []byte, err error) error {
	var syn *json.SyntaxError
	var typ *json.UnmarshalTypeError
	switch {
	case len(bytes.TrimSpace(b)) == 0:
		return errors.New("course: the file is empty, want GeoJSON")
	case errors.As(err, &syn):
		line, col := position(b, syn.Offset)
		return fmt.Errorf("course: line %d, column %d: %s, want GeoJSON", line, col, syn.Error())
	case errors.As(err, &typ):
		line, col := position(b, typ.Offset)
		return fmt.Errorf("course: line %d, column %d: %s is a %s, want GeoJSON", line, col, typ.Field, typ.Value)
	}
	return fmt.Errorf("course: %w, want GeoJSON", err)
}

func position(b []byte, offset int64) (line, col int) {
	n := min(max(int(offset), 0), len(b))
	head := b[:n]
	line = 1 + bytes.Count(head, []byte("\n"))
	return line, n - (bytes.LastIndexByte(head, '\n') + 1)
}

// surveyed reads where the base of the survey stood.
func (c *Course) surveyed(raw json.RawMessage, at string) error {
	if raw = bytes.TrimSpace(raw); len(raw) == 0 || string(raw) == "null" {
		return nil
	}
	var v []float64
	if err := json.Unmarshal(raw, &v); err != nil || len(v) != 3 || math.Abs(math.Hypot(math.Hypot(v[0], v[1]), v[2])-geodesy.A) > 50e3 {
		return fmt.Errorf("course: %s: is %.60s, want three numbers in m: Earth-centred Earth-fixed coordinates of the base", at, raw)
	}
	c.base, c.hasBase = geodesy.ECEF{X: v[0], Y: v[1], Z: v[2]}, true
	return nil
}
