package parameters

import "math"

// turned is how far a car has turned either way since its filter was aligned.
type turned struct {
	ok          bool
	last        float64 // rad, yaw of the epoch before
	now         float64 // rad, turned since the first
	least, most float64 // rad, of that
}

func (q *turned) add(yaw float64) {
	if q.ok {
		q.now += math.Remainder(yaw-q.last, 2*math.Pi)
		q.least, q.most = math.Min(q.least, q.now), math.Max(q.most, q.now)
	}
	q.ok, q.last = true, yaw
}

// span is by how much its headings differed, rad.
func (q *turned) span() float64 { return q.most - q.least }

// turnedEnough is the turn, rad, over which an antenna that is 0.3 m elsewhere moves
// by 0.3 m more or less than it should. Short of it the filter takes a wrong arm for
// latency and heading, and believes to know it.
const turnedEnough = 1.0
