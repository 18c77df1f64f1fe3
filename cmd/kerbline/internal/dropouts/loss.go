package dropouts

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"kerbline/fusion/score/bounds"
)

// Loss is where observation epochs of the base did not come.
type Loss struct {
	Expected   int    `json:"epochs_expected" doc:"observation epochs sent, by their usual interval"`
	Lost       int    `json:"epochs_lost" doc:"of these, never come"`
	ByPlace    *Strip `json:"by_place,omitempty" doc:"along the lap; absent without a map"`
	ByDistance *Strip `json:"by_distance,omitempty" doc:"by distance from the base; absent where it is not known"`

	gaps []gapAt
}

// Strip is loss over a range cut into equal parts.
type Strip struct {
	From     num   `json:"from_m" doc:"begin of the first part"`
	Step     num   `json:"step_m" doc:"length of a part"`
	Expected []int `json:"epochs_expected" doc:"by part"`
	Lost     []int `json:"epochs_lost" doc:"by part"`
}

// gapAt is a run of lost epochs.
type gapAt struct{ distance float64 } // m from the base at its start

// sent is one epoch that came, and how long the wait for it was.
type sent struct {
	at  float64 // s from the first record, on the clock that is never set back
	gap float64 // s by the epochs' own times since the one before, NaN for the first
}

const (
	stripParts = 60
	distParts  = 20
	mostSent   = 1 << 20 // epochs kept; a week at one a second is fewer
)

// loss places what came and what did not.
func (c *collector) loss(every float64) *Loss {
	if len(c.sent) == 0 || !(every > 0) || len(c.trail) == 0 {
		return nil
	}
	l := &Loss{}
	var near, far float64 = math.Inf(1), math.Inf(-1)
	for _, p := range c.trail {
		if p.distance >= 0 {
			near, far = math.Min(near, p.distance), math.Max(far, p.distance)
		}
	}
	if c.lap > 0 {
		l.ByPlace = newStrip(0, c.lap, stripParts)
	}
	if far-near >= 1 {
		l.ByDistance = newStrip(near, far, distParts)
	}
	put := func(at float64, lost, first bool) {
		p := c.placeAt(at)
		l.Expected++
		if lost {
			l.Lost++
		}
		l.ByPlace.add(p.along, lost)
		l.ByDistance.add(p.distance, lost)
		if lost && first {
			l.gaps = append(l.gaps, gapAt{p.distance})
		}
	}
	for i, s := range c.sent {
		missing := int(math.Round(s.gap/every)) - 1
		if i == 0 || !(missing >= 0) {
			missing = 0
		}
		for k := range min(missing, mostSent) {
			put(s.at-s.gap+float64(k+1)*every, true, k == 0)
		}
		put(s.at, false, false)
	}
	last := c.sent[len(c.sent)-1].at
	for k := range min(int((c.now-c.from-last)/every), mostSent) {
		put(last+float64(k+1)*every, true, k == 0)
	}
	return l
}

// placeAt is where the car was, s from the first record.
func (c *collector) placeAt(at float64) place {
	t := at + c.from - c.shift
	i, _ := slices.BinarySearchFunc(c.trail, t, func(p place, t float64) int { return cmp.Compare(p.t, t) })
	i = min(i, len(c.trail)-1)
	if p := c.trail[i]; math.Abs(p.t-t) <= 2 {
		return p
	}
	return place{t, math.NaN(), math.NaN()}
}

func newStrip(from, to float64, parts int) *Strip {
	return &Strip{From: num(from), Step: num((to - from) / float64(parts)), Expected: make([]int, parts), Lost: make([]int, parts)}
}

func (s *Strip) add(at float64, lost bool) {
	if s == nil || math.IsNaN(at) {
		return
	}
	i := min(max(int((at-float64(s.From))/float64(s.Step)), 0), len(s.Lost)-1)
	s.Expected[i]++
	if lost {
		s.Lost[i]++
	}
}

// marks draws the strip: a dot for nothing lost, 1 to 9 for tenths lost, # for
// all, a blank where the car was not.
func (s *Strip) marks() string {
	out := make([]byte, len(s.Lost))
	for i, n := range s.Lost {
		switch all := s.Expected[i]; {
		case all == 0:
			out[i] = ' '
		case n == 0:
			out[i] = '.'
		case n == all:
			out[i] = '#'
		default:
			out[i] = '0' + byte(min(max(int(10*float64(n)/float64(all)+0.5), 1), 9))
		}
	}
	return string(out)
}

// grows reports how likely chance makes the gaps gather in the far half of the
// way driven, and the counts on either side of the middle.
func (l *Loss) grows() (p float64, near, far int, middle float64) {
	s := l.ByDistance
	if s == nil {
		return 1, 0, 0, math.NaN()
	}
	total, sum := 0, 0
	for _, n := range s.Expected {
		total += n
	}
	middle = float64(s.From)
	var tNear float64
	for i, n := range s.Expected {
		if 2*sum >= total {
			break
		}
		sum += n
		middle = float64(s.From) + float64(i+1)*float64(s.Step)
		tNear = float64(sum)
	}
	for _, g := range l.gaps {
		if g.distance < middle {
			near++
		} else if g.distance >= middle {
			far++
		}
	}
	tFar := float64(total) - tNear
	if !(tFar > 0) || !(tNear > 0) || float64(far)/tFar <= float64(near)/tNear {
		return 1, near, far, middle
	}
	return bounds.SameRate(near, tNear, far, tFar), near, far, middle
}

// strips writes where epochs were lost.
func (r *Report) strips(p *page) {
	l := r.Loss
	if l == nil || l.Expected == 0 {
		return
	}
	p.linef("\nwhere epochs were lost, %d of %d: . none  1-9 tenths  # all", l.Lost, l.Expected)
	for _, k := range []struct {
		name string
		s    *Strip
	}{{"lap", l.ByPlace}, {"distance", l.ByDistance}} {
		if k.s == nil {
			continue
		}
		p.linef("%-12s%s", k.name, k.s.marks())
		from := fmt.Sprintf("%.0f m", float64(k.s.From))
		to := fmt.Sprintf("%.0f m", float64(k.s.From)+float64(k.s.Step)*float64(len(k.s.Lost)))
		p.linef("%s%s%*s", strings.Repeat(" ", 12), from, max(1, len(k.s.Lost)-len(from)), to)
	}
}
