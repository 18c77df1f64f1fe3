package bothends

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
)

// Fate is what became of a frame that the base sent.
type Fate uint8

const (
	Lost     Fate = iota // nothing of it came
	Damaged              // bytes came when it was due, but not it
	Received             // it came, byte by byte
)

// Passage is one frame of the base on its way to the car.
type Passage struct {
	Sent  frame   // at the base, its T by the base's clock
	Due   float64 // s, by the car's clock: when it would have come at the link's least delay
	Got   float64 // s, by the car's clock; NaN unless received
	Delay float64 // s beyond the link's least delay; NaN unless received
	Fate  Fate
}

// Joined is the link seen from both ends.
type Joined struct {
	Passages []Passage // in the order sent
	Foreign  int       // frames of the car that the base's record does not have
	Usual    float64   // s, usual time from one burst of frames at the base to the next
	Alive    []float64 // s, marks of life of the base's computer, by the car's clock
	Lives    bool      // there are any

	from, to float64 // s, by the car's clock: what the base's record covers
	ended    bool    // it was ended by a person
}

// Limits of joining.
const (
	window   = 60.0 // s, over which the least delay stands for the offset of the clocks: at 100 ppm they part by 6 ms in it
	early    = 0.1  // s by which a frame may seem to come before the least delay: jitter of two computers
	latest   = 60.0 // s, a frame that came later is another one of the same bytes
	leastTie = 5    // frames that must be in both records once
	dueSlack = 1.0  // s after a frame was due, beyond its usual delay, in which damaged bytes are its own
	burstGap = 0.2  // s without a frame that parts two bursts
)

// errApart says that the two records have nothing to do with each other.
var errApart = errors.New("the two ends have no frames in common: another day, another base, or a link that changes what it carries")

// tie is one frame that is in both records once.
type tie struct{ base, diff float64 }

// Join matches the frames of both ends. It fails with [errApart] where too few
// frames are in both.
func Join(base, car *Record) (*Joined, error) {
	if len(base.Frames) == 0 {
		return nil, errors.New("the base's record holds no whole frame")
	}
	if len(car.Frames) == 0 {
		return nil, errors.New("the car's record holds no whole frame")
	}
	byKey := make(map[uint64][]int, len(car.Frames))
	for i, f := range car.Frames {
		byKey[f.Key] = append(byKey[f.Key], i)
	}
	times := make(map[uint64]int, len(base.Frames))
	for _, f := range base.Frames {
		times[f.Key]++
	}
	var ties []tie
	for _, f := range base.Frames {
		if at := byKey[f.Key]; times[f.Key] == 1 && len(at) == 1 {
			ties = append(ties, tie{f.T, car.Frames[at[0]].T - f.T})
		}
	}
	if len(ties) < leastTie {
		return nil, fmt.Errorf("%w (%d of %d frames)", errApart, len(ties), len(base.Frames))
	}
	least := leastDelays(ties)
	j := &Joined{Usual: usual(base.Frames), Lives: len(base.Alive) > 0, ended: base.Ended}
	// Frames of the same bytes: what came belongs to the last one that was sent
	// before, so that a loss does not shift all that follow.
	next := make([]float64, len(base.Frames))
	again := make(map[uint64]float64, len(times))
	for i := len(base.Frames) - 1; i >= 0; i-- {
		f := base.Frames[i]
		due := f.T + least(f.T)
		next[i] = due + latest
		if t, ok := again[f.Key]; ok {
			next[i] = min(next[i], t-early)
		}
		again[f.Key] = due
	}
	used := make([]bool, len(car.Frames))
	for n, f := range base.Frames {
		p := Passage{Sent: f, Due: f.T + least(f.T), Got: math.NaN(), Delay: math.NaN()}
		for _, i := range byKey[f.Key] {
			t := car.Frames[i].T
			if !used[i] && t >= p.Due-early && t < next[n] {
				used[i] = true
				p.Got, p.Delay, p.Fate = t, t-p.Due, Received
				break
			}
		}
		j.Passages = append(j.Passages, p)
	}
	for _, u := range used {
		if !u {
			j.Foreign++
		}
	}
	j.damage(car)
	for _, t := range base.Alive {
		j.Alive = append(j.Alive, t+least(t))
	}
	first, last := base.Frames[0].T, base.Frames[len(base.Frames)-1].T
	if j.Lives {
		first, last = min(first, base.Alive[0]), max(last, base.Alive[len(base.Alive)-1])
	}
	j.from, j.to = first+least(first), last+least(last)
	return j, nil
}

