package recorder

import (
	"bytes"
	"cmp"
	"container/heap"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"sort"
	"strconv"
	"strings"

	"github.com/foxglove/mcap/go/mcap"

	"kerbline/fusion"
)

// Topics names the topics of a recording by another program that become
// channels, several separated by commas. An empty name means the only topic
// whose message suits. It has no effect on recordings of this program.
type Topics struct {
	NMEA         string
	Corrections  string
	Observations string
	IMU          string
	Wheel        string
}

// slots pairs the names with the channels.
func (t *Topics) slots() []topicSlot {
	return []topicSlot{
		{fusion.ChanNMEA, &t.NMEA, "the receiver (sentences or positions)"},
		{fusion.ChanIMU, &t.IMU, "the inertial sensor"},
		{fusion.ChanWheel, &t.Wheel, "wheel speed"},
		{fusion.ChanCorrections, &t.Corrections, "corrections"},
		{fusion.ChanObservations, &t.Observations, "the rover's observations"},
	}
}

type topicSlot struct {
	ch   fusion.Channel
	name *string
	what string
}

// of returns the channel that a topic becomes.
func (t *Topics) of(topic string) (fusion.Channel, bool) {
	for _, s := range t.slots() {
		if topic != "" && slices.Contains(strings.Split(*s.name, ","), topic) {
			return s.ch, true
		}
	}
	return 0, false
}

// Topic is one topic of a file.
type Topic struct {
	Name     string
	Schema   string // message type, "" where the bytes are plain
	Encoding string
	Count    uint64
}

// Damage is what a reader had to leave out. The zero value means a whole
// recording.
type Damage struct {
	Open    bool  // the file was never closed: power cut, or still being written
	Chunks  int   // chunks whose checksum or layout is wrong
	Skipped int64 // bytes passed over to find the next chunk
	Refused int   // messages that could not be read
	First   error // the first of these
}

// String says in words what is missing, "" when nothing is.
func (d Damage) String() string {
	var s []string
	if d.Open {
		s = append(s, "was not closed (power cut, or still being written)")
	}
	if d.Chunks > 0 {
		s = append(s, fmt.Sprintf("has %d damaged chunks, left out", d.Chunks))
	}
	if d.Skipped > 0 {
		s = append(s, fmt.Sprintf("has %d bytes that belong to nothing, left out", d.Skipped))
	}
	if d.Refused > 0 {
		s = append(s, fmt.Sprintf("has %d unreadable messages (%v)", d.Refused, d.First))
	}
	return strings.Join(s, "; ")
}

// Reader gives the records of a recording, in the order they were written, from
// all its parts.
type Reader struct {
	path   string
	topics Topics

	f       *os.File
	bag     *bag // in place of f and scan
	scan    scanner
	un      unpacker
	chunk   []byte // rest of the open chunk
	closed  bool   // DataEnd was seen
	meta    map[string]string
	attach  map[string][]byte
	schemas map[uint16]string
	chans   map[uint16]mcap.Channel
	take    map[uint16]fusion.Channel // what becomes of a channel id
	own     bool                      // written by this program
	damage  Damage
	part    int

	// Recordings of other programs are sorted within a stretch of time: their
	// order in the file is that of a queue per topic.
	window sortWindow
	ended  bool
	seq    uint64
	out    []byte
}

// Open opens a recording. It reads as far as the first data, so that settings,
// course and description are known.
func Open(path string, topics Topics) (*Reader, error) {
	r := &Reader{path: path, topics: topics, attach: map[string][]byte{}}
	if err := r.openPart(path); err != nil {
		return nil, err
	}
	r.part = 1
	if !r.own {
		if err := r.choose(); err != nil {
			r.Close()
			return nil, err
		}
	}
	// Metadata and attachments stand before the first chunk.
	for r.chunk == nil && r.bag == nil {
		rec, err := r.scan.next()
		if err != nil {
			break
		}
		if rec.op == mcap.OpChunk || rec.op == mcap.OpMessage || rec.op == mcap.OpDataEnd {
			r.scan.pos = rec.at
			break
		}
		r.top(rec)
	}
	return r, nil
}

// Close closes the file.
func (r *Reader) Close() error {
	r.un.close()
	return errors.Join(r.bag.close(), r.f.Close())
}

// Attachment returns a file stored in the recording, nil when there is none.
func (r *Reader) Attachment(name string) []byte { return r.attach[name] }

