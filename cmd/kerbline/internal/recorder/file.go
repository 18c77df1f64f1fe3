package recorder

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"time"

	"github.com/foxglove/mcap/go/mcap"
	"github.com/pierrec/lz4/v4"

	"kerbline/cmd/kerbline/internal/version"
	"kerbline/fusion"
)

// profile marks recordings of this program in the MCAP header.
const profile = "kerbline"

// Attachment is a small file stored whole inside a recording.
type Attachment struct {
	Name      string // "kerbline.toml"
	MediaType string
	Data      []byte
}

// Names under which a recording stores what its replay needs, as in a folder.
const (
	SettingsName = "kerbline.toml"
	CourseName   = "track.geojson"
	TruthName    = "truth.csv"
)

// Attached returns the attachment of one of these names.
func Attached(name string, data []byte) Attachment {
	media := map[string]string{SettingsName: "application/toml", CourseName: "application/geo+json", TruthName: "text/csv"}
	return Attachment{Name: name, MediaType: media[name], Data: data}
}

// metaAttached names the attachments in the description of a file.
const metaAttached = "attached"

// Head is what a recording begins with.
type Head struct {
	Attachments []Attachment
	Meta        map[string]string // about the run; no secrets
}

// channels in the order of their ids; the id of a channel is its place plus 1.
var channels = []fusion.Channel{fusion.ChanNMEA, fusion.ChanCorrections, fusion.ChanIMU, fusion.ChanWheel, fusion.ChanTick, fusion.ChanNote, fusion.ChanObservations}

// encodings says what the bytes of a channel are, for other readers of MCAP.
var encodings = []string{"nmea0183", "rtcm3", "csv", "csv", "none", "text", "rtcm3"}

const maxChunk = 1 << 18 // bytes of records that close a chunk by themselves: a processor keeps as much at hand

// storage is the file behind a [File]; tests put failing ones in its place.
type storage interface {
	io.WriteCloser
	Sync() error
	Truncate(size int64) error
}

// File writes one MCAP file. What was flushed is on the disk as whole chunks.
// It is not safe for concurrent use.
type File struct {
	f    storage
	w    *mcap.Writer
	pack *lz4.Writer

	records bytes.Buffer // of the open chunk
	packed  bytes.Buffer
	index   []*mcap.MessageIndex
	start   uint64
	end     uint64
	seq     []uint32
	good    int64 // size at which the file holds whole records only
	chunks  int
}

// Create makes a new file at path, which must not exist. Only the user may read
// it: a recording says where the car was and what it was set to.
func Create(path string, head Head) (*File, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, err
	}
	file, err := newFile(f, head)
	if err != nil {
		f.Close()
		os.Remove(path)
		return nil, err
	}
	return file, nil
}

func newFile(f storage, head Head) (*File, error) {
	// Chunks are built here and not by the library: it closes one only when it
	// is large, which at 25 kB/s is half a minute of a run.
	w, err := mcap.NewWriter(f, &mcap.WriterOptions{IncludeCRC: true})
	if err != nil {
		return nil, err
	}
	// A file a third larger than with a stronger code, but a sixth of the work to
	// unpack, and less for the car's computer. The chunk has its own CRC.
	pack := lz4.NewWriter(nil)
	if err := pack.Apply(lz4.ChecksumOption(false), lz4.BlockSizeOption(lz4.Block256Kb), lz4.ConcurrencyOption(1)); err != nil {
		return nil, err
	}
	file := &File{f: f, w: w, pack: pack, seq: make([]uint32, len(channels)), start: ^uint64(0)}
	if err := w.WriteHeader(&mcap.Header{Profile: profile, Library: profile}); err != nil {
		return nil, err
	}
	// What is attached is named, so that a reader knows what is missing.
	meta := map[string]string{"build": version.String()}
	for k, v := range head.Meta {
		meta[k] = v
	}
	for _, a := range head.Attachments {
		meta[metaAttached] += a.Name + " "
	}
	if err := w.WriteMetadata(&mcap.Metadata{Name: profile, Metadata: meta}); err != nil {
		return nil, err
	}
	for _, a := range head.Attachments {
		err := w.WriteAttachment(&mcap.Attachment{Name: a.Name, MediaType: a.MediaType,
			DataSize: uint64(len(a.Data)), Data: bytes.NewReader(a.Data)})
		if err != nil {
			return nil, err
		}
	}
	for i, ch := range channels {
		err := w.WriteChannel(&mcap.Channel{ID: uint16(i + 1), Topic: ch.String(), MessageEncoding: encodings[i]})
		if err != nil {
			return nil, err
		}
		file.index = append(file.index, &mcap.MessageIndex{ChannelID: uint16(i + 1)})
	}
	file.good = int64(w.Offset())
	return file, nil
}

