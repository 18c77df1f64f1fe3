// Package columns says which number of a text line is what. Loggers order,
// name, separate and scale their columns as they like; a [Layout] turns their
// lines into the quantities that are asked for, in SI units and radians.
//
// A layout comes from a list of names in the order of the columns, which is the
// first line of most files and may stand in the settings as well:
//
//	counter, t[ms], -ay[g], ax, az, wx[deg/s], wy, wz
//
// Names are compared without regard to case and punctuation; a unit stands in
// brackets, and where it stands with the first axis alone it holds for all
// three. A minus sign before a name turns its axis round. Names that are not
// known are columns that nobody asks for. Separators are commas, semicolons,
// tabs or spaces, as the line shows; with semicolons a decimal comma is one.
//
// Times become Unix seconds: plain numbers in s, ms, us or ns, or a date and
// time of day (ISO 8601), UTC where no zone is given.
//
// Start at [Settings].
package columns

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Quantity is something that a column may hold.
type Quantity uint8

// The quantities. Body axes are forward-left-up, world axes east-north-up.
const (
	Time    Quantity = iota // s
	GyroX                   // rad/s
	GyroY                   // rad/s
	GyroZ                   // rad/s
	ForceX                  // m/s², specific force: +9.8 upward at rest
	ForceY                  // m/s²
	ForceZ                  // m/s²
	Speed                   // m/s, forward
	Lat                     // deg, WGS 84
	Lon                     // deg
	Height                  // m above the ellipsoid
	Quality                 // GGA fix quality 0-8, or a word
	SigmaE                  // m
	SigmaN                  // m
	SigmaU                  // m
	VelE                    // m/s
	VelN                    // m/s
	VelU                    // m/s
	Sats                    // satellites used
	Age                     // s, of the corrections
	HDOP                    // dimensionless
	numQuantities
)

// Name returns the name that the quantity has in our own files.
func (q Quantity) Name() string {
	if q < numQuantities {
		return names[q][0]
	}
	return "unknown"
}

// names of each quantity in files, lower case and without punctuation, our own
// first. Common practice, no source.
var names = [numQuantities][]string{
	Time:    {"t", "time", "timestamp", "stamp", "unix", "unixtime", "epoch", "utc", "datetime", "date", "sec", "second", "seconds", "headerstamp", "headerstampsec", "headerstampsecs", "secs", "gpstime", "hosttime"},
	GyroX:   {"wx", "gx", "gyrx", "gyrox", "xgyro", "angularvelocityx", "angvelx", "omegax", "ratex", "rollrate", "angularratex", "p"},
	GyroY:   {"wy", "gy", "gyry", "gyroy", "ygyro", "angularvelocityy", "angvely", "omegay", "ratey", "pitchrate", "angularratey", "q"},
	GyroZ:   {"wz", "gz", "gyrz", "gyroz", "zgyro", "angularvelocityz", "angvelz", "omegaz", "ratez", "yawrate", "angularratez", "r"},
	ForceX:  {"fx", "ax", "accx", "accelx", "xacc", "accelerationx", "linearaccelerationx", "linaccx", "specificforcex"},
	ForceY:  {"fy", "ay", "accy", "accely", "yacc", "accelerationy", "linearaccelerationy", "linaccy", "specificforcey"},
	ForceZ:  {"fz", "az", "accz", "accelz", "zacc", "accelerationz", "linearaccelerationz", "linaccz", "specificforcez"},
	Speed:   {"v", "speed", "velocity", "wheelspeed", "vx", "groundspeed", "wheel", "linearx", "twistlinearx"},
	Lat:     {"lat", "latitude"},
	Lon:     {"lon", "long", "lng", "longitude"},
	Height:  {"h", "height", "alt", "altitude", "ellipsoidalheight", "hell", "elevation"},
	Quality: {"quality", "q", "fix", "fixquality", "fixtype", "solution", "status", "mode"},
	SigmaE:  {"sigmae", "sde", "stde", "sigmaeast", "sigmax"},
	SigmaN:  {"sigman", "sdn", "stdn", "sigmanorth", "sigmay"},
	SigmaU:  {"sigmau", "sdu", "stdu", "sigmaup", "sigmaz"},
	VelE:    {"ve", "vele", "veast", "velocityeast"},
	VelN:    {"vn", "veln", "vnorth", "velocitynorth"},
	VelU:    {"vu", "velu", "vup", "velocityup"},
	Sats:    {"sats", "ns", "nsat", "nsats", "satellites", "numsats", "svs"},
	Age:     {"age", "corrage", "diffage", "ageofdifferential"},
	HDOP:    {"hdop"},
}

