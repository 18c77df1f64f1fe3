// Package inject adds labelled faults to a recording by rewriting its raw
// bytes: sentences with their checksums and TAG blocks, correction frames with
// their CRC, inertial and wheel lines. A clean recording without truth becomes a
// test with labels.
//
// What a fault of the correction link does to the rover (age, then float, then
// single, with errors of that size) is a model, see [Model]; everything else in
// the sentences stays as the receiver wrote it. Metres, seconds, host Unix seconds; faults are
// put to epochs by their UTC, so that all sentences of one epoch agree. The same
// recording, faults and seed give the same bytes. Start at [ParseFault] and [Apply].
package inject

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"

	"kerbline/fixtures/faults"
	"kerbline/fusion"
	"kerbline/gnss/geodesy"
)

// Fault is one fault to add.
type Fault struct {
	Kind string
	From float64 // s after the start of the recording, or host Unix s when above 1e8
	To   float64 // the same; +Inf means to the end
	Size float64 // in the unit of its kind
	Dir  string  // left, right, ahead, back of the travel at its start, or a compass bearing in degrees
}

// Kind describes one kind of fault.
type Kind struct {
	Name string
	Unit string  // of the size, empty when it has none
	Size float64 // default
	Dir  bool    // a direction may follow
	Doc  string

	needs  needs
	starve bool       // the rover's correction age grows
	length [3]float64 // s: shortest and longest of a scattered one, and the pause after it
}

// needs says which channels a fault cannot do without.
type needs uint8

const (
	receiver needs = 1 << fusion.ChanNMEA
	link     needs = 1<<fusion.ChanCorrections | receiver
	imu      needs = 1 << fusion.ChanIMU
	wheel    needs = 1 << fusion.ChanWheel
)

var (
	short  = [3]float64{2, 6, 15}
	shift  = [3]float64{2, 8, 15}
	held   = [3]float64{15, 25, 20}
	outage = [3]float64{20, 45, 40}
)

// Kinds lists all kinds in the order of the help text.
var Kinds = []Kind{
	{faults.Jump, "m", 0.3, true, "positions step away and back, the fix stays fixed", receiver, false, shift},
	{faults.WrongFix, "m", 0.5, true, "the same, held for long: integers resolved wrongly", receiver, false, held},
	{faults.Drift, "m/s", 0.1, true, "positions creep away, then return at once", receiver, false, held},
	{"ramp", "m", 0.8, true, "positions move away within 3 s and stay there", receiver, false, held},
	{"false_fix", "m", 0.8, true, "a wrong fix with its height off by twice as much", receiver, false, held},
	{faults.Claimed, "", 0, false, "the errors of a float, reported as fixed", receiver, false, held},
	{faults.LostFix, "", 0, false, "float, then fixed again at once", receiver, false, short},
	{faults.Frozen, "", 0, false, "position and speed stay, the time goes on", receiver, false, short},
	{faults.Stamp, "s", 0.1, false, "the receiver's UTC is ahead by this much", receiver, false, held},
	{faults.Stall, "", 0, false, "the computer reads neither receiver nor link until the end", receiver, false, short},
	{faults.BaseMoved, "m", 0.4, true, "base coordinates in 1005/1006 and all positions shift by one vector", link, false, short},
	{faults.Silent, "", 0, false, "no correction bytes", link, true, outage},
	{faults.Corrupt, "share", 0.6, false, "this share of the correction chunks is damaged", link, true, outage},
	{faults.Sparse, "s", 8, false, "one constellation only, one epoch in this many seconds", link, true, outage},
	{faults.Late, "s", 5, false, "corrections arrive this much later", link, true, outage},
	{faults.Restarted, "m", 0, true, "silence, then another station id and coordinates off by size", link, true, outage},
	{faults.NotUsing, "", 0, false, "corrections flow, the rover's age grows all the same", receiver, true, outage},
	{faults.Sky, "share", 0.6, false, "this share of the satellites is lost, the fix with them", receiver, false, outage},
	{faults.Interference, "dB", 12, false, "all C/N0 of the rover fall by this much together, the fix with them", receiver, false, outage},
	{faults.Receiver, "", 0, false, "no sentences", receiver, false, short},
	{"unknown", "", 0, false, "no tap at all (whole recording), and the age grows", receiver, true, outage},
	{"no_fix", "", 0, false, "sentences without position, quality 0", receiver, false, short},
	{faults.Slow, "s", 0.3, false, "sentences arrive this much later", receiver, false, short},
	{faults.Garbled, "share", 0.2, false, "this share of the sentences is damaged", receiver, false, short},
	{faults.IMUGap, "", 0, false, "no inertial samples", imu, false, short},
	{"wheel_gap", "", 0, false, "no wheel speed", wheel, false, short},
	{faults.SlipWheel, "factor", 1.2, false, "wheel speed is this times the true one: 0 locked, above 1 spinning", wheel, false, short},
	{faults.Clock, "s", 1, false, "the host clock is off by this much, then back", 0, false, short},
	{"imu_g", "", 0, false, "specific force in g instead of m/s^2", imu, false, short},
	{"imu_deg", "", 0, false, "turn rate in deg/s instead of rad/s", imu, false, short},
}

