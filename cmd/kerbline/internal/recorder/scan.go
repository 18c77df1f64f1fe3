package recorder

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"slices"

	"github.com/foxglove/mcap/go/mcap"
	"github.com/klauspost/compress/zstd"
	"github.com/pierrec/lz4/v4"
)

// Bounds on what a damaged length may ask for.
const (
	maxRecord = 1 << 28 // bytes of one record in the file
	maxUnpack = 1 << 26 // bytes of one chunk unpacked; writers close chunks at a few MB
)

// record is one MCAP record; body is valid until the next one is read.
type record struct {
	op   mcap.OpCode
	body []byte
	at   int64 // position of the record
}

// scanner reads the records of a file one after another, in file order, and
// goes on behind damage where it finds the next chunk. The library's lexer is
// not used: it gives up at the first damaged chunk and can panic on one.
type scanner struct {
	r    io.ReaderAt
	pos  int64
	buf  []byte
	skip int64 // bytes passed over as damaged
}

// next returns the next record. The error is io.EOF at the end of what is
// there and errCut where that is inside a record.
var errCut = errors.New("the file ends inside a record")

func (s *scanner) next() (record, error) {
	for {
		var head [9]byte
		n, err := s.r.ReadAt(head[:], s.pos)
		if n < len(head) {
			if err != nil && err != io.EOF {
				return record{}, err
			}
			if n == 0 || n == len(mcap.Magic) && bytes.Equal(head[:n], mcap.Magic) {
				return record{}, io.EOF
			}
			return record{}, errCut
		}
		op, size := mcap.OpCode(head[0]), binary.LittleEndian.Uint64(head[1:])
		if op == mcap.OpReserved || size > maxRecord {
			if !s.resync() {
				return record{}, errCut
			}
			continue
		}
		if uint64(cap(s.buf)) < size {
			// Never believe a length before the bytes are there.
			if !s.has(s.pos + 9 + int64(size)) {
				if !s.resync() {
					return record{}, errCut
				}
				continue
			}
			s.buf = make([]byte, size+size/4)
		}
		body := s.buf[:size]
		if n, err := s.r.ReadAt(body, s.pos+9); n < len(body) {
			if err != nil && err != io.EOF {
				return record{}, err
			}
			if !s.resync() {
				return record{}, errCut
			}
			continue
		}
		rec := record{op, body, s.pos}
		s.pos += 9 + int64(size)
		return rec, nil
	}
}

func (s *scanner) has(end int64) bool {
	var b [1]byte
	n, _ := s.r.ReadAt(b[:], end-1)
	return n == 1
}

// resync looks for the next compressed chunk behind the present position:
// opcode, a name of a compression where a chunk has it, and two lengths that
// agree.
func (s *scanner) resync() bool {
	const fixed = 9 + 8 + 8 + 8 + 4 // up to the length of the compression's name
	from := s.pos + 1
	window := make([]byte, 1<<16)
	for at := from; ; at += int64(len(window)) - 64 {
		n, _ := s.r.ReadAt(window, at)
		w := window[:n]
		for _, name := range []string{"\x04\x00\x00\x00zstd", "\x03\x00\x00\x00lz4"} {
			for i := 0; ; {
				j := bytes.Index(w[i:], []byte(name))
				if j < 0 {
					break
				}
				i += j
				end := i + len(name) + 8
				if start := i - fixed; start >= 0 && end <= len(w) && w[start] == byte(mcap.OpChunk) {
					size := binary.LittleEndian.Uint64(w[start+1:])
					packed := binary.LittleEndian.Uint64(w[end-8:])
					if packed < maxRecord && size == uint64(end-start-9)+packed && s.has(at+int64(start)+9+int64(size)) {
						s.skip += at + int64(start) - s.pos
						s.pos = at + int64(start)
						return true
					}
				}
				i++
			}
		}
		if n < len(window) {
			return false
		}
	}
}

// unpacker opens chunks.
type unpacker struct {
	zstd *zstd.Decoder
	lz4  *lz4.Reader
	in   bytes.Reader
	buf  []byte
}

// chunk returns the records inside a chunk, whole and checked, or why not.
func (u *unpacker) chunk(body []byte) (records []byte, err error) {
	// The parsers of the library index before they check.
	defer func() {
		if p := recover(); p != nil {
			records, err = nil, fmt.Errorf("recorder: chunk: %v, want the layout of MCAP", p)
		}
	}()
	c, err := mcap.ParseChunk(body)
	if err != nil {
		return nil, err
	}
	if c.UncompressedSize > maxUnpack {
		return nil, fmt.Errorf("recorder: chunk unpacks to %d bytes, want at most %d", c.UncompressedSize, maxUnpack)
	}
	switch c.Compression {
	case "":
		records = c.Records
	case string(mcap.CompressionZSTD):
		if err := u.unpackZstd(c); err != nil {
			return nil, fmt.Errorf("recorder: chunk: %w", err)
		}
		records = u.buf
	case string(mcap.CompressionLZ4):
		if u.lz4 == nil {
			u.lz4 = lz4.NewReader(nil)
		}
		u.in.Reset(c.Records)
		u.lz4.Reset(&u.in)
		// One byte more than is due: it must end there. The buffer grows with what
		// comes, not with what the chunk says.
		size := int(c.UncompressedSize) + 1
		for u.buf = u.buf[:0]; len(u.buf) < size; {
			u.buf = slices.Grow(u.buf, min(size-len(u.buf), 1<<16))
			n, err := u.lz4.Read(u.buf[len(u.buf):min(size, cap(u.buf))])
			u.buf = u.buf[:len(u.buf)+n]
			if err == io.EOF || err == io.ErrUnexpectedEOF {
				break
			}
			if err != nil {
				return nil, fmt.Errorf("recorder: chunk: %w", err)
			}
		}
		records = u.buf
	default:
		return nil, fmt.Errorf("recorder: chunk compression %q, want zstd, lz4 or none", c.Compression)
	}
	if uint64(len(records)) != c.UncompressedSize {
		return nil, fmt.Errorf("recorder: chunk unpacks to %d bytes, want %d", len(records), c.UncompressedSize)
	}
	if crc := crc32.ChecksumIEEE(records); c.UncompressedCRC != 0 && crc != c.UncompressedCRC {
		return nil, fmt.Errorf("recorder: chunk CRC %08x, want %08x", crc, c.UncompressedCRC)
	}
	return records, nil
}

