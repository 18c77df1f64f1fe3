package course

import "math"

const (
	pathBins = 1024 // kept along a lap
	pathBin  = 2.0  // m, length of a bin; a longer lap has longer ones
	// pathLeast is the least spread between laps that is believed, m, 1 sigma: a
	// driver keeps a line to some decimetres. Common practice, no source.
	pathLeast = 0.3
	// pathMost is how many laps a bin counts for at most: later ones still count.
	pathMost = 10.0
	// pathShare is the weight of a new difference in the spread between laps.
	pathShare = 0.02
)

// Path is where across the course the car drove on earlier laps, learned where its
// position was proven.
type Path struct {
	bin    [pathBins]pathMean
	spread float64 // m², mean square of a lap less those before it
}

// pathMean is the mean of the laps in one bin.
type pathMean struct {
	laps  float64
	cross float64 // m left of the line
	lap   int     // the newest
}

// binSize is the length of a bin of a course of this length, m.
func binSize(length float64) float64 { return math.Max(pathBin, length/pathBins) }

func (q *Path) at(pl *Place, length float64) *pathMean {
	i := int(pl.S / binSize(length))
	if !pl.OK || !(pl.S >= 0) || i >= pathBins {
		return nil
	}
	return &q.bin[i]
}

// Learn takes the place of a car whose position is proven, on the lap with this
// number, on a course of this length, m.
func (q *Path) Learn(pl *Place, length float64, lap int) {
	b := q.at(pl, length)
	if b == nil || b.laps > 0 && b.lap == lap {
		return
	}
	if d := pl.Cross - b.cross; b.laps > 0 {
		q.spread += pathShare * (d*d - q.spread)
	}
	b.laps = math.Min(b.laps+1, pathMost)
	b.cross += (pl.Cross - b.cross) / b.laps
	b.lap = lap
}

// Expect returns where across the course a car is to be expected at a place, m left
// of the line, with 1 sigma: as on earlier laps, or anywhere between the edges. ok
// is false beside the course and without edges.
func (q *Path) Expect(pl *Place, length float64) (cross, sigma float64, ok bool) {
	b := q.at(pl, length)
	switch {
	case b == nil:
		return 0, 0, false
	case b.laps > 1:
		return b.cross, math.Sqrt(math.Max(pathLeast*pathLeast, q.spread) * (1 + 1/b.laps)), true
	}
	return 0, pl.HalfWidth / math.Sqrt(3), pl.HalfWidth > 0 // evenly between them
}