// nanoNames are those of a column that holds the nanoseconds beside the whole
// seconds of the time.
var nanoNames = []string{"nsec", "nsecs", "nanosec", "nanosecs", "nanoseconds", "headerstampnanosec", "headerstampnsec", "headerstampnsecs"}

// units by what they measure, as factors to SI. Spellings without punctuation.
var (
	timeUnits  = map[string]float64{"s": 1, "sec": 1, "seconds": 1, "ms": 1e-3, "msec": 1e-3, "us": 1e-6, "µs": 1e-6, "usec": 1e-6, "ns": 1e-9, "nsec": 1e-9}
	rateUnits  = map[string]float64{"rad/s": 1, "rads": 1, "deg/s": math.Pi / 180, "degs": math.Pi / 180, "dps": math.Pi / 180, "°/s": math.Pi / 180, "mdeg/s": math.Pi / 180e3, "mdps": math.Pi / 180e3, "mrad/s": 1e-3}
	forceUnits = map[string]float64{"m/s^2": 1, "m/s2": 1, "m/s²": 1, "m/s/s": 1, "mps2": 1, "ms2": 1, "g": standardGravity, "mg": standardGravity / 1e3, "gravity": standardGravity}
	speedUnits = map[string]float64{"m/s": 1, "mps": 1, "km/h": 1 / 3.6, "kmh": 1 / 3.6, "kph": 1 / 3.6, "mph": 0.44704, "kn": 1852. / 3600, "knots": 1852. / 3600, "mm/s": 1e-3, "cm/s": 1e-2}
	angleUnits = map[string]float64{"deg": 1, "°": 1, "rad": 180 / math.Pi}
	lenUnits   = map[string]float64{"m": 1, "mm": 1e-3, "cm": 1e-2}
)

// standardGravity is what "g" as a unit means, m/s² (CGPM 1901).
const standardGravity = 9.80665

// unitsOf returns the units that a quantity may have.
func unitsOf(q Quantity) map[string]float64 {
	switch {
	case q == Time || q == Age:
		return timeUnits
	case q >= GyroX && q <= GyroZ:
		return rateUnits
	case q >= ForceX && q <= ForceZ:
		return forceUnits
	case q == Speed || q >= VelE && q <= VelU:
		return speedUnits
	case q == Lat || q == Lon:
		return angleUnits
	case q == Height || q >= SigmaE && q <= SigmaU:
		return lenUnits
	}
	return nil
}

// Layout says where in a line the quantities asked for stand.
type Layout struct {
	want   []Quantity
	at     []int     // column of each, -1 where no column has it
	scale  []float64 // to SI, sign included
	nanos  int       // column of the ns within the second of the time, -1 without
	offset float64   // s, added to the time
	plain  bool      // exactly the quantities asked for, comma-separated and in SI
	text   string    // the list of names it was made from
}

// own returns the layout of our own files: the quantities in order, separated
// by commas, in SI units.
func own(want []Quantity) Layout {
	l := Layout{want: want, plain: true, nanos: -1}
	var list []string
	for i, q := range want {
		l.at, l.scale = append(l.at, i), append(l.scale, 1)
		list = append(list, q.Name())
	}
	l.text = strings.Join(list, ",")
	return l
}

