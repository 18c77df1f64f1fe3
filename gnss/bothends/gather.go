package bothends

import "math"

const (
	edge    = 10.0 // s before and after an outage that are looked at for fading
	stretch = 60.0 // m of the lap on which an outage is compared with other passes
)

// Outage is one outage as the car saw it.
type Outage struct {
	From, To float64 // s, by the car's clock
	Where    float64 // m along the lap at its start, NaN where not known
	Lap      float64 // m, length of the lap; 0 or NaN where not known
	Distance float64 // m from the base at its start, NaN where not known
}

// Part says to which outage a frame belongs.
type Part uint8

const (
	NoOutage Part = iota
	ThisOutage
	OtherOutage
)

// Gathering sorts frames into the parts of an evidence.
type Gathering struct {
	Evidence
	out    Outage
	length float64 // m of the lap that count as the same place, NaN without one
	last   float64 // s, last frame of another pass
}

// Gather begins the evidence of an outage of which s is known.
func Gather(o Outage, s Span, r *Radio) Gathering {
	g := Gathering{Evidence: Evidence{Span: s, Margin: math.NaN()}, out: o, length: math.NaN(), last: math.Inf(-1)}
	if o.Distance >= 0 {
		g.Margin, g.Sight = r.Budget(o.Distance)
	}
	if o.Lap > 0 && !math.IsNaN(o.Where) {
		g.length = min(stretch, o.Lap/2)
	}
	return g
}

// Frame adds a frame that was due at a time, with the car at a place along the lap, NaN
// where not known. Frames come in the order of time; those of the outage itself are in
// its span already.
func (g *Gathering) Frame(due, along float64, f Fate, in Part) {
	switch o := &g.out; {
	case in == ThisOutage:
	case due < o.From && o.From-due <= edge, due > o.To && due-o.To <= edge:
		g.Edges.Add(f)
	case math.Mod(along-o.Where+o.Lap, o.Lap) <= g.length:
		g.Passes.Add(f)
		if due-g.last > edge {
			g.NPass++
		}
		g.last = due
	case in == NoOutage:
		g.Rest.Add(f)
	}
}
