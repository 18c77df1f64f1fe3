package lines

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"reflect"

	"kerbline/fusion"
)

// Verdict is a verdict line read back. Unknown numbers are NaN, unknown whole
// numbers -1, unknown words empty.
type Verdict struct {
	T        Float    `json:"t"`
	Seq      uint64   `json:"seq"`
	Verdict  string   `json:"verdict"`
	Advice   string   `json:"advice"`
	Reasons  []string `json:"reasons"`
	SpeedCap Float    `json:"speed_cap_mps"`
	Coast    Float    `json:"coast_s"`
	Handover Float    `json:"handover_s"`
	Lat      Float    `json:"lat_deg"`
	Lon      Float    `json:"lon_deg"`
	H        Float    `json:"h_m"`
	Yaw      Float    `json:"yaw_rad"`
	Speed    Float    `json:"speed_mps"`
	SigmaLat Float    `json:"sigma_lat_m"`
	SigmaLon Float    `json:"sigma_lon_m"`
	SigmaYaw Float    `json:"sigma_yaw_rad"`
	PLLat    Float    `json:"pl_lat_m"`
	PLLon    Float    `json:"pl_lon_m"`
	PLYaw    Float    `json:"pl_yaw_rad"`
	ALLat    Float    `json:"al_lat_m"`
	ALLon    Float    `json:"al_lon_m"`
	ALYaw    Float    `json:"al_yaw_rad"`
	Quality  Int      `json:"quality"`
	Age      Float    `json:"age_s"`
	Station  Int      `json:"station"`
	Link     string   `json:"link"`
	Hint     string   `json:"hint"`  // what to set, where settings or inputs look wrong
	Taken    string   `json:"taken"` // values taken for this run alone; left out where none is

	// Published verdicts only.
	Session    string `json:"session"`
	N          uint64 `json:"n"`
	Hold       Float  `json:"hold_s"`
	Build      string `json:"build"`
	ValidUntil Float  `json:"valid_until"`
	MAC        string `json:"mac"` // who sent it: package publish checks it before a line is read
}

// Float is a number of a line; null and an absent field are NaN.
type Float float64

// UnmarshalJSON implements [json.Unmarshaler].
func (f *Float) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*f = Float(math.NaN())
		return nil
	}
	return json.Unmarshal(b, (*float64)(f))
}

// Int is a whole number of a line; null and an absent field are -1.
type Int int

// UnmarshalJSON implements [json.Unmarshaler].
func (n *Int) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = -1
		return nil
	}
	return json.Unmarshal(b, (*int)(n))
}

// ParseVerdict reads one verdict line. Unknown fields are an error.
func ParseVerdict(line []byte) (Verdict, error) {
	nan := Float(math.NaN())
	v := Verdict{T: nan, SpeedCap: nan, Coast: nan, Handover: nan, Lat: nan, Lon: nan, H: nan, Yaw: nan, Speed: nan,
		SigmaLat: nan, SigmaLon: nan, SigmaYaw: nan, PLLat: nan, PLLon: nan, PLYaw: nan,
		ALLat: nan, ALLon: nan, ALYaw: nan, Quality: -1, Age: nan, Station: -1, Hold: nan, ValidUntil: nan}
	return v, strict(line, &v, "verdict")
}

type eventLine struct {
	T      Float  `json:"t"`
	End    Float  `json:"end_t"`
	Kind   string `json:"kind"`
	Cause  string `json:"cause"`
	Size   Float  `json:"size_m"`
	Detail string `json:"detail"`
	Where  Float  `json:"where_m"`
}

// ParseEvent reads one event line. Unknown fields are an error.
func ParseEvent(line []byte) (fusion.Event, error) {
	nan := Float(math.NaN())
	l := eventLine{T: nan, End: nan, Size: nan, Where: nan}
	err := strict(line, &l, "event")
	return fusion.Event{T: float64(l.T), End: float64(l.End), Kind: fusion.EventKind(l.Kind), Cause: l.Cause,
		Size: float64(l.Size), Detail: l.Detail, Where: float64(l.Where)}, err
}

func strict(line []byte, into any, what string) error {
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return fmt.Errorf("lines: %.60q: %w, want a %s line", line, err, what)
	}
	if d.More() {
		return fmt.Errorf("lines: %.60q: more than one object, want a %s line", line, what)
	}
	return nil
}

// VerdictFields lists the names of a verdict line in order, each with its JSON type.
func VerdictFields() (list [][2]string) {
	t := reflect.TypeFor[Verdict]()
	for i := range t.NumField() {
		f := t.Field(i)
		name := f.Tag.Get("json")
		if name == "session" { // what follows is said of published lines only
			break
		}
		kind := "string"
		switch {
		case f.Type == reflect.TypeFor[Float]():
			kind = "number"
		case f.Type.Kind() == reflect.Slice:
			kind = "array"
		case f.Type.Kind() != reflect.String:
			kind = "integer"
		}
		list = append(list, [2]string{name, kind})
	}
	return list
}
