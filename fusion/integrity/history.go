package integrity

// history remembers what stood beside the last epochs.
type history[M any] struct {
	at   [historyLen]float64 // host s
	mark [historyLen]M
	head int
	n    int
}

const historyLen = 512 // epochs: 20 s at 25 Hz

func (h *history[M]) clear() { h.head, h.n = 0, 0 }

func (h *history[M]) put(t float64, m *M) {
	h.at[h.head], h.mark[h.head] = t, *m
	h.head = (h.head + 1) % historyLen
	h.n = min(h.n+1, historyLen)
}

// index turns an age in marks, 0 for the newest, into a place.
func (h *history[M]) index(age int) int { return (h.head - 1 - age + 2*historyLen) % historyLen }

// before returns the mark about span seconds before t, nil when the history
// does not reach back that far.
func (h *history[M]) before(t, span float64) *M {
	lo, hi := 0, h.n
	for lo < hi {
		mid := (lo + hi) / 2
		if h.at[h.index(mid)] > t-span {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	if lo == h.n {
		return nil
	}
	return &h.mark[h.index(lo)]
}

// oldest returns the mark span seconds before t or, younger than that, the
// oldest; nil without any.
func (h *history[M]) oldest(t, span float64) *M {
	if a := h.before(t, span); a != nil || h.n == 0 {
		return a
	}
	return &h.mark[h.index(h.n-1)]
}
