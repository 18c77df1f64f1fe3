package columns

import (
	"bytes"
	"math"
	"slices"
)

// Lines keeps an even choice of a table's lines, at most so many that recognising
// them takes no time worth mentioning.
type Lines struct {
	All    [][]byte
	Seen   int
	stride int
}

const mostLines = 8000

// Add takes a line, without its end.
func (l *Lines) Add(line []byte) {
	l.stride = max(1, l.stride)
	if l.Seen%l.stride == 0 {
		l.All = append(l.All, bytes.Clone(line))
	}
	l.Seen++
	if len(l.All) > mostLines {
		for i := range len(l.All) / 2 {
			l.All[i] = l.All[2*i]
		}
		l.All = l.All[:len(l.All)/2]
		l.stride *= 2
	}
}

// Drive gathers the epochs of a receiver for a [Reference].
type Drive struct{ epochs []passed }

type passed struct{ t, lat, lon, speed, course float64 }

const (
	leastSpeed = 2.0   // m/s from which the course tells how the car turns
	stretch    = 0.9   // s over which positions tell a velocity
	mostEpochs = 40000 // an hour at 10 Hz
	earth      = 6.378137e6
)

// Add takes an epoch that was valid at t, Unix s by the clock of the tables:
// latitude and longitude in rad, speed in m/s and course in rad from north, NaN where
// the receiver sends none.
func (d *Drive) Add(t, lat, lon, speed, course float64) {
	if len(d.epochs) < mostEpochs {
		d.epochs = append(d.epochs, passed{t, lat, lon, speed, course})
	}
}

// Len returns how many epochs there are.
func (d *Drive) Len() int { return len(d.epochs) }

// Period returns the usual time between epochs, s.
func (d *Drive) Period() float64 {
	var gaps []float64
	for i := 1; i < len(d.epochs); i++ {
		gaps = append(gaps, d.epochs[i].t-d.epochs[i-1].t)
	}
	if len(gaps) == 0 {
		return math.NaN()
	}
	slices.Sort(gaps)
	return gaps[len(gaps)/2]
}

// Reference is what the receiver tells of the drive: by its own velocity, or where
// it tells none by that between its positions.
func (d *Drive) Reference() (ref Reference) {
	if len(d.epochs) < 2 {
		return ref
	}
	v := d.velocities()
	ref.From, ref.To = d.epochs[0].t, d.epochs[len(d.epochs)-1].t
	for i := 1; i < len(v); i++ {
		a, b := v[i-1], v[i]
		rate := 0.0
		if dt := b.t - a.t; dt > 0 && dt < 2 && a.speed > leastSpeed && b.speed > leastSpeed {
			rate = -math.Remainder(b.course-a.course, 2*math.Pi) / dt
		} else if b.speed > leastSpeed || math.IsNaN(b.speed) || math.IsNaN(b.course) && b.speed > 0.3 {
			continue // unknown, not zero
		}
		ref.T, ref.Rate, ref.Speed = append(ref.T, b.t), append(ref.Rate, rate), append(ref.Speed, b.speed)
	}
	return ref
}

func (d *Drive) velocities() (v []passed) {
	back := 0
	for i, x := range d.epochs {
		if math.IsNaN(x.speed) {
			for back < i && x.t-d.epochs[back+1].t >= stretch {
				back++
			}
			a := d.epochs[back]
			dt := x.t - a.t
			if dt < stretch/2 {
				continue
			}
			n, e := earth*(x.lat-a.lat), earth*math.Cos(x.lat)*(x.lon-a.lon)
			x.t, x.speed, x.course = x.t-dt/2, math.Hypot(e, n)/dt, math.Atan2(e, n)
		}
		v = append(v, x)
	}
	return v
}
