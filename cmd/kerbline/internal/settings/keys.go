package settings

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"kerbline/fusion"
	"kerbline/fusion/civil"
	"kerbline/fusion/columns"
	"kerbline/gnss/geodesy"
)

// Key describes one setting.
type Key struct {
	Name     string  // dotted, "tests.dwell_s"
	Unit     string  // "" for a pure number or text
	Doc, Src string  // meaning; where the default comes from
	Min, Max float64 // possible values, inclusive; infinite where not limited
	index    []int   // of the field in File
	typ      reflect.Type
}

// Keys lists every setting but the marks, in the order of the printed file.
var Keys = collect(reflect.TypeOf(File{}), "", nil)

// markKeys are the keys of one [[marks]] entry.
var markKeys = collect(reflect.TypeOf(fusion.Mark{}), marksName+".", nil)

// marksName is the only table that may stand more than once.
const marksName = "marks"

var byName = func() map[string]*Key {
	m := make(map[string]*Key)
	for i := range Keys {
		m[Keys[i].Name] = &Keys[i]
	}
	for i := range markKeys {
		m[markKeys[i].Name] = &markKeys[i]
	}
	return m
}()

// sections are the table names, in the order of the file.
var sections = func() []string {
	var s []string
	for _, k := range Keys {
		if sec := section(k.Name); sec != "" && (len(s) == 0 || s[len(s)-1] != sec) {
			s = append(s, sec)
		}
	}
	return append(s, marksName)
}()

// section is the table of a key, "" for one that stands before all tables.
func section(name string) string {
	sec, _, ok := strings.Cut(name, ".")
	if !ok {
		return ""
	}
	return sec
}

func collect(t reflect.Type, prefix string, index []int) []Key {
	var ks []Key
	for i := 0; i < t.NumField(); i++ {
		f := t.Field(i)
		at := append(append([]int(nil), index...), i)
		name := f.Tag.Get("toml")
		switch {
		case f.Anonymous:
			ks = append(ks, collect(f.Type, prefix, at)...)
		case f.Type.Kind() == reflect.Struct:
			ks = append(ks, collect(f.Type, prefix+name+".", at)...)
		case f.Type.Kind() == reflect.Slice: // marks, printed and walked apart
		default:
			ks = append(ks, Key{
				Name: prefix + name, Unit: f.Tag.Get("unit"), Doc: f.Tag.Get("doc"), Src: f.Tag.Get("src"),
				Min: bound(f.Tag, "min", math.Inf(-1)), Max: bound(f.Tag, "max", math.Inf(1)),
				index: at, typ: f.Type,
			})
		}
	}
	return ks
}

// bound reads a min or max tag; a tag that is no number is our own mistake.
func bound(tag reflect.StructTag, which string, absent float64) float64 {
	s, ok := tag.Lookup(which)
	if !ok {
		return absent
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		panic(fmt.Sprintf("settings: tag %s:%q is no number", which, s))
	}
	return v
}

// elems is how many numbers the key holds: 0 for one alone.
func (k *Key) elems() int {
	if k.typ.Kind() == reflect.Array {
		return k.typ.Len()
	}
	return 0
}

// kind is the kind of the value or, for an array, of each of its numbers.
func (k *Key) kind() reflect.Kind {
	if k.typ.Kind() == reflect.Array {
		return k.typ.Elem().Kind()
	}
	return k.typ.Kind()
}

// want says in words what a value of the key must be.
func (k *Key) want() string {
	one := map[reflect.Kind]string{reflect.Float64: "a number", reflect.Int: "a whole number", reflect.String: "text in quotes", reflect.Bool: "true or false"}[k.kind()]
	if n := k.elems(); n > 0 {
		one = fmt.Sprintf("[%d numbers]", n)
	}
	if k.Unit != "" {
		one += " in " + k.Unit
	}
	return one
}

// outside says what is wrong with v, "" when it is possible. NaN never is.
func (k *Key) outside(v float64) string {
	if v >= k.Min && v <= k.Max && !math.IsInf(v, 0) {
		return ""
	}
	unit := ""
	if k.Unit != "" {
		unit = " " + k.Unit
	}
	return fmt.Sprintf("%s is %g, want %g to %g%s", k.Name, v, k.Min, k.Max, unit)
}

// shellBase is how far from the ellipsoid a base may stand, m: beyond any
// mountain or trench, so a swapped or mistyped coordinate is found.
const shellBase = 20e3

// plausible checks what a range of one number cannot.
func plausible(name string, c *fusion.Config) (found Problems) {
	for _, table := range []func() (columns.Table, error){c.Columns.IMUTable, c.Columns.WheelTable, c.Columns.FixTable} {
		if _, err := table(); err != nil {
			found = append(found, Problem{name, 0, err.Error()})
		}
	}
	if c.Driven != "" && !slices.Contains(fusion.DrivenNames(), c.Driven) {
		found = append(found, Problem{name, 0, fmt.Sprintf("driven is %q, want one of %q", c.Driven, fusion.DrivenNames())})
	}
	if _, err := civil.Load(c.TimeZone); err != nil {
		found = append(found, Problem{name, 0, "time_zone: " + err.Error()})
	}
	e := c.Base.ECEF
	if e == ([3]float64{}) {
		return found
	}
	if h := (geodesy.ECEF{X: e[0], Y: e[1], Z: e[2]}).LLA().H; !(math.Abs(h) <= shellBase) {
		found = append(found, Problem{name, 0, fmt.Sprintf("base.ecef_m is %.0f m off the Earth's surface, want within %.0f m (or 0, 0, 0 for not surveyed)", h, shellBase)})
	}
	return found
}

// unknownKey is the message for a key that does not exist, with the nearest
// that does.
func unknownKey(name string) string {
	return fmt.Sprintf("unknown key %q, did you mean %q?", name, nearest(name))
}

// nearest returns the existing key most like name. The last component counts
// alone as well, so a right key in a wrong table is found.
func nearest(name string) string {
	best, bestD := "", math.MaxInt
	try := func(k string) {
		d := distance(name, k)
		if leaf, kleaf := last(name), last(k); leaf != name || kleaf != k {
			// Dearer than the same difference in full: a mistyped key of
			// the right table wins over its like elsewhere.
			d = min(d, distance(leaf, kleaf)+2)
		}
		if d < bestD {
			best, bestD = k, d
		}
	}
	for i := range Keys {
		try(Keys[i].Name)
	}
	for i := range markKeys {
		try(markKeys[i].Name)
	}
	for _, s := range sections {
		if !strings.Contains(name, ".") {
			try(s)
		}
	}
	return best
}

func last(name string) string { return name[strings.LastIndexByte(name, '.')+1:] }

// distance is the number of single-byte insertions and deletions that turn a
// into b, case ignored. A replacement counts as two, so that a key that lost its
// unit ("lat") is nearer to the full one ("lat_deg") than to another short one.
func distance(a, b string) int {
	a, b = strings.ToLower(a), strings.ToLower(b)
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diag := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			up := row[j]
			if a[i-1] == b[j-1] {
				row[j] = diag
			} else {
				row[j] = min(up, row[j-1]) + 1
			}
			diag = up
		}
	}
	return row[len(b)]
}
