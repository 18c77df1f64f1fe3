package score

import "kerbline/fusion/integrity"

// DiagramCells is the number of cells a side of a [Diagram].
const DiagramCells = 64

// Diagram is the integrity diagram of one axis as counts: cell [i][j] holds the
// lines with error/AL in [i, i+1)/32 and PL/AL in [j, j+1)/32; the last cell
// of each side takes all beyond.
type Diagram struct {
	Regions [integrity.NumRegions]int
	Cells   [DiagramCells][DiagramCells]uint32
}

func (d *Diagram) add(err, pl, al float64) {
	d.Regions[integrity.Classify(err, pl, al)]++
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