// Write adds one record of host time ns to the open chunk.
func (f *File) Write(ns int64, ch fusion.Channel, data []byte) error {
	i := int(ch)
	if i >= len(channels) {
		return fmt.Errorf("recorder: channel %d, want 0 to %d", i, len(channels)-1)
	}
	return f.write(ns, i, data)
}

// write adds one record to the topic at place i.
func (f *File) write(ns int64, i int, data []byte) error {
	t := uint64(ns)
	f.index[i].Add(t, uint64(f.records.Len()))
	// Message record: channel id, sequence, log time, publish time, data.
	var head [1 + 8 + 2 + 4 + 8 + 8]byte
	head[0] = byte(mcap.OpMessage)
	binary.LittleEndian.PutUint64(head[1:], uint64(len(head)-9+len(data)))
	binary.LittleEndian.PutUint16(head[9:], uint16(i+1))
	binary.LittleEndian.PutUint32(head[11:], f.seq[i])
	binary.LittleEndian.PutUint64(head[15:], t)
	binary.LittleEndian.PutUint64(head[23:], t)
	f.records.Write(head[:])
	f.records.Write(data)
	f.seq[i]++
	f.start, f.end = min(f.start, t), max(f.end, t)

	s := f.w.Statistics
	if s.MessageCount == 0 || t < s.MessageStartTime {
		s.MessageStartTime = t
	}
	s.MessageCount++
	s.ChannelMessageCounts[uint16(i+1)]++
	if f.records.Len() >= maxChunk {
		return f.Flush()
	}
	return nil
}

// Flush closes the open chunk and hands it to the operating system.
func (f *File) Flush() error {
	if f.records.Len() == 0 {
		return nil
	}
	raw := f.records.Bytes()
	f.packed.Reset()
	f.pack.Reset(&f.packed)
	if _, err := f.pack.Write(raw); err != nil {
		return err
	}
	if err := f.pack.Close(); err != nil {
		return err
	}
	chunk := mcap.Chunk{
		MessageStartTime: f.start, MessageEndTime: f.end,
		UncompressedSize: uint64(len(raw)), UncompressedCRC: crc32.ChecksumIEEE(raw),
		Compression: string(mcap.CompressionLZ4), Records: f.packed.Bytes(),
	}
	if err := f.w.WriteChunkWithIndexes(&chunk, f.index); err != nil {
		return err
	}
	f.records.Reset()
	for _, idx := range f.index {
		idx.Reset()
	}
	f.start, f.end = ^uint64(0), 0
	f.good = int64(f.w.Offset())
	f.chunks++
	return nil
}

// sync makes what was flushed survive a power cut.
func (f *File) sync() error { return f.f.Sync() }

// Size returns the size in bytes of what was flushed.
func (f *File) Size() int64 { return f.good }

// Close flushes, writes the summary and closes the file.
func (f *File) Close() error {
	err := f.Flush()
	if err == nil {
		err = f.w.Close()
	}
	if err == nil {
		err = f.f.Sync()
	}
	if err != nil {
		f.Abandon()
		return err
	}
	return f.f.Close()
}

// Abandon cuts the file back to its last whole chunk and closes it: the disk
// took no more.
func (f *File) Abandon() {
	_ = f.f.Truncate(f.good)
	f.f.Close()
}

// stamp formats a host time for file names and messages.
func stamp(ns int64) string { return time.Unix(0, ns).UTC().Format("2006-01-02T15:04:05Z") }