func kindOf(name string) *Kind {
	for i := range Kinds {
		if Kinds[i].Name == name {
			return &Kinds[i]
		}
	}
	return nil
}

// ParseFault reads kind:from..to[:size][:dir], times in seconds from the start
// of the recording or host Unix s; an empty to is the end of the recording.
func ParseFault(s string) (Fault, error) {
	part := strings.Split(s, ":")
	k := kindOf(part[0])
	if k == nil {
		return Fault{}, fmt.Errorf("inject: fault %q: no kind %q, want one of %s", s, part[0], names())
	}
	f := Fault{Kind: k.Name, Size: k.Size}
	if k.Dir {
		f.Dir = "left"
	}
	if len(part) < 2 {
		return Fault{}, fmt.Errorf("inject: fault %q: no times, want %s:from..to", s, k.Name)
	}
	a, b, ok := strings.Cut(part[1], "..")
	from, err := strconv.ParseFloat(a, 64)
	if !ok || err != nil {
		return Fault{}, fmt.Errorf("inject: fault %q: times %q, want from..to in s", s, part[1])
	}
	to := math.Inf(1)
	if b != "" {
		if to, err = strconv.ParseFloat(b, 64); err != nil {
			return Fault{}, fmt.Errorf("inject: fault %q: times %q, want from..to in s", s, part[1])
		}
	}
	if !(from >= 0) || !(to > from) || math.IsInf(from, 0) {
		return Fault{}, fmt.Errorf("inject: fault %q: times %q, want 0 or later and from before to", s, part[1])
	}
	f.From, f.To = from, to
	rest := part[2:]
	if len(rest) > 0 && k.Unit != "" {
		v, err := strconv.ParseFloat(rest[0], 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || v < 0 && f.Kind != "clock_step" {
			return Fault{}, fmt.Errorf("inject: fault %q: size %q, want a number of %s", s, rest[0], unitWord(k))
		}
		if k.Unit == "share" && math.Abs(v) > 1 {
			return Fault{}, fmt.Errorf("inject: fault %q: size %g, want a share of at most 1", s, v)
		}
		f.Size, rest = v, rest[1:]
	}
	if len(rest) > 0 && k.Dir {
		if _, _, err := direction(rest[0], 0); err != nil {
			return Fault{}, fmt.Errorf("inject: fault %q: %w", s, err)
		}
		f.Dir, rest = rest[0], rest[1:]
	}
	if len(rest) > 0 {
		return Fault{}, fmt.Errorf("inject: fault %q: %q left over, want %s", s, strings.Join(rest, ":"), usage(k))
	}
	return f, nil
}

// direction returns the unit vector east, north of dir at a course (rad
// clockwise from north).
func direction(dir string, course float64) (e, n float64, err error) {
	b := course
	switch dir {
	case "ahead":
	case "right":
		b += math.Pi / 2
	case "back":
		b += math.Pi
	case "left":
		b -= math.Pi / 2
	default:
		deg, err := strconv.ParseFloat(dir, 64)
		if err != nil || !(math.Abs(deg) <= 360) {
			return 0, 0, fmt.Errorf("direction %q, want left, right, ahead, back or a compass bearing in deg", dir)
		}
		b = deg * geodesy.Degree
	}
	return math.Sin(b), math.Cos(b), nil
}

func unitWord(k *Kind) string {
	if k.Unit == "share" {
		return "share (0 to 1)"
	}
	return k.Unit
}

func usage(k *Kind) string {
	s := k.Name + ":from..to"
	if k.Unit != "" {
		s += "[:size]"
	}
	if k.Dir {
		s += "[:direction]"
	}
	return s
}

func names() string {
	n := make([]string, len(Kinds))
	for i, k := range Kinds {
		n[i] = k.Name
	}
	return strings.Join(n, ", ")
}

// Help returns one line per kind for the command's help.
func Help() string {
	var b strings.Builder
	for i := range Kinds {
		k := &Kinds[i]
		form := k.Name
		if k.Unit != "" {
			form += fmt.Sprintf(" [%g %s]", k.Size, k.Unit)
		}
		fmt.Fprintf(&b, "  %-24s %s\n", form, k.Doc)
	}
	return b.String()
}

// Scatter is a number of like faults to be spread over a recording.
type Scatter struct {
	Kind   string
	N      int
	Lo, Hi float64 // sizes, spread evenly on a logarithmic scale where both are positive
}

// ParseScatter reads kind=n[:size..size].
func ParseScatter(s string) (Scatter, error) {
	name, rest, _ := strings.Cut(s, "=")
	k := kindOf(name)
	if k == nil {
		return Scatter{}, fmt.Errorf("inject: scatter %q: no kind %q, want one of %s", s, name, names())
	}
	sc := Scatter{Kind: name, Lo: k.Size, Hi: k.Size}
	count, sizes, has := strings.Cut(rest, ":")
	n, err := strconv.Atoi(count)
	if err != nil || n < 1 || n > 10000 {
		return Scatter{}, fmt.Errorf("inject: scatter %q: number %q, want 1 to 10000", s, count)
	}
	sc.N = n
	if has {
		lo, hi, two := strings.Cut(sizes, "..")
		if !two {
			hi = lo
		}
		var e1, e2 error
		sc.Lo, e1 = strconv.ParseFloat(lo, 64)
		sc.Hi, e2 = strconv.ParseFloat(hi, 64)
		if e1 != nil || e2 != nil || k.Unit == "" || !(sc.Lo >= 0) || !(sc.Hi >= sc.Lo) || math.IsInf(sc.Hi, 0) || k.Unit == "share" && sc.Hi > 1 {
			return Scatter{}, fmt.Errorf("inject: scatter %q: sizes %q, want small..large in %s", s, sizes, unitWord(k))
		}
	}
	return sc, nil
}

// Spread places scattered faults between from and to (s after the start) without
// overlap, in an order and at times drawn from seed. It fails when they do not fit.
func Spread(sc []Scatter, from, to float64, seed uint64) ([]Fault, error) {
	type slot struct {
		f    Fault
		need float64
	}
	r := rng(seed)
	var slots []slot
	var need float64
	for _, s := range sc {
		k := kindOf(s.Kind)
		for range s.N {
			f := Fault{Kind: s.Kind, Size: s.Lo}
			if s.Hi > s.Lo {
				u := r.float()
				f.Size = s.Lo + u*(s.Hi-s.Lo)
				if s.Lo > 0 {
					f.Size = s.Lo * math.Pow(s.Hi/s.Lo, u)
				}
			}
			f.To = k.length[0] + r.float()*(k.length[1]-k.length[0])
			if k.Dir {
				f.Dir = strconv.FormatFloat(math.Floor(r.float()*360), 'f', 0, 64)
			}
			slots = append(slots, slot{f, f.To + k.length[2]})
			need += f.To + k.length[2]
		}
	}
	if need > to-from {
		return nil, fmt.Errorf("inject: %d scattered faults with their pauses need %.0f s, the recording leaves %.0f s: want fewer, or a longer recording", len(slots), need, math.Max(0, to-from))
	}
	for i := len(slots) - 1; i > 0; i-- { // shuffle
		j := int(r.float() * float64(i+1))
		slots[i], slots[j] = slots[j], slots[i]
	}
	// Spare time is cut at random places, one before each fault.
	spare := make([]float64, len(slots))
	for i := range spare {
		spare[i] = r.float() * (to - from - need)
	}
	sort.Float64s(spare)
	faults := make([]Fault, len(slots))
	at := from
	for i, s := range slots {
		f := s.f
		f.From = at + spare[i]
		f.To += f.From
		at += s.need
		faults[i] = f
	}
	return faults, nil
}

// rng is splitmix64: small, seeded, the same everywhere.
type rng uint64

func (r *rng) next() uint64 {
	*r += 0x9e3779b97f4a7c15
	z := uint64(*r)
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// float returns a number in [0, 1).
func (r *rng) float() float64 { return float64(r.next()>>11) / (1 << 53) }

// normal returns a standard normal number (Box-Muller).
func (r *rng) normal() float64 {
	return math.Sqrt(-2*math.Log(1-r.float())) * math.Cos(2*math.Pi*r.float())
}
