package score

// Region is where one line falls in the integrity diagram.
type Region uint8

const (
	Nominal               Region = iota // error <= PL <= AL
	Misleading                          // PL < error <= AL
	Hazardous                           // PL <= AL < error: hazardously misleading
	Unavailable                         // PL > AL, error <= PL
	UnavailableMisleading               // PL > AL, error > PL
	NumRegions
)

// String returns the trade word for r.
func (r Region) String() string { return regionNames[r] }

var regionNames = [NumRegions]string{"nominal", "misleading", "hazardously misleading", "unavailable", "unavailable and misleading"}

// RegionOf classifies an absolute error against its protection level and alert
// limit, all in one unit, after the Stanford-ESA integrity diagram (Tossaint
// et al. 2006, from memory).
func RegionOf(err, pl, al float64) Region {
	switch {
	case pl > al && err > pl:
		return UnavailableMisleading
	case pl > al:
		return Unavailable
	case err > al:
		return Hazardous
	case err > pl:
		return Misleading
	}
	return Nominal
}

// DiagramCells is the number of cells a side of a [Diagram].
const DiagramCells = 64

// Diagram is the integrity diagram of one axis as counts: cell [i][j] holds the
// lines with error/AL in [i, i+1)/32 and PL/AL in [j, j+1)/32; the last cell
// of each side takes all beyond.
type Diagram struct {
	Regions [NumRegions]int
	Cells   [DiagramCells][DiagramCells]uint32
}

func (d *Diagram) add(err, pl, al float64) {
	d.Regions[RegionOf(err, pl, al)]++
	d.Cells[diagramCell(err/al)][diagramCell(pl/al)]++
}

func diagramCell(x float64) int {
	x *= DiagramCells / 2
	if x < DiagramCells-1 {
		return int(x)
	}
	return DiagramCells - 1
}

func (d *Diagram) merge(o *Diagram) {
	for i := range d.Regions {
		d.Regions[i] += o.Regions[i]
	}
	for i := range d.Cells {
		for j := range d.Cells[i] {
			d.Cells[i][j] += o.Cells[i][j]
		}
	}
}