// Own reports that this program wrote the recording.
func (r *Reader) Own() bool { return r.own }

// Lost says why the attachment name, which belongs to the recording, is not
// there; nil when it is, or when none belongs to it. Every recording of this
// program has settings.
func (r *Reader) Lost(name string) error {
	listed := slices.Contains(strings.Fields(r.meta[metaAttached]), name)
	switch {
	case !r.own || r.attach[name] != nil || !listed && name != SettingsName && r.meta != nil:
		return nil
	case r.meta == nil:
		return fmt.Errorf("recorder: %s: what it says of itself is damaged, and it holds no %s", r.path, name)
	case listed:
		return fmt.Errorf("recorder: %s: its %s is damaged", r.path, name)
	}
	return fmt.Errorf("recorder: %s: it holds no %s", r.path, name)
}

// Meta returns what the recording says about its run.
func (r *Reader) Meta() map[string]string { return r.meta }

// Damage returns what was left out so far; after the last record, of all.
func (r *Reader) Damage() Damage {
	d := r.damage
	d.Skipped += r.scan.skip
	return d
}

func (r *Reader) openPart(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	magic := make([]byte, len(bagMagic))
	n, _ := io.ReadFull(f, magic)
	if string(magic[:n]) == bagMagic {
		r.f = f
		r.bag, err = openBag(path)
		return err
	}
	if !bytes.HasPrefix(magic[:n], mcap.Magic) {
		f.Close()
		return fmt.Errorf("recorder: %s begins with %q, want an MCAP file or an SQLite bag", path, magic[:min(n, len(mcap.Magic))])
	}
	r.damage.Skipped += r.scan.skip
	r.f, r.scan = f, scanner{r: f, pos: int64(len(mcap.Magic)), buf: r.scan.buf}
	r.chunk, r.closed, r.own = nil, false, false
	r.schemas, r.chans, r.take = map[uint16]string{}, map[uint16]mcap.Channel{}, map[uint16]fusion.Channel{}
	rec, err := r.scan.next()
	if err == nil && rec.op == mcap.OpHeader {
		if h, err := parse(mcap.ParseHeader, rec.body); err == nil {
			r.own = h.Profile == profile
		}
	} else {
		r.scan.pos = int64(len(mcap.Magic))
	}
	if r.own {
		// The ids are fixed, so data is readable even where the channel records
		// are damaged.
		for i, ch := range channels {
			r.take[uint16(i+1)] = ch
		}
	}
	return nil
}

// Next returns the next record; its bytes are valid until the next call. The
// error is io.EOF at the end, also where the file is cut off: [Reader.Damage]
// tells.
func (r *Reader) Next() (fusion.Record, error) {
	if r.own {
		_, rec, err := r.read()
		return rec, err
	}
	for !r.ended && (r.window.Len() == 0 || r.window.newest-r.window.items[0].ns < sortSpan) {
		ns, rec, err := r.read()
		if err == io.EOF {
			r.ended = true
			break
		}
		if err != nil {
			return rec, err
		}
		rec.Data = append([]byte(nil), rec.Data...)
		r.seq++
		r.window.newest = max(r.window.newest, ns)
		heap.Push(&r.window, sortItem{ns, r.seq, rec})
	}
	if r.window.Len() == 0 {
		return fusion.Record{}, io.EOF
	}
	return heap.Pop(&r.window).(sortItem).rec, nil
}

// read returns the next record in file order.
func (r *Reader) read() (int64, fusion.Record, error) {
	for r.bag != nil {
		m, err := r.bag.next(r.topics.of)
		if err != nil {
			return 0, fusion.Record{}, err
		}
		if ns, out, ok := r.converted("cdr", m.schema, m.ch, m.ns, m.data); ok {
			return ns, out, nil
		}
	}
	for {
		for len(r.chunk) > 0 {
			rec, ok := r.inChunk()
			if !ok {
				break
			}
			if ns, out, ok := r.record(rec); ok {
				return ns, out, nil
			}
		}
		rec, err := r.scan.next()
		if err != nil {
			if err != io.EOF && !errors.Is(err, errCut) {
				return 0, fusion.Record{}, fmt.Errorf("recorder: %s: %w", r.path, err)
			}
			if !r.closed {
				r.damage.Open = true
			}
			if r.next() {
				continue
			}
			return 0, fusion.Record{}, io.EOF
		}
		switch rec.op {
		case mcap.OpChunk:
			chunk, err := r.un.chunk(rec.body)
			if err != nil {
				r.damage.Chunks++
				r.hurt(err)
				continue
			}
			r.chunk = chunk
		case mcap.OpMessage:
			if ns, out, ok := r.record(rec); ok {
				return ns, out, nil
			}
		default:
			r.top(rec)
		}
	}
}

