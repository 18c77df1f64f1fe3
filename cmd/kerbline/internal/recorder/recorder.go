package recorder

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"kerbline/fusion"
)

// Options of a [Recorder]. The zero value of each means its default.
type Options struct {
	Path     string        // of the first file; later parts are named after it
	Head     Head          // for the beginning of every part
	MaxBytes int64         // a new part is begun at this size; 512 MB
	Every    time.Duration // how often bytes go to the disk; 250 ms
	Pending  int           // bytes held for a disk that is slow; 16 MB

	create func(path string, h Head) (*File, error) // tests
	retry  time.Duration                            // between attempts to begin a part; 1 s
}

// maxChunks bounds the memory for the summary of one part: about 450 bytes a
// chunk. At four chunks a second it is reached after 83 minutes.
const maxChunks = 20000

// Status is what becomes of the recording, for the screen.
type Status struct {
	OK    bool
	File  string // being written, or tried
	Parts int    // begun so far
	Bytes int64  // on the disk, all parts
	Lost  int64  // bytes received that no file holds
	Words string // why it is not recording; empty when it is
}

// Recorder carries records to the disk without ever holding up its caller.
type Recorder struct {
	o Options

	mu     sync.Mutex
	fill   []byte // batch being filled, see put
	lost   int64  // bytes refused since the last batch
	lostAt int64  // ns
	busy   time.Time
	st     Status
	closed bool
	kick   chan struct{}
	quit   chan struct{}
	done   chan struct{}

	// The rest belongs to the goroutine.
	file    *File
	part    int
	session string
	before  int64 // bytes of earlier parts
	lastTry time.Time
	spare   []byte
}

// entry: 8 bytes ns, 1 byte channel, 4 bytes length, data.
const entryHead = 8 + 1 + 4

// Start begins a recording at host time ns. It does not fail: a disk that takes
// nothing is reported by [Recorder.Status] and tried again every second.
//
// When o.Path exists, the next free name is taken ("run-2.mcap"): a recording is
// never written over.
func Start(o Options, ns int64) *Recorder {
	if o.MaxBytes == 0 {
		o.MaxBytes = 512 << 20
	}
	if o.Every == 0 {
		o.Every = 250 * time.Millisecond
	}
	if o.Pending == 0 {
		o.Pending = 16 << 20
	}
	if o.create == nil {
		o.create = Create
	}
	if o.retry == 0 {
		o.retry = time.Second
	}
	o.Path = free(o.Path)
	r := &Recorder{o: o, session: strconv.FormatInt(ns, 10),
		kick: make(chan struct{}, 1), quit: make(chan struct{}), done: make(chan struct{})}
	r.st = Status{File: o.Path, Words: "not begun yet"}
	tried := make(chan struct{})
	go r.run(ns, tried)
	select { // a person who starts it wants to know at once; a dead disk must not stop the rest
	case <-tried:
	case <-time.After(time.Second):
	}
	return r
}

// Write takes a copy of one record. It allocates nothing in steady state and
// waits for nothing; what does not fit because the disk is slow is counted as
// lost.
func (r *Recorder) Write(ns int64, ch fusion.Channel, data []byte) {
	r.mu.Lock()
	if r.closed || len(r.fill)+entryHead+len(data) > r.o.Pending {
		if r.lost == 0 {
			r.lostAt = ns
		}
		r.lost += int64(len(data))
		r.st.Lost += int64(len(data))
		r.mu.Unlock()
		return
	}
	r.fill = put(r.fill, ns, ch, data)
	full := len(r.fill) > r.o.Pending/4
	r.mu.Unlock()
	if full {
		select {
		case r.kick <- struct{}{}:
		default:
		}
	}
}

func put(b []byte, ns int64, ch fusion.Channel, data []byte) []byte {
	b = binary.LittleEndian.AppendUint64(b, uint64(ns))
	b = append(b, byte(ch))
	b = binary.LittleEndian.AppendUint32(b, uint32(len(data)))
	return append(b, data...)
}

// Status returns how the recording stands.
func (r *Recorder) Status() Status {
	r.mu.Lock()
	defer r.mu.Unlock()
	st := r.st
	if st.OK && !r.busy.IsZero() {
		if d := time.Since(r.busy); d > 1500*time.Millisecond {
			st.OK, st.Words = false, fmt.Sprintf("the disk has not answered for %.0f s", d.Seconds())
		}
	}
	if st.OK && r.lost > 0 {
		st.OK, st.Words = false, "the disk is too slow"
	}
	return st
}

// Close writes what is pending and the summary, and returns why the recording
// is not whole, nil when it is. It waits at most limit for the disk.
func (r *Recorder) Close(limit time.Duration) error {
	r.mu.Lock()
	already := r.closed
	r.closed = true
	r.mu.Unlock()
	if !already {
		close(r.quit)
	}
	select {
	case <-r.done:
	case <-time.After(limit):
		return fmt.Errorf("recorder: %s: the disk did not answer for %g s, want the recording closed", r.o.Path, limit.Seconds())
	}
	st := r.Status()
	switch {
	case !st.OK:
		return fmt.Errorf("recorder: %s: %s", st.File, st.Words)
	case st.Lost > 0:
		return fmt.Errorf("recorder: %s: %d bytes were not recorded because the disk was full or slow", st.File, st.Lost)
	}
	return nil
}

