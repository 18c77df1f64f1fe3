package recording

import (
	"bytes"
	"io"
	"sync/atomic"
)

const (
	bufferSize = 256 << 10
	// maxLine bounds the pieces of a line; two of them fit the buffer.
	maxLine = bufferSize / 2
	// maxPiece bounds what is handed on of a receiver's bytes at once, so that
	// binary stretches do not share one host time for long.
	maxPiece = 4096
)

// lineReader cuts a file into pieces: lines with their line ends, and longer
// lines into several pieces. Pieces put together are the file.
type lineReader struct {
	f        io.Reader
	buf      []byte
	most     int // bytes of a piece
	from, to int // the piece is buf[from:to]
	end      int // bytes in buf
	eof      bool
	err      error
	done     *atomic.Int64 // bytes read, shared by a recording's files

	// cut, when set, shortens a piece further: it returns the length to keep.
	cut func(piece []byte) int
}

func newLineReader(f io.Reader, done *atomic.Int64) *lineReader {
	return &lineReader{f: f, buf: make([]byte, bufferSize), most: maxLine, done: done}
}

func (l *lineReader) piece() []byte  { return l.buf[l.from:l.to] }
func (l *lineReader) data() []byte   { return l.piece() }
func (l *lineReader) failure() error { return l.err }

// next moves on to the next piece and says whether there is one.
func (l *lineReader) next() bool {
	l.from = l.to
	l.to = l.lineEnd(l.from)
	if l.cut != nil && l.to > l.from {
		l.to = l.from + l.cut(l.buf[l.from:l.to])
	}
	return l.to > l.from
}

// peek returns the piece after the present one, empty at the end. It ends with
// the line, glued sentences or not. The present piece may be moved by it.
func (l *lineReader) peek() []byte {
	at := l.to - l.from // fill moves the piece
	end := l.lineEnd(l.to)
	return l.buf[l.from+at : end]
}

// lineEnd returns where the line that begins at buf[at], or what is handed on
// of it at once, ends. It reads on as needed; what lies before l.from may be
// moved out.
func (l *lineReader) lineEnd(at int) int {
	scanned := at
	for {
		stop := min(l.end, at+l.most)
		if n := bytes.IndexByte(l.buf[scanned:stop], '\n'); n >= 0 {
			return scanned + n + 1
		}
		if stop < l.end || l.eof || l.end == at+l.most {
			return stop
		}
		moved := l.fill()
		at, scanned = at-moved, stop-moved
	}
}

// fill reads more behind what is in the buffer, after moving the piece to its
// front; it returns by how much.
func (l *lineReader) fill() (moved int) {
	if l.end == len(l.buf) {
		moved = l.from
		l.end = copy(l.buf, l.buf[l.from:l.end])
		l.from, l.to = 0, l.to-moved
	}
	n, err := l.f.Read(l.buf[l.end:])
	l.end += n
	l.done.Add(int64(n))
	if err != nil {
		l.eof = true
		if err != io.EOF {
			l.err = err
		}
	}
	return moved
}

// cutSentences ends a piece behind its first sentence when another sentence or
// TAG block is glued to it.
func cutSentences(piece []byte) int {
	start := bytes.IndexByte(piece, '$')
	if start < 0 {
		return len(piece)
	}
	star := bytes.IndexByte(piece[start:], '*')
	if star < 0 {
		return len(piece)
	}
	end := start + star + 3
	for end < len(piece) && piece[end] == '\r' {
		end++
	}
	if end < len(piece) && (piece[end] == '$' || piece[end] == '!' || piece[end] == '\\') {
		return end
	}
	return len(piece)
}