// Settings name what tables hold that do not name it themselves.
type Settings struct {
	IMU         string  `toml:"imu" doc:"columns of the inertial sensor's lines in order, units in brackets: \"t[ms], ax[g], ay, az, wx[deg/s], wy, wz\"; a minus turns an axis round. Empty: the line of names in the file, else t,wx,wy,wz,fx,fy,fz in SI units" src:"the logger's manual"`
	IMUOffset   float64 `toml:"imu_offset_s" unit:"s" doc:"added to the times of the inertial samples to make them host time" min:"-1e11" max:"1e11" src:"0 where one clock stamps everything"`
	Wheel       string  `toml:"wheel" doc:"columns of the wheel's lines: \"t,v[km/h]\". Empty: the line of names in the file, else t,v in SI units" src:"the logger's manual"`
	WheelOffset float64 `toml:"wheel_offset_s" unit:"s" doc:"added to the times of the wheel's samples to make them host time" min:"-1e11" max:"1e11" src:"0 where one clock stamps everything"`
	Fix         string  `toml:"fix" doc:"columns of a table of positions in place of sentences: \"t lat lon h quality sde sdn sdu\". Empty: its line of names" src:"the logger's manual"`
	GNSSOffset  float64 `toml:"gnss_offset_s" unit:"s" doc:"added to the times of the sentences, or of a table in their place, to make them UTC" min:"-1e11" max:"1e11" src:"GPS time is ahead of UTC by 18 s since 2017 (IERS Bulletin C 52): then -18"`
	FixQuality  string  `toml:"fix_quality" doc:"what its quality column means where it does not hold GGA's codes: \"1=fixed, 2=float, 5=single\"" src:"the logger's manual"`
}

// NumFix is how many quantities a table of positions may hold.
const NumFix = 13

// FixTable returns the table of positions: time, latitude and longitude at
// least.
func (s *Settings) FixTable() (Table, error) {
	want := []Quantity{Time, Lat, Lon, Height, Quality, SigmaE, SigmaN, SigmaU, VelE, VelN, Sats, Age, HDOP}[:NumFix]
	t := Table{Layout: own(want), told: s.Fix != "", some: 3, key: "columns.fix"}
	var err error
	if t.told {
		var missing []Quantity
		t.Layout, missing, err = read(s.Fix, want)
		if err == nil && len(missing) > 0 && missing[0] <= Lon {
			err = fmt.Errorf("columns %q: no column %s, want time, lat and lon at least", s.Fix, missing[0].Name())
		}
		if err != nil {
			err = fmt.Errorf("%s: %w", t.key, err)
		}
	}
	t.offset = 0 // the times are shifted where those of sentences are
	if _, e := s.Qualities(); err == nil {
		err = e
	}
	return t, err
}

// qualityWords are GGA's quality indicators in words.
var qualityWords = map[string]float64{"none": 0, "invalid": 0, "single": 1, "autonomous": 1, "diff": 2, "dgps": 2, "dgnss": 2, "pps": 3, "fixed": 4, "fix": 4, "rtkfixed": 4, "float": 5, "rtkfloat": 5}

// Qualities returns what each value of the quality column means, as GGA quality
// indicators; nil where they are that already.
func (s *Settings) Qualities() (map[int]int, error) {
	if s.FixQuality == "" {
		return nil, nil
	}
	m := map[int]int{}
	for _, f := range strings.Split(s.FixQuality, ",") {
		code, word, _ := strings.Cut(f, "=")
		n, err := strconv.Atoi(strings.TrimSpace(code))
		q, ok := qualityWords[strings.ToLower(strings.TrimSpace(word))]
		if err != nil || !ok {
			return nil, fmt.Errorf("columns.fix_quality: %q, want CODE=WORD with one of none single diff pps fixed float", strings.TrimSpace(f))
		}
		m[n] = int(q)
	}
	return m, nil
}

// IMUTable returns the table of the inertial sensor's lines.
func (s *Settings) IMUTable() (Table, error) {
	return tableOf("columns.imu", s.IMU, s.IMUOffset, []Quantity{Time, GyroX, GyroY, GyroZ, ForceX, ForceY, ForceZ})
}

// WheelTable returns the table of the wheel's lines.
func (s *Settings) WheelTable() (Table, error) {
	return tableOf("columns.wheel", s.Wheel, s.WheelOffset, []Quantity{Time, Speed})
}

// LinkTable returns the table of correction lines: all of them that is a number.
func LinkTable() Table {
	t, _ := newTable("", 0, []Quantity{Time})
	return t
}

func tableOf(key, list string, offset float64, want []Quantity) (Table, error) {
	t, err := newTable(list, offset, want)
	if err != nil {
		err = fmt.Errorf("%s: %w", key, err)
	}
	t.key = key
	return t, err
}