// next goes on to the following part, if there is one of the same session.
func (r *Reader) next() bool {
	session := r.meta["session"]
	if !r.own || session == "" || r.meta["part"] != strconv.Itoa(r.part) {
		return false
	}
	path := partName(r.path, r.part+1)
	if _, err := os.Stat(path); err != nil {
		return false
	}
	old := r.f
	if err := r.openPart(path); err != nil {
		r.f = old
		return false
	}
	rec, err := r.scan.next()
	if err != nil || rec.op != mcap.OpMetadata || !r.top(rec) || r.meta["session"] != session {
		r.f.Close()
		r.f = old
		r.scan = scanner{r: old, pos: 1 << 62}
		return false
	}
	old.Close()
	r.part++
	return true
}

// inChunk cuts the next record off the open chunk.
func (r *Reader) inChunk() (record, bool) {
	b := r.chunk
	if len(b) < 9 {
		r.chunk = nil
		return record{}, false
	}
	size := binary.LittleEndian.Uint64(b[1:])
	if size > uint64(len(b)-9) {
		r.chunk = nil
		r.damage.Chunks++
		return record{}, false
	}
	r.chunk = b[9+size:]
	return record{op: mcap.OpCode(b[0]), body: b[9 : 9+size]}, true
}

// record turns a message into a record; schemas and channels inside a chunk
// are taken note of.
func (r *Reader) record(rec record) (int64, fusion.Record, bool) {
	if rec.op != mcap.OpMessage {
		r.top(rec)
		return 0, fusion.Record{}, false
	}
	var m mcap.Message
	if err := m.PopulateFrom(rec.body, false); err != nil {
		r.damage.Refused++
		r.hurt(err)
		return 0, fusion.Record{}, false
	}
	ch, ok := r.take[m.ChannelID]
	if !ok || m.LogTime > 1<<62 {
		return 0, fusion.Record{}, false
	}
	ns := int64(m.LogTime)
	if r.own {
		return ns, fusion.Record{T: Seconds(ns), Channel: ch, Data: m.Data}, true
	}
	c := r.chans[m.ChannelID]
	return r.converted(c.MessageEncoding, r.schemas[c.SchemaID], ch, ns, m.Data)
}

// converted is the record of a message of another program.
func (r *Reader) converted(encoding, schema string, ch fusion.Channel, ns int64, data []byte) (int64, fusion.Record, bool) {
	ns, out, err := convert(encoding, schema, ch, ns, data, r.out[:0])
	if err != nil {
		r.damage.Refused++
		r.hurt(err)
		return 0, fusion.Record{}, false
	}
	r.out = out
	return ns, fusion.Record{T: Seconds(ns), Channel: ch, Data: out}, true
}

// top takes note of a record that is no data and reports whether it could be
// read.
func (r *Reader) top(rec record) bool {
	var err error
	switch rec.op {
	case mcap.OpSchema:
		var s *mcap.Schema
		if s, err = parse(mcap.ParseSchema, rec.body); err == nil {
			r.schemas[s.ID] = plainSchema(s.Name)
		}
	case mcap.OpChannel:
		var c *mcap.Channel
		if c, err = parse(mcap.ParseChannel, rec.body); err == nil {
			r.chans[c.ID] = *c
			r.assign(c)
		}
	case mcap.OpMetadata:
		var m *mcap.Metadata
		if m, err = parse(mcap.ParseMetadata, rec.body); err == nil && m.Name == profile {
			r.meta = m.Metadata
		}
	case mcap.OpAttachment:
		var a *mcap.Attachment
		var data []byte
		if a, data, err = parseAttachment(rec.body); err == nil && r.attach[a.Name] == nil {
			r.attach[a.Name] = append([]byte{}, data...)
		}
	case mcap.OpDataEnd:
		r.closed = true
	}
	if err != nil {
		r.damage.Refused++
		r.hurt(err)
	}
	return err == nil
}

// assign decides what becomes of a channel of another program's recording.
func (r *Reader) assign(c *mcap.Channel) {
	if r.own {
		return
	}
	if ch, ok := r.topics.of(c.Topic); ok {
		r.take[c.ID] = ch
	}
}

