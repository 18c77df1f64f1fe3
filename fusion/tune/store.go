package tune

import (
	"bufio"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"io"
	"slices"
)

// Source names one recording of a sweep and what it was played with. Two
// sources that differ in anything but Name give results that must not be mixed.
type Source struct {
	Name      string `json:"name"`
	Sum       string `json:"sum"`       // of its span and size
	Settings  string `json:"settings"`  // of the settings the sweep starts from
	Reference string `json:"reference"` // what it is judged by
}

// SumOf returns a checksum of settings as they print.
func SumOf(v any) string {
	h := fnv.New64a()
	fmt.Fprintf(h, "%+v", v)
	return fmt.Sprintf("%016x", h.Sum64())
}

// Plan is what a file of results belongs to: its first line.
type Plan struct {
	What    string   `json:"kerbline"` // "tune"
	Grid    Grid     `json:"vary"`
	Sources []Source `json:"recordings"`
}

// planWord marks files of results.
const planWord = "tune"

// Same reports whether results of both plans may be mixed: the same grid over
// the same recordings. Names may differ, for machines keep files elsewhere.
func (p *Plan) Same(o *Plan) bool {
	if len(p.Grid) != len(o.Grid) || len(p.Sources) != len(o.Sources) {
		return false
	}
	for i := range p.Grid {
		if p.Grid[i].Key != o.Grid[i].Key || !slices.Equal(p.Grid[i].Values, o.Grid[i].Values) {
			return false
		}
	}
	for i := range p.Sources {
		a, b := p.Sources[i], o.Sources[i]
		if a.Name = b.Name; a != b {
			return false
		}
	}
	return true
}

// Cell is one setting on one recording.
type Cell struct {
	Setting int `json:"i"` // of the grid, -1 for the settings the sweep started from
	Source  int `json:"r"`
}

// Outcome is a cell with its figures: one line of a file of results.
type Outcome struct {
	Cell
	Figures Figures `json:"f"`
}

// WritePlan writes the first line of a file of results.
func WritePlan(w io.Writer, p *Plan) error {
	p.What = planWord
	return json.NewEncoder(w).Encode(p)
}

// Write writes o as one line.
func (o *Outcome) Write(w io.Writer) error { return json.NewEncoder(w).Encode(o) }

// maxLine bounds a line of a file of results, bytes.
const maxLine = 64 << 20

// ReadResults reads a file of results. A last line that was cut off while it
// was written is passed over; good is the size of what was whole. name stands in
// messages.
func ReadResults(name string, r io.Reader, each func(*Outcome)) (p *Plan, good int64, err error) {
	br := bufio.NewReader(r)
	line := 0
	for {
		b, err := br.ReadBytes('\n')
		if err == io.EOF {
			break // a whole line ends with a line end
		}
		if err != nil {
			return p, good, fmt.Errorf("tune: %s: %w", name, err)
		}
		line++
		if len(b) > maxLine {
			return p, good, fmt.Errorf("tune: %s: line %d: longer than %d bytes", name, line, maxLine)
		}
		if line == 1 {
			p = &Plan{}
			if err := json.Unmarshal(b, p); err != nil || p.What != planWord {
				return nil, 0, fmt.Errorf("tune: %s: line 1 is no plan of a sweep, want a file that tune wrote", name)
			}
		} else {
			var o Outcome
			if err := json.Unmarshal(b, &o); err != nil {
				return p, good, fmt.Errorf("tune: %s: line %d: %w", name, line, err)
			}
			if o.Source < 0 || o.Source >= len(p.Sources) || o.Setting < -1 || o.Setting >= p.Grid.Len() {
				return p, good, fmt.Errorf("tune: %s: line %d: setting %d on recording %d, want -1 to %d on 0 to %d", name, line, o.Setting, o.Source, p.Grid.Len()-1, len(p.Sources)-1)
			}
			each(&o)
		}
		good += int64(len(b))
	}
	if p == nil {
		return nil, 0, fmt.Errorf("tune: %s: is empty, want a file that tune wrote", name)
	}
	return p, good, nil
}

// Shard is part I of N of a sweep, counted from 1. The zero value is all of it.
type Shard struct{ I, N int }

// ParseShard reads i/n.
func ParseShard(s string) (Shard, error) {
	var h Shard
	var rest string
	if n, _ := fmt.Sscanf(s+" .", "%d/%d %s", &h.I, &h.N, &rest); n != 3 || rest != "." || h.N < 1 || h.I < 1 || h.I > h.N {
		return Shard{}, fmt.Errorf("tune: shard %q, want i/n with i from 1 to n", s)
	}
	return h, nil
}

// Has reports whether a setting belongs to the shard.
func (h Shard) Has(setting int) bool { return h.N <= 1 || (setting+1)%h.N == h.I-1 }

// Gather merges the outcomes of a whole sweep into one row for each setting, in
// the order of recordings whatever the order they came in. missing counts the cells
// that no outcome was given for; rows with missing cells are left out.
func Gather(p *Plan, outcomes []Outcome, steps func(setting int) float64) (rows []Ranked, missing int) {
	n := p.Grid.Len() + 1
	cells := make([]*Figures, n*len(p.Sources))
	for i := range outcomes {
		o := &outcomes[i]
		cells[(o.Setting+1)*len(p.Sources)+o.Source] = &o.Figures
	}
	for s := range n {
		row := Ranked{Index: s - 1}
		whole := true
		for _, f := range cells[s*len(p.Sources) : (s+1)*len(p.Sources)] {
			if f == nil {
				missing++
				whole = false
				continue
			}
			row.Figures.Merge(f)
		}
		if whole {
			row.Steps = steps(row.Index)
			rows = append(rows, row)
		}
	}
	return rows, missing
}