func (r *Recorder) run(ns int64, tried chan<- struct{}) {
	defer close(r.done)
	r.open(ns)
	close(tried)
	tick := time.NewTicker(r.o.Every)
	defer tick.Stop()
	for {
		quit := false
		select {
		case <-tick.C:
		case <-r.kick:
		case <-r.quit:
			quit = true
		}
		r.batch()
		if quit {
			r.finish()
			return
		}
	}
}

// batch carries what was collected to the disk.
func (r *Recorder) batch() {
	r.mu.Lock()
	b, lost, lostAt := r.fill, r.lost, r.lostAt
	r.fill, r.lost = r.spare[:0], 0
	r.busy = time.Now()
	r.mu.Unlock()

	if lost > 0 { // the file itself says where it has a hole
		b = put(b, lostAt, fusion.ChanNote, fmt.Appendf(nil, "recorder: %d bytes lost here, the disk was too slow", lost))
	}
	if len(b) > 0 {
		r.store(b)
	}
	if cap(b) > 4<<20 { // one flood must not hold memory for the rest of the day
		b = nil
	}
	r.spare = b[:0]

	r.mu.Lock()
	r.busy = time.Time{}
	r.mu.Unlock()
}

// store writes a batch to the present part, or to a new one where that fails.
func (r *Recorder) store(b []byte) {
	if r.file != nil && (r.file.Size() >= r.o.MaxBytes || r.file.chunks >= maxChunks) {
		r.end()
	}
	failed := false
	for range 2 { // what one part does not take may fit a new one: the file may have grown too large
		if r.file == nil && !r.open(first(b)) {
			break
		}
		err := r.copy(b)
		if err == nil {
			r.note(func(s *Status) {
				s.OK, s.Words, s.Bytes = true, "", r.before+r.file.Size()
			})
			return
		}
		r.file.Abandon()
		if r.file.chunks == 0 { // nothing in it but its head
			os.Remove(partName(r.o.Path, r.part))
			r.part--
		} else {
			r.before += r.file.Size()
		}
		r.file = nil
		r.fail(err)
		failed = true
	}
	if failed { // the next part is tried after a pause
		r.lastTry = time.Now()
	}
	n := int64(0)
	for rest := b; len(rest) > 0; {
		size := int(binary.LittleEndian.Uint32(rest[9:]))
		n += int64(size)
		rest = rest[entryHead+size:]
	}
	r.note(func(s *Status) { s.Lost += n })
}

func (r *Recorder) copy(b []byte) error {
	for len(b) > 0 {
		n := int(binary.LittleEndian.Uint32(b[9:]))
		if err := r.file.Write(int64(binary.LittleEndian.Uint64(b)), fusion.Channel(b[8]), b[entryHead:entryHead+n]); err != nil {
			return err
		}
		b = b[entryHead+n:]
	}
	if err := r.file.Flush(); err != nil {
		return err
	}
	return r.file.sync()
}

func first(b []byte) int64 { return int64(binary.LittleEndian.Uint64(b)) }

// open begins the next part and reports whether it could.
func (r *Recorder) open(ns int64) bool {
	if !r.lastTry.IsZero() && time.Since(r.lastTry) < r.o.retry {
		return false
	}
	path := partName(r.o.Path, r.part+1)
	h := r.o.Head
	h.Meta = map[string]string{"session": r.session, "part": strconv.Itoa(r.part + 1), "started": stamp(ns)}
	for k, v := range r.o.Head.Meta {
		h.Meta[k] = v
	}
	f, err := r.o.create(path, h)
	if err != nil {
		r.lastTry = time.Now()
		r.fail(err)
		return false
	}
	r.lastTry = time.Time{}
	r.file = f
	r.part++
	r.note(func(s *Status) { s.OK, s.Words, s.File, s.Parts = true, "", path, r.part })
	return true
}

// end closes the present part.
func (r *Recorder) end() {
	if err := r.file.Close(); err != nil {
		r.fail(err)
	}
	r.before += r.file.Size()
	r.file = nil
}

func (r *Recorder) finish() {
	if r.file == nil {
		return
	}
	bytes := r.before + r.file.Size()
	if err := r.file.Close(); err != nil {
		r.fail(err)
		return
	}
	r.note(func(s *Status) { s.Bytes = bytes })
}

func (r *Recorder) note(change func(*Status)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	change(&r.st)
}

func (r *Recorder) fail(err error) {
	r.note(func(s *Status) { s.OK, s.Words = false, words(err) })
}

// words says what a disk error means.
func words(err error) string {
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return "the disk is full"
	case errors.Is(err, syscall.EROFS):
		return "the disk is read-only"
	case errors.Is(err, os.ErrPermission):
		return "no permission to write there"
	case errors.Is(err, os.ErrNotExist):
		return "the folder does not exist"
	case errors.Is(err, syscall.EIO):
		return "the disk reports an input/output error"
	case errors.Is(err, syscall.EFBIG):
		return "the file system takes no larger file"
	}
	return err.Error()
}

// free returns path, or where that exists the first of path-2, path-3, ... that
// does not.
func free(path string) string {
	ext := filepath.Ext(path)
	base := strings.TrimSuffix(path, ext)
	for n := 2; ; n++ {
		_, err := os.Lstat(path)
		_, err2 := os.Lstat(partName(path, 2))
		if err != nil && err2 != nil {
			return path
		}
		path = fmt.Sprintf("%s-%d%s", base, n, ext)
	}
}

// partName names part n of a recording: run.mcap, run.part2.mcap, ...
func partName(path string, n int) string {
	if n == 1 {
		return path
	}
	ext := filepath.Ext(path)
	return fmt.Sprintf("%s.part%d%s", strings.TrimSuffix(path, ext), n, ext)
}