func (r *Reader) hurt(err error) {
	if r.damage.First == nil {
		r.damage.First = err
	}
}

// choose fills in the topics that were not named.
func (r *Reader) choose() error {
	list, err := ListTopics(r.path)
	if err != nil {
		return err
	}
	for _, slot := range r.topics.slots() {
		if *slot.name != "" {
			for _, name := range strings.Split(*slot.name, ",") {
				if !slices.ContainsFunc(list, func(t Topic) bool { return t.Name == name }) {
					return fmt.Errorf("recorder: %s has no topic %q for %s; it has %s", r.path, name, slot.what, names(list))
				}
			}
			continue
		}
		var fit []string
		for _, t := range list {
			_, taken := r.topics.of(t.Name)
			if ch, ok := suits(t.Schema); ok && ch == slot.ch && !taken {
				fit = append(fit, t.Name)
			}
		}
		switch {
		case len(fit) == 1:
			*slot.name = fit[0]
		case len(fit) > 1 && slot.ch == fusion.ChanWheel: // estimates of others, seldom the wheels
		case len(fit) > 1:
			return fmt.Errorf("recorder: %s has several topics for %s, want one named: %s", r.path, slot.what, strings.Join(fit, ", "))
		}
	}
	if r.topics.NMEA == "" {
		return fmt.Errorf("recorder: %s has no topic for %s; it has %s", r.path, r.topics.slots()[0].what, names(list))
	}
	return nil
}

func names(list []Topic) string {
	var s []string
	for _, t := range list {
		s = append(s, t.Name)
	}
	if len(s) == 0 {
		return "no topics"
	}
	return strings.Join(s, ", ")
}

// ListTopics lists what is in a file, sorted by name.
func ListTopics(path string) ([]Topic, error) {
	r := &Reader{path: path, attach: map[string][]byte{}}
	if err := r.openPart(path); err != nil {
		return nil, err
	}
	defer r.Close()
	if r.bag != nil {
		return r.bag.topics()
	}
	counts := map[uint16]uint64{}
	count := func(rec record) {
		var m mcap.Message
		if rec.op != mcap.OpMessage {
			r.top(rec)
		} else if m.PopulateFrom(rec.body, false) == nil {
			counts[m.ChannelID]++
		}
	}
	for {
		rec, err := r.scan.next()
		if err != nil {
			break
		}
		if rec.op != mcap.OpChunk {
			count(rec)
			continue
		}
		if r.chunk, err = r.un.chunk(rec.body); err != nil {
			continue
		}
		for len(r.chunk) > 0 {
			if in, ok := r.inChunk(); ok {
				count(in)
			}
		}
	}
	byName := map[string]Topic{}
	for id, c := range r.chans {
		t := byName[c.Topic]
		t.Name, t.Schema, t.Encoding = c.Topic, r.schemas[c.SchemaID], c.MessageEncoding
		t.Count += counts[id]
		byName[c.Topic] = t
	}
	var list []Topic
	for _, t := range byName {
		list = append(list, t)
	}
	sortTopics(list)
	return list, nil
}

func sortTopics(list []Topic) {
	sort.Slice(list, func(i, j int) bool { return list[i].Name < list[j].Name })
}

// sortSpan is the stretch of time, ns, within which messages of other programs'
// recordings are put in order.
const sortSpan = 3e9

type sortItem struct {
	ns  int64
	seq uint64
	rec fusion.Record
}

type sortWindow struct {
	items  []sortItem
	newest int64
}

func (w *sortWindow) Len() int { return len(w.items) }
func (w *sortWindow) Less(i, j int) bool {
	a, b := &w.items[i], &w.items[j]
	// Messages of one time in the order of channels, as files have them.
	return cmp.Or(cmp.Compare(a.ns, b.ns), cmp.Compare(a.rec.Channel, b.rec.Channel), cmp.Compare(a.seq, b.seq)) < 0
}
func (w *sortWindow) Swap(i, j int) { w.items[i], w.items[j] = w.items[j], w.items[i] }
func (w *sortWindow) Push(x any)    { w.items = append(w.items, x.(sortItem)) }
func (w *sortWindow) Pop() any {
	last := w.items[len(w.items)-1]
	w.items[len(w.items)-1] = sortItem{}
	w.items = w.items[:len(w.items)-1]
	return last
}
