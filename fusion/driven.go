package fusion

import (
	"fmt"
	"math"
	"strings"

	"kerbline/fusion/integrity"
	"kerbline/gnss/geodesy"

	"gonum.org/v1/gonum/spatial/r3"
)

// Driven says who steers. A controller on the map steers the estimate onto its
// path, so a wrong fix would confirm itself there; a person and reactive driving
// steer by what they see.
type Driven uint8

const (
	DrivenMap Driven = iota // also where nothing is known
	DrivenManual
	DrivenReactive
	nDriven
)

var drivenNames = [nDriven]string{"map", "manual", "reactive"}

func (d Driven) String() string { return drivenNames[d%nDriven] }

// DrivenNames are the words for it.
func DrivenNames() []string { return drivenNames[:] }

// Next is the one after it, round and round.
func (d Driven) Next() Driven { return (d + 1) % nDriven }

// Note is the word that tells a monitor of it.
func (d Driven) Note() string { return drivenNote + d.String() }

const drivenNote = "driven "

// parseDriven reads a name; what is not known counts as the map.
func parseDriven(name string) Driven {
	for d, n := range drivenNames {
		if strings.TrimSpace(name) == n {
			return Driven(d)
		}
	}
	return DrivenMap
}

// onDriven takes the word who steers from now on.
func (m *Monitor) onDriven(name string) {
	was := m.driven
	if m.driven = parseDriven(name); m.driven == was {
		return
	}
	m.event(Event{T: m.host(m.now), End: math.NaN(), Kind: EventVerdict, Cause: "driven", Size: math.NaN(), Where: m.where(),
		Detail: fmt.Sprintf("driven: %s (was %s)", m.driven, was)})
}

// learnPath keeps where across the course the car was at an epoch that proved it.
func (m *Monitor) learnPath() {
	if m.crs == nil {
		return
	}
	pl := m.crs.Locate(enu(m.nav.Filter.Origin()), &m.pathHint)
	m.path.Learn(&pl, m.crs.Length(), m.lap)
}

// byPath adds to a fix that is y, m, with covariance c, from where it should be what
// a driver's path says of it across the course, unless the map steers. A fix far
// off it says no more than that the driver may have left it.
func (m *Monitor) byPath(body r3.Vec, y *integrity.Vec3, c *integrity.Sym3) {
	if m.driven == DrivenMap || m.crs == nil {
		return
	}
	pl := m.crs.Locate(geodesy.ENU{E: body.X, N: body.Y, U: body.Z}, nil)
	cross, sigma, ok := m.path.Expect(&pl, m.crs.Length())
	if !ok {
		return
	}
	sin, cos := math.Sincos(pl.Yaw)
	n := [2]float64{-sin, cos}
	cn := [2]float64{c[0][0]*n[0] + c[0][1]*n[1], c[1][0]*n[0] + c[1][1]*n[1]}
	v := n[0]*cn[0] + n[1]*cn[1] + sigma*sigma
	d := pl.Cross - cross - (n[0]*y[0] + n[1]*y[1])
	const left = 3.0 // sigmas
	if !(d*d < left*left*v) {
		return
	}
	for i := range 2 {
		y[i] += cn[i] / v * d
		for j := range 2 {
			c[i][j] -= cn[i] * cn[j] / v
		}
	}
}
