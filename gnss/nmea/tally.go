package nmea

import (
	"errors"
	"fmt"
)

// Reason says why a line was refused.
type Reason uint8

const (
	Accepted    Reason = iota
	Cut                // broken off: another start, a control byte or the end comes before *hh
	NoChecksum         // the line ends without *hh
	TooLong            // no end within [MaxLine] bytes
	Headless           // a line of text without a start
	BadTag             // TAG block: checksum, form or time wrong; the sentence behind it still counts
	BadChecksum        // *hh differs
	TooShort           // fewer fields than the sentence has
	BadField           // a field is malformed or impossible
	NumReasons         // count of the above
)

// String returns a few words for reports.
func (r Reason) String() string {
	if r < NumReasons {
		return reasonNames[r]
	}
	return "unknown"
}

var reasonNames = [NumReasons]string{"accepted", "cut off", "no checksum", "too long", "no start", "TAG block", "checksum", "too few fields", "bad field"}

// Error is why a line or sentence was refused.
type Error struct {
	Reason Reason
	Where  string // "GGA", "line at byte 40213"
	Field  int    // counted from 1 after the address, 0 when it is no field's fault
	Name   string // of the field
	Value  string // as it came
	Want   string
}

// Error returns the message: package, where, what, want what.
func (e *Error) Error() string {
	if e.Field > 0 {
		return fmt.Sprintf("nmea: %s field %d (%s) is %q, want %s", e.Where, e.Field, e.Name, e.Value, e.Want)
	}
	return fmt.Sprintf("nmea: %s %s, want %s", e.Where, e.Value, e.Want)
}

// Tally counts what was read and what was refused, by reason and position.
type Tally struct {
	Read    [NumTypes]uint64
	Refused [NumReasons]Refused
	Last    error // of the newest refusal
}

// Refused is how often a reason was met and where.
type Refused struct {
	N           uint64
	First, Last int64 // byte positions in the stream, see [Line.Offset]
}

// Accept counts a sentence.
func (t *Tally) Accept(s *Sentence) { t.Read[s.Type]++ }

// Refuse counts a line at a byte position; err is what [Line.Err] or
// [Parser.Parse] gave.
func (t *Tally) Refuse(offset int64, err error) {
	reason := BadField
	var e *Error
	if errors.As(err, &e) {
		reason = e.Reason
	}
	r := &t.Refused[reason]
	if r.N == 0 {
		r.First = offset
	}
	r.N++
	r.Last = offset
	t.Last = err
}

// Total returns how many lines were refused.
func (t *Tally) Total() (n uint64) {
	for _, r := range t.Refused {
		n += r.N
	}
	return n
}