// Table follows the lines of a table: its layout is what the settings say, else
// what a line of names in it says, else that of our own files.
type Table struct {
	Layout
	told  bool   // by the settings
	named bool   // by a line of names
	key   string // of the setting that names them
	some  int    // of the quantities, from the first, that lines must hold; 0 for all
}

// Known reports whether the settings or a line of names give the columns.
func (t *Table) Known() bool { return t.told || t.named }

// Key returns the setting that names the columns.
func (t *Table) Key() string { return t.key }

// newTable returns a table with the columns of list, empty for those of its own
// line of names, and offset seconds added to its times.
func newTable(list string, offset float64, want []Quantity) (Table, error) {
	t := Table{Layout: own(want), told: list != ""}
	var err error
	if t.told {
		t.Layout, err = parse(list, want)
	}
	t.offset = offset
	return t, err
}

// Header takes a line of names and reports whether line is one. Where the
// settings name the columns it only passes over it.
func (t *Table) Header(line []byte) bool {
	if len(line) == 0 || line[0] >= '0' && line[0] <= '9' || !isHeader(line, t.want) {
		return false
	}
	if t.told {
		return true
	}
	if l, missing, err := read(string(line), t.want); err == nil && (len(missing) == 0 || t.some > 0 && !slices.ContainsFunc(missing, func(q Quantity) bool { return t.Wanted(q) < t.some })) {
		l.offset = t.offset
		t.Layout, t.named = l, true
	}
	return true
}

// parse reads a list of column names, all of the quantities want among them.
// The error says which is missing, stands twice or has a unit that is none.
func parse(list string, want []Quantity) (Layout, error) {
	l, missing, err := read(list, want)
	if err != nil {
		return l, err
	}
	if len(missing) > 0 {
		return l, fmt.Errorf("columns %q: no column %s, want %s", strings.TrimSpace(list), missing[0].Name(), own(want).text)
	}
	return l, nil
}

// isHeader reports whether a line is a list of names that holds the time and at
// least one more of want.
func isHeader(line []byte, want []Quantity) bool {
	if _, err := strconv.ParseFloat(strings.TrimSpace(string(firstField(line))), 64); err == nil {
		return false
	}
	l, missing, err := read(string(line), want)
	return err == nil && l.Has(Time) && len(want)-len(missing) >= 2
}

func firstField(line []byte) []byte {
	sep := separator(line)
	return bytes.TrimSpace(slices.Collect(split(line, sep, 1))[0])
}

func read(list string, want []Quantity) (l Layout, missing []Quantity, err error) {
	line := []byte(strings.TrimSpace(strings.TrimLeft(strings.TrimPrefix(list, "\ufeff"), "#% \t")))
	l = Layout{want: want, text: string(line), nanos: -1}
	unit := make(map[Quantity]float64) // as far as the list says
	col := make(map[Quantity]int)
	sign := make(map[Quantity]float64)
	sep := separator(line)
	n, dated := 0, false
	for f := range split(line, sep, len(line)+1) {
		name, u := plainName(string(f))
		if dated && slices.Contains(names[Time], name) {
			dated = false
			continue // one field with the date before it
		}
		dated = name == "date"
		if slices.Contains(nanoNames, name) {
			l.nanos = n
		}
		s := 1.0
		if strings.HasPrefix(strings.TrimSpace(string(f)), "-") {
			s = -1
		}
		for _, q := range want {
			if !slices.Contains(names[q], name) || ambiguous(name, q, want) {
				continue
			}
			if _, twice := col[q]; twice {
				if name == names[q][0] { // our own name wins over another
					return l, nil, fmt.Errorf("columns %q: %s stands twice", list, q.Name())
				}
				break
			}
			col[q], sign[q] = n, s
			if u == "" {
				break
			}
			k, ok := unitsOf(q)[u]
			if !ok && unitsOf(q) != nil {
				return l, nil, fmt.Errorf("columns %q: unit of %s is %q, want one of %s", list, q.Name(), u, known(unitsOf(q)))
			}
			if ok {
				unit[q] = k
			}
			break
		}
		n++
	}
	l.plain = sep == ',' && n == len(want) && l.nanos < 0
	for i, q := range want {
		at, ok := col[q]
		if !ok {
			missing = append(missing, q)
			at = -1
		}
		k, told := unit[q]
		if !told {
			k = 1
			if first := firstAxis(q); first != q {
				if v, ok := unit[first]; ok {
					k = v
				}
			}
		}
		l.at = append(l.at, at)
		l.scale = append(l.scale, math.Copysign(k, sign[q]))
		l.plain = l.plain && at == i && l.scale[i] == 1
	}
	return l, missing, nil
}

