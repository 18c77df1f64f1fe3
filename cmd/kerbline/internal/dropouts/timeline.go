package dropouts

import (
	"kerbline/gnss"
	"kerbline/gnss/corrections"
)

// noCondition marks a second of which nothing is known yet; every condition is
// worse.
const noCondition corrections.Condition = 0xff

// linkMarks are the marks of the timeline by condition.
var linkMarks = [...]byte{corrections.Untapped: '?', corrections.Flowing: '.', corrections.Late: 'l', corrections.Sparse: 's',
	corrections.Corrupt: 'x', corrections.Silent: '_'}

func linkMark(c corrections.Condition) byte {
	if int(c) < len(linkMarks) {
		return linkMarks[c]
	}
	return ' '
}

// worse returns the worse of two conditions: a link that was not tapped says
// least, the others are in order.
func worse(a, b corrections.Condition) corrections.Condition {
	switch {
	case a == noCondition || a == corrections.Untapped:
		return b
	case b == noCondition || b == corrections.Untapped || a > b:
		return a
	}
	return b
}

// noEpoch marks a second without an epoch.
const noEpoch = '-'

func qualityMark(q gnss.Quality) byte {
	if q > 8 {
		return '?'
	}
	return '0' + byte(q)
}

// rankOf orders the marks of qualities from bad to good; a second without an
// epoch so far is replaced by any.
func rankOf(mark byte) int {
	switch mark {
	case noEpoch:
		return 10
	case '4':
		return 5
	case '5':
		return 4
	case '2', '3':
		return 3
	case '1':
		return 2
	case '?':
		return 0
	}
	return 1
}

// letters names n outages: A to Z, a to z, then *.
func letters(n int) []byte {
	out := make([]byte, n)
	for i := range out {
		switch {
		case i < 26:
			out[i] = 'A' + byte(i)
		case i < 52:
			out[i] = 'a' + byte(i-26)
		default:
			out[i] = '*'
		}
	}
	return out
}

const rowMarks = 60 // marks in a row of the timeline

// steps are the seconds that one mark may stand for.
var steps = [...]int{1, 2, 5, 10, 30, 60, 120, 300, 600, 1800}

// scale returns how many seconds a mark stands for, so that n seconds fit few
// rows.
func scale(n int) int {
	for _, s := range steps {
		if n <= 12*rowMarks*s {
			return s
		}
	}
	return steps[len(steps)-1]
}

// row is one row of the timeline.
type row struct {
	from               int // s from the first record
	link, fix, outages []byte
	any                bool // an outage touches it
}

// rows cuts the timeline into rows of marks of step seconds each, the worst of
// each.
func (r *Report) rows(step int) []row {
	n := len(r.Timeline.Link)
	var out []row
	for from := 0; from < n; from += rowMarks * step {
		w := row{from: from + int(r.Timeline.From)}
		for a := from; a < min(n, from+rowMarks*step); a += step {
			b := min(n, a+step)
			link, fix := r.Timeline.Link[a], byte(noEpoch)
			for i := a; i < b; i++ {
				if linkBad(r.Timeline.Link[i]) > linkBad(link) {
					link = r.Timeline.Link[i]
				}
				if q := r.Timeline.Quality[i]; q != noEpoch && rankOf(q) < rankOf(fix) {
					fix = q
				}
			}
			mark := byte(' ')
			for i := range r.Outages {
				o := &r.Outages[i]
				if at := o.At - r.Timeline.From; float64(at) < float64(b) && float64(at+o.Length) >= float64(a) {
					mark, w.any = r.letters[i], true
				}
			}
			w.link, w.fix, w.outages = append(w.link, link), append(w.fix, fix), append(w.outages, mark)
		}
		out = append(out, w)
	}
	return out
}

// linkBad orders the marks of the link.
func linkBad(mark byte) int {
	for c, m := range linkMarks {
		if m == mark {
			return c
		}
	}
	return -1
}