// leastDelays returns the offset car less base at the link's least delay, as a
// function of the base's time: the smallest difference within the window, held
// where nothing came through.
func leastDelays(ties []tie) func(float64) float64 {
	at := make([]float64, len(ties))
	low := make([]float64, len(ties))
	for i, k := range ties {
		at[i] = k.base
	}
	var queue []int // of rising differences, ties still inside the window
	right := 0
	for i := range ties {
		for right < len(ties) && at[right] <= at[i]+window {
			for len(queue) > 0 && ties[queue[len(queue)-1]].diff >= ties[right].diff {
				queue = queue[:len(queue)-1]
			}
			queue = append(queue, right)
			right++
		}
		for at[queue[0]] < at[i]-window {
			queue = queue[1:]
		}
		low[i] = ties[queue[0]].diff
	}
	return func(t float64) float64 {
		k := sort.SearchFloat64s(at, t)
		switch {
		case k == 0:
			return low[0]
		case k == len(at):
			return low[k-1]
		case at[k]-t < t-at[k-1]:
			return low[k]
		}
		return low[k-1]
	}
}

// usual returns the usual time between bursts of frames.
func usual(frames []frame) float64 {
	var gaps []float64
	start := frames[0].T
	for i := 1; i < len(frames); i++ {
		if frames[i].T-frames[i-1].T > burstGap {
			gaps = append(gaps, frames[i].T-start)
			start = frames[i].T
		}
	}
	if len(gaps) == 0 {
		return math.NaN()
	}
	slices.Sort(gaps)
	return gaps[len(gaps)/2]
}

// damage separates the frames of which something came from those of which nothing
// came: bytes that belong to no frame, about when the frame was due.
func (j *Joined) damage(car *Record) {
	var delays []float64
	for i := range j.Passages {
		if p := &j.Passages[i]; p.Fate == Received {
			delays = append(delays, p.Delay)
		}
	}
	slices.Sort(delays)
	late := 0.0
	if n := len(delays); n > 0 {
		late = delays[n*9/10]
	}
	left := make([]int, len(car.Junk))
	for i, k := range car.Junk {
		left[i] = k.Bytes
	}
	for i := range j.Passages {
		p := &j.Passages[i]
		if p.Fate == Received {
			continue
		}
		k := sort.Search(len(car.Junk), func(k int) bool { return car.Junk[k].T >= p.Due-early })
		for ; k < len(car.Junk) && car.Junk[k].T <= p.Due+late+dueSlack; k++ {
			if left[k] > 0 {
				left[k] -= p.Sent.Bytes
				p.Fate = Damaged
				break
			}
		}
	}
}

// Count is how frames fared.
type Count struct{ Sent, Received, Damaged, Lost int }

// Share returns which share of the frames sent did not arrive whole, NaN where
// none was sent.
func (c Count) Share() float64 {
	if c.Sent == 0 {
		return math.NaN()
	}
	return float64(c.Damaged+c.Lost) / float64(c.Sent)
}

// Add counts one frame.
func (c *Count) Add(f Fate) {
	c.Sent++
	switch f {
	case Received:
		c.Received++
	case Damaged:
		c.Damaged++
	default:
		c.Lost++
	}
}

// Span is the link from one moment to another, by the car's clock.
type Span struct {
	Count
	Length   float64 // s, of it as far as the base's record covers it
	Silent   float64 // s, longest time in which the base sent nothing
	Lifeless float64 // s, longest time without a mark of life, NaN where none are recorded
	Covered  bool    // the base's record covers the beginning of it
}

// Between returns what both ends say of the time from a to b, by the car's clock.
func (j *Joined) Between(a, b float64) Span {
	s := Span{Lifeless: math.NaN(), Covered: a >= j.from-j.slack() && a <= j.to+j.slack()}
	if j.ended { // in order: what was not recorded after it proves nothing
		s.Covered = s.Covered && a < j.to
		b = min(b, j.to)
	}
	s.Length = b - a
	first := sort.Search(len(j.Passages), func(i int) bool { return j.Passages[i].Due >= a })
	last := a
	if first > 0 { // what was sent just before covers the beginning
		last = max(a, j.Passages[first-1].Due)
	}
	for i := first; i < len(j.Passages) && j.Passages[i].Due < b; i++ {
		p := &j.Passages[i]
		s.Add(p.Fate)
		s.Silent = max(s.Silent, p.Due-last)
		last = p.Due
	}
	s.Silent = max(s.Silent, b-last)
	if j.Lives {
		s.Lifeless = longest(j.Alive, a, b)
	}
	return s
}

// slack is how far beyond its last frame a record is believed to reach.
func (j *Joined) slack() float64 { return 2 * max(1, orZero(j.Usual)) }

func orZero(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// longest returns the longest time between a and b without any of the times.
func longest(times []float64, a, b float64) float64 {
	most, last := 0.0, a
	for i := sort.SearchFloat64s(times, a); i < len(times) && times[i] < b; i++ {
		most = max(most, times[i]-last)
		last = times[i]
	}
	return max(most, b-last)
}