// ambiguous finds names that two of the wanted quantities share: q is a pitch
// rate among rates and a quality among positions.
func ambiguous(name string, q Quantity, want []Quantity) bool {
	return name == "q" && q == GyroY && !slices.Contains(want, GyroX)
}

// firstAxis returns the quantity whose unit holds for q where q has none.
func firstAxis(q Quantity) Quantity {
	for _, first := range [...]Quantity{GyroX, ForceX, SigmaE, VelE} {
		if q >= first && q <= first+2 {
			return first
		}
	}
	return q
}

// plainName takes a column's name apart: the name without case, punctuation and
// sign, and the unit in brackets or behind the last underscore.
func plainName(s string) (name, unit string) {
	s = strings.ToLower(strings.Trim(strings.TrimSpace(s), `"'`))
	s = strings.TrimPrefix(s, "-")
	if i := strings.IndexAny(s, "[("); i > 0 {
		unit = strings.TrimSpace(strings.Trim(s[i:], "[]() "))
		s = s[:i]
	} else if i := strings.LastIndexByte(s, '_'); i > 0 {
		if u := s[i+1:]; suffixUnit(u) {
			s, unit = s[:i], u
		}
	}
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' {
			return r
		}
		return -1
	}, s), unit
}

// suffixUnit reports whether what stands behind an underscore is a unit.
func suffixUnit(u string) bool {
	for _, m := range []map[string]float64{timeUnits, rateUnits, forceUnits, speedUnits, angleUnits, lenUnits} {
		if _, ok := m[u]; ok {
			return true
		}
	}
	return false
}

func known(units map[string]float64) string {
	var s []string
	for u := range units {
		s = append(s, u)
	}
	slices.Sort(s)
	return strings.Join(s, " ")
}

// String returns the list of names that the layout was made from.
func (l *Layout) String() string { return l.text }

// Plain reports whether lines hold exactly what is wanted, in order, separated
// by commas and in SI units.
func (l *Layout) Plain() bool { return l.plain && l.offset == 0 }

// Has reports whether a column holds q.
func (l *Layout) Has(q Quantity) bool {
	i := slices.Index(l.want, q)
	return i >= 0 && l.at[i] >= 0
}

// Wanted returns the index of q among the quantities asked for, -1 when it is
// not among them.
func (l *Layout) Wanted(q Quantity) int { return slices.Index(l.want, q) }

// Quantity returns the quantity with an index.
func (l *Layout) Quantity(i int) Quantity { return l.want[i] }

// Name returns the name of the quantity with an index.
func (l *Layout) Name(i int) string { return l.want[i].Name() }

// Fields counts the fields of a line.
func (l *Layout) Fields(line []byte) (n int) {
	for range split(line, separator(line), len(line)+1) {
		n++
	}
	return n
}

// Numbers reads the wanted quantities of a line into out, NaN for those that no
// column has or whose field is empty. It returns the index of the first that
// could not be read, -1 when all could, and the text of its field, nil where
// the line has too few fields or, without gaps between them, too many.
func (l *Layout) Numbers(line []byte, out []float64) (bad int, text []byte) {
	if l.Plain() {
		if _, whole := plainFields(line, out); whole {
			return -1, nil
		}
	}
	sep := separator(line)
	for i := range out {
		out[i] = math.NaN()
	}
	bad = -1
	n, whole, nanos := 0, -1, 0.0
	for f := range split(line, sep, len(line)+1) {
		for i, at := range l.at {
			if at != n {
				continue
			}
			x, ok := value(f, l.want[i], sep)
			if !ok && bad < 0 {
				bad, text = i, f
			}
			out[i] = x * l.scale[i]
			if l.want[i] == Time {
				out[i] += l.offset
				whole = i
			}
		}
		if n == l.nanos {
			nanos, _ = value(f, Speed, sep)
		}
		n++
	}
	if whole >= 0 && l.nanos >= 0 {
		out[whole] += nanos * 1e-9
	}
	if l.plain && n != len(l.want) {
		return max(bad, 0), nil // own lines hold nothing else
	}
	for i, at := range l.at {
		if at >= n && bad < 0 {
			bad, text = i, nil
		}
	}
	return bad, text
}

