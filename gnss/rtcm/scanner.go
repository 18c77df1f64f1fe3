package rtcm

import "bytes"

// Scanner finds RTCM 3 frames in a byte stream. The zero value is ready; it
// allocates nothing.
//
// A frame is handed on when its last byte arrives, and of candidates that
// overlap the one complete first wins. So a false preamble, or a frame whose
// length was damaged, holds nothing back: whole frames among the bytes it
// still waits for come out at once, and the candidate around them is given up.
// (A frame that carries another whole frame as its payload therefore yields
// the inner one.) What comes out depends on the bytes alone, not on how they
// were cut into chunks.
type Scanner struct {
	buf  [4 * maxFrame]byte // bytes that may still become a frame
	n    int                // how many
	cand [maxCand]candidate // preambles among the bytes at hand, by start
	nc   int                // how many
	seen int                // bytes at hand that were searched for preambles
	msg  Message
	raw  []byte
}

// candidate is a preamble whose reserved bits are zero, and where its frame
// would end.
type candidate struct{ start, end int }

// maxCand bounds the candidates that wait at once: they start inside the first
// one, and the byte after a candidate's preamble cannot be a preamble.
const maxCand = maxFrame/2 + 1

// Push reads the next bytes of the stream. frame is called for each whole
// frame with its header, valid during the call; junk for bytes that belong to
// no frame: once per frame that failed its CRC, otherwise whenever some are
// known. Either may be nil.
func (s *Scanner) Push(b []byte, frame func(*Message), junk func(why Refusal, n int)) {
	for s.n > 0 && len(b) > 0 {
		// Join what waits with enough new bytes to settle it.
		old := s.n
		k := copy(s.buf[old:], b)
		s.n += k
		used := s.scan(s.buf[:s.n], frame, junk)
		if used >= old {
			// The rest lies in b too: go on there, without the copy.
			b = b[used-old:]
			s.n, s.nc, s.seen = 0, 0, 0
		} else {
			s.n = copy(s.buf[:], s.buf[used:s.n])
			b = b[k:]
		}
	}
	if len(b) > 0 {
		s.n = copy(s.buf[:], b[s.scan(b, frame, junk):])
	}
}

// Flush gives up the bytes that still wait: the stream ended, or broke off.
func (s *Scanner) Flush(junk func(why Refusal, n int)) {
	if s.n > 0 && junk != nil {
		junk(Cut, s.n)
	}
	s.n, s.nc, s.seen = 0, 0, 0
}

// Pending returns how many bytes wait for the rest of a frame.
func (s *Scanner) Pending() int { return s.n }

// Raw returns the bytes of the frame that is being handed on, preamble to CRC:
// valid during that call, not to be changed.
func (s *Scanner) Raw() []byte { return s.raw }

// scan settles as much of b as it can and returns how many bytes that was. The
// rest, at most one frame long, starts at a candidate or at what may be one;
// s.cand and s.seen describe it, counted from its first byte.
func (s *Scanner) scan(b []byte, frame func(*Message), junk func(Refusal, int)) int {
	pos := 0 // everything before is settled
	for {
		if s.nc == 0 {
			start, whole := nextPreamble(b, pos, len(b))
			if start > pos && junk != nil {
				junk(Unframed, start-pos)
			}
			pos, s.seen = start, start
			if !whole {
				s.seen = 0
				return pos
			}
			// Nearly always: one whole, sound frame after the other.
			if end := frameEnd(b, pos); end <= len(b) && !completesInside(b, pos, end) && CRC24Q(b[pos:end]) == 0 {
				s.hand(b[pos:end], frame)
				pos = end
				continue
			}
		}
		pos = s.settle(b, pos, frame, junk)
		if s.nc > 0 {
			for i := range s.cand[:s.nc] {
				s.cand[i].start -= pos
				s.cand[i].end -= pos
			}
			s.seen -= pos
			return pos
		}
	}
}

// settle takes the candidates of b from position pos on in the order in which
// they complete, until none is left or the next to complete reaches beyond b.
// It returns the settled position.
func (s *Scanner) settle(b []byte, pos int, frame func(*Message), junk func(Refusal, int)) int {
	for {
		first := s.collect(b)
		c := s.cand[first]
		if c.end > len(b) {
			return pos
		}
		if CRC24Q(b[c.start:c.end]) == 0 {
			if first > 0 && junk != nil {
				junk(Cut, c.start-pos)
			}
			s.hand(b[c.start:c.end], frame)
			s.nc = 0 // every other candidate overlaps this frame
			return c.end
		}
		copy(s.cand[first:], s.cand[first+1:s.nc])
		s.nc--
		if first > 0 {
			continue // a preamble by chance, inside a candidate that may be sound
		}
		// No frame starts here: give up the bytes up to where one still may,
		// judged by the bytes before c.end alone.
		next := min(c.end, s.seen)
		if b[c.end-1] == preamble {
			next = min(next, c.end-1)
		}
		if s.nc > 0 {
			next = min(next, s.cand[0].start)
		}
		if junk != nil {
			junk(BadCRC, next-pos)
		}
		pos = next
		if s.nc == 0 {
			return pos
		}
	}
}

// collect adds the candidates that start before the first completion known,
// and returns the one that completes first.
func (s *Scanner) collect(b []byte) int {
	first := 0
	for i, c := range s.cand[:s.nc] {
		if c.end < s.cand[first].end {
			first = i
		}
	}
	for {
		limit := len(b)
		if s.nc > 0 {
			limit = min(limit, s.cand[first].end)
		}
		start, whole := nextPreamble(b, s.seen, limit)
		s.seen = start
		if !whole {
			return first
		}
		s.cand[s.nc] = candidate{start, frameEnd(b, start)}
		if s.cand[s.nc].end < s.cand[first].end {
			first = s.nc
		}
		s.nc++
		s.seen++
	}
}

// hand decodes and passes on one whole frame.
func (s *Scanner) hand(raw []byte, frame func(*Message)) {
	if frame == nil {
		return
	}
	s.raw = raw
	s.msg.Decode(raw)
	frame(&s.msg)
	s.raw = nil
}

// nextPreamble returns the first position in b[from:limit] at which a frame
// may start, limit if there is none, and whether its length is there too. A
// preamble with a reserved bit set is none: that refuses 63 of 64 false ones.
func nextPreamble(b []byte, from, limit int) (pos int, whole bool) {
	for from < limit {
		i := bytes.IndexByte(b[from:limit], preamble)
		if i < 0 {
			break
		}
		from += i
		if from+1 >= len(b) {
			return from, false
		}
		if b[from+1]&0xFC == 0 {
			return from, from+2 < len(b)
		}
		from++
	}
	return max(from, limit), false
}

// frameEnd returns where the frame that starts at pos ends.
func frameEnd(b []byte, pos int) int {
	return pos + minFrame + int(b[pos+1]&3)<<8 + int(b[pos+2])
}

// completesInside reports whether a candidate inside the frame from start to
// end would be complete before it.
func completesInside(b []byte, start, end int) bool {
	for pos := start + 1; ; pos++ {
		var whole bool
		pos, whole = nextPreamble(b, pos, end-minFrame)
		if !whole {
			return false
		}
		if frameEnd(b, pos) < end {
			return true
		}
	}
}
