package bothends

import (
	"hash/fnv"

	"kerbline/gnss/rtcm"
)

// frame is one whole RTCM 3 frame at one end.
type frame struct {
	T      float64 // s, host time at which it was complete
	Key    uint64  // of its bytes
	Number int     // message number
	Bytes  int
}

// junk is bytes that belonged to no whole frame.
type junk struct {
	T     float64 // s
	Bytes int
}

// Record is what was recorded of the link at one end, in the order of arrival.
type Record struct {
	Frames []frame
	Junk   []junk
	Alive  []float64 // s, marks of life of the computer; none: it leaves none
	Ended  bool      // the record was ended in order, not cut off

	scan rtcm.Scanner
	last float64
}

// Bytes takes bytes of the link that arrived at t. Times that run back are held.
func (r *Record) Bytes(t float64, b []byte) {
	if !(t >= r.last) {
		t = r.last
	}
	r.last = t
	r.scan.Push(b, func(m *rtcm.Message) {
		h := fnv.New64a()
		h.Write(r.scan.Raw())
		r.Frames = append(r.Frames, frame{t, h.Sum64(), m.Number, m.Bytes})
	}, func(_ rtcm.Refusal, n int) {
		r.Junk = append(r.Junk, junk{t, n})
	})
}

// Living takes a mark of life.
func (r *Record) Living(t float64) {
	if n := len(r.Alive); n == 0 || t > r.Alive[n-1] {
		r.Alive = append(r.Alive, t)
	}
}