// Time returns the time of a line, Unix s, and whether it has one that Unix
// seconds can be.
func (l *Layout) Time(line []byte) (t float64, ok bool) {
	if l.Plain() && l.want[0] == Time {
		if t, ok = leadingTime(line); ok || len(line) > longest {
			return t, ok
		}
	}
	var out [numQuantities]float64
	l.Numbers(line, out[:len(l.want)])
	t = out[slices.Index(l.want, Time)]
	return t, t >= 0 && t < MaxUnix
}

// longest bounds a line that is looked at for more than our own columns, bytes.
const longest = 512

// space stands for any white space as a separator.
const space = ' '

// separator returns what separates the fields of a line.
func separator(line []byte) byte {
	for _, sep := range [...]byte{';', ',', '\t'} {
		if bytes.IndexByte(line, sep) >= 0 {
			return sep
		}
	}
	return space
}

// split yields the fields of a line, at most n, without the space around them. A
// date and the time of day behind it are one field.
func split(line []byte, sep byte, n int) func(yield func([]byte) bool) {
	return func(yield func([]byte) bool) {
		rest := bytes.TrimRight(line, "\r\n")
		if sep == space {
			rest = bytes.TrimSpace(rest)
		}
		for ; n > 0; n-- {
			end := bytes.IndexByte(rest, sep)
			if sep == space {
				end = bytes.IndexAny(rest, " \t")
			}
			if isDate(rest) && len(rest) > dateLen+2 && rest[dateLen] == sep {
				if more := bytes.IndexByte(rest[dateLen+1:], sep); more != 0 {
					if end = dateLen + 1 + more; more < 0 {
						end = -1
					}
				}
			}
			if end < 0 {
				yield(bytes.TrimSpace(rest))
				return
			}
			if !yield(bytes.TrimSpace(rest[:end])) {
				return
			}
			rest = rest[end+1:]
			if sep == space {
				rest = bytes.TrimLeft(rest, " \t")
			}
		}
	}
}

// dateLen is the length of a date in figures, 2026-05-16.
const dateLen = 10

// isDate reports whether a line goes on with a date.
func isDate(b []byte) bool {
	return len(b) >= dateLen && (b[4] == '-' || b[4] == '/') && b[7] == b[4] && b[0] >= '0' && b[0] <= '9'
}

// value reads one field; an empty one is NaN.
func value(f []byte, q Quantity, sep byte) (float64, bool) {
	f = bytes.Trim(f, `"`)
	if len(f) == 0 {
		return math.NaN(), q != Time
	}
	if i := bytes.IndexByte(f, ','); sep == ';' && i >= 0 {
		f = bytes.Clone(f)
		f[i] = '.'
	}
	if x, next, ok := number(f, 0); ok && next == len(f) {
		return x, true
	}
	switch q {
	case Time:
		return dateTime(string(f))
	case Quality:
		x, ok := qualityWords[strings.ToLower(strings.Map(letters, string(f)))]
		return x, ok
	}
	return math.NaN(), false
}

func letters(r rune) rune {
	if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' {
		return r
	}
	return -1
}

// dateTime reads a date and a time of day (ISO 8601 and its usual variants).
func dateTime(s string) (float64, bool) {
	s = strings.NewReplacer("/", "-", "T", " ", ",", " ", ";", " ", "\t", " ").Replace(strings.TrimSuffix(s, "Z"))
	for _, form := range [...]string{"2006-01-02 15:04:05", "2006-01-02 15:04:05Z07:00", "2006-01-02 15:04:05 Z07:00", "2006-01-02 15:04:05-0700"} {
		if t, err := time.Parse(form, s); err == nil {
			return float64(t.Unix()) + float64(t.Nanosecond())*1e-9, true
		}
	}
	return math.NaN(), false
}
