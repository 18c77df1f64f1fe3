package recording

import (
	"fmt"
	"math"
	"sync/atomic"

	"kerbline/fusion"
)

const (
	ticksASecond = 10.0 // of host time, on its grid

	// Ticks are for silences, not for gaps of hours in a broken file: at most a
	// minute of them in a row, and no more than so many times the records.
	maxTicks     = 60 * ticksASecond
	ticksARecord = 20
)

// Stream yields the records of a recording in the order of host time; records
// of one time in the order of channels. Each call of Next makes the record
// before invalid.
type Stream struct {
	mcap    *recorded // then there are no sources
	sources []*source // in the order of channels
	last    *source   // of the record handed out last: to be advanced
	done    atomic.Int64
	total   int64

	// Ticks, in the time of keys.
	tick   float64 // number of the next one; whole
	due    float64 // s, when it is
	now    float64 // s, the one just passed
	credit int     // how many may come before further records

	refusal *refusal
}

// Stream opens the files anew. latency is the minimum latency that untimed
// sentences are given, s.
func (r *Recording) Stream(latency float64) (*Stream, error) {
	s := &Stream{credit: maxTicks}
	if r.mcap != "" {
		var err error
		s.mcap, err = r.openRecorded()
		return s, err
	}
	for ch, in := range r.inputs {
		if in == nil {
			continue
		}
		file, err := in.open()
		if err != nil {
			s.Close()
			return nil, err
		}
		src := &source{ch: fusion.Channel(ch), in: in, file: file}
		src.rec.Channel = src.ch
		src.start(in.arrival(in.first))
		switch in.form {
		case formCSV:
			src.lines = &csvFile{newLineReader(file, &s.done), in.table}
		case formHex:
			src.lines = &hexFile{csvFile: csvFile{newLineReader(file, &s.done), in.table}, name: in.name}
		case formSentences:
			src.lines = newTaggedFile(newLineReader(file, &s.done))
		case formUntimed:
			src.lines = newUntimedFile(newLineReader(file, &s.done), r.day, latency)
			src.start(in.first + latency)
		case formFixes:
			src.lines = &fixFile{csvFile: csvFile{newLineReader(file, &s.done), in.table}, name: in.name, latency: latency, qualities: in.qualities}
			src.start(in.first + latency)
		case formFrames:
			f := &framesFile{f: file, t: in.first, offset: r.hostMinusUTC + latencyOf(src.ch), even: in.even, count: func(n int64) { s.done.Add(n) }}
			f.onFrame = f.frame
			src.lines = f
		case formRINEX:
			f, err := r.rinexSource(in, src.ch, file, func(n int64) { s.done.Add(n) })
			if err != nil {
				s.Close()
				return nil, err
			}
			src.lines = f
		}
		if r.hasSets && src.ch == r.setsChannel() {
			s.sources = append(s.sources, r.setsSource(in, src.ch))
		}
		s.sources = append(s.sources, src)
		s.total += in.size
	}
	for _, src := range s.sources {
		for _, o := range s.sources {
			if o != src {
				src.others = append(src.others, &o.clock)
			}
		}
	}
	for _, src := range s.sources {
		src.advance()
	}
	return s, nil
}

// Next returns the next record and whether there is one; its data is valid
// until the next call.
func (s *Stream) Next() (fusion.Record, bool) {
	if s.mcap != nil {
		return s.mcap.next(s)
	}
	if s.last != nil {
		s.last.advance()
		s.last = nil
	}
	var first *source
	for _, src := range s.sources {
		if !src.ended && (first == nil || src.key < first.key) {
			first = src
		}
	}
	s.refusal = nil
	if first == nil {
		return fusion.Record{}, false
	}
	if s.tickBefore(first.key) {
		return s.tickRecord(s.sources[0].shift), true
	}
	s.last, s.refusal = first, first.refused
	return first.rec, true
}

// tickRecord is the tick just passed, by a clock: that of the first
// channel.
func (s *Stream) tickRecord(shift float64) fusion.Record {
	return fusion.Record{T: s.now - shift, Channel: fusion.ChanTick}
}

// tickBefore reports whether a tick is due before a record with this key, and
// passes it.
func (s *Stream) tickBefore(key float64) bool {
	if s.tick == 0 {
		s.tickAt(key)
	}
	if key <= s.due {
		s.credit = min(s.credit+ticksARecord, maxTicks)
		return false
	}
	if s.credit == 0 {
		s.credit = ticksARecord
		s.tickAt(key)
		return false
	}
	s.credit--
	s.now = s.due
	s.tick++
	s.due = s.tick / ticksASecond
	return true
}

// tickAt makes the next tick the first that is not before key.
func (s *Stream) tickAt(key float64) {
	s.tick = math.Ceil(key * ticksASecond)
	s.due = s.tick / ticksASecond
}

// Refused says why the record just returned holds no data: a line of its file
// could not be turned into bytes. ok is false for every other record.
func (s *Stream) Refused() (why fusion.Refusal, note string, ok bool) {
	if s.refusal == nil {
		return 0, "", false
	}
	return s.refusal.why, s.refusal.note, true
}

// Progress returns the bytes read so far and in all; 0 in all when unknown.
// Other goroutines may call it.
func (s *Stream) Progress() (done, total int64) { return s.done.Load(), s.total }

// Err returns what kept a file from being read to its end.
func (s *Stream) Err() error {
	if s.mcap != nil {
		return s.mcap.err
	}
	for _, src := range s.sources {
		if err := src.failure(); err != nil {
			return fmt.Errorf("recording: %s: %w", src.in.name, cause(err))
		}
	}
	return nil
}

// Damage says, at the end, what an MCAP file had lost; "" when nothing.
func (s *Stream) Damage() string {
	if s.mcap == nil {
		return ""
	}
	return s.mcap.Damage().String()
}

// Close closes the files.
func (s *Stream) Close() {
	if s.mcap != nil {
		s.mcap.Reader.Close()
	}
	for _, src := range s.sources {
		if src.file != nil {
			src.file.Close()
		}
	}
}