// unpackZstd unpacks a chunk into u.buf. The library makes room for what a frame
// says of its size, so that is checked against the blocks that are there first.
func (u *unpacker) unpackZstd(c *mcap.Chunk) (err error) {
	most, err := mostOfZstd(c.Records)
	if err != nil {
		return err
	}
	if c.UncompressedSize > most {
		return fmt.Errorf("%d bytes are said to unpack to %d, want at most %d", len(c.Records), c.UncompressedSize, most)
	}
	if u.zstd == nil {
		if u.zstd, err = zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(maxUnpack)); err != nil {
			return err
		}
	}
	out, err := u.zstd.DecodeAll(c.Records, u.buf[:0])
	if err == nil {
		u.buf = out
	}
	return err
}

// mostOfZstd returns the size in bytes that frames can unpack to at most, from
// the headers of their blocks (RFC 8878, sections 3.1.1.1 and 3.1.1.2). A frame
// that claims more than its blocks can hold is an error.
func mostOfZstd(b []byte) (total uint64, err error) {
	const maxBlock = 128 << 10 // RFC 8878, section 3.1.1.2.3
	for len(b) > 0 {
		var h zstd.Header
		if err := h.Decode(b); err != nil {
			return 0, err
		}
		b = b[h.HeaderSize:]
		if h.Skippable {
			if uint64(h.SkippableSize) > uint64(len(b)) {
				return 0, io.ErrUnexpectedEOF
			}
			b = b[h.SkippableSize:]
			continue
		}
		frame := uint64(0)
		for last := false; !last; {
			if len(b) < 3 {
				return 0, io.ErrUnexpectedEOF
			}
			head := uint64(b[0]) | uint64(b[1])<<8 | uint64(b[2])<<16
			last = head&1 != 0
			size, holds := head>>3, head>>3
			switch head >> 1 & 3 {
			case 1: // one byte, repeated
				size = 1
			case 2: // compressed
				holds = maxBlock
			case 3:
				return 0, errors.New("a block of a reserved type")
			}
			b = b[3:]
			if size > uint64(len(b)) {
				return 0, io.ErrUnexpectedEOF
			}
			frame += min(holds, maxBlock)
			b = b[size:]
		}
		if h.HasCheckSum {
			b = b[min(4, len(b)):]
		}
		if h.HasFCS && h.FrameContentSize > frame {
			return 0, fmt.Errorf("a frame says that it unpacks to %d bytes, its blocks hold at most %d", h.FrameContentSize, frame)
		}
		total += frame
	}
	return total, nil
}

func (u *unpacker) close() {
	if u.zstd != nil {
		u.zstd.Close()
	}
}

// parse calls a parser of the library, which index before they check.
func parse[T any](f func([]byte) (T, error), body []byte) (v T, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("recorder: record: %v, want the layout of MCAP", p)
		}
	}()
	return f(body)
}

// parseAttachment reads an attachment record: log time, create time, name,
// media type, data, CRC of all before it.
func parseAttachment(body []byte) (*mcap.Attachment, []byte, error) {
	bad := func(what string) (*mcap.Attachment, []byte, error) {
		return nil, nil, fmt.Errorf("recorder: attachment: %s", what)
	}
	a, p := new(mcap.Attachment), 16
	text := func() (string, bool) {
		if p+4 > len(body) {
			return "", false
		}
		n := int(binary.LittleEndian.Uint32(body[p:]))
		if p += 4; n > len(body)-p {
			return "", false
		}
		p += n
		return string(body[p-n : p]), true
	}
	var ok1, ok2 bool
	a.Name, ok1 = text()
	a.MediaType, ok2 = text()
	if !ok1 || !ok2 || p+8 > len(body) {
		return bad("cut short")
	}
	n := binary.LittleEndian.Uint64(body[p:])
	if p += 8; n != uint64(len(body)-p-4) {
		return bad("length does not fit its record")
	}
	data := body[p : len(body)-4]
	if crc := binary.LittleEndian.Uint32(body[len(body)-4:]); crc != 0 && crc != crc32.ChecksumIEEE(body[:len(body)-4]) {
		return bad("CRC differs")
	}
	return a, data, nil
}
