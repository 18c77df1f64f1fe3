package recorder

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"kerbline/fusion"
)

// feed gives recs to r, n a millisecond.
func feed(r *Recorder, recs []rec, n int) {
	for i, x := range recs {
		r.Write(x.ns, x.ch, []byte(x.data))
		if i%n == n-1 {
			time.Sleep(time.Millisecond)
		}
	}
}

func TestRecorder(t *testing.T) {
	want := sample(3000)
	path := filepath.Join(t.TempDir(), "run.mcap")
	r := Start(Options{Path: path, Head: fileHead, Every: 20 * time.Millisecond}, start)
	eventually(t, "it records", func() bool { return r.Status().OK })
	if st := r.Status(); st.File != path {
		t.Errorf("status %+v at the start", st)
	}
	feed(r, want[:1500], 10)
	// What came is on the disk a moment later, while the rest still comes.
	var half []rec
	var rd *Reader
	eventually(t, "the first half on the disk", func() bool { half, rd = read(t, path, Topics{}); return len(half) >= 1500 })
	if err := same(half, want[:1500]); err != nil {
		t.Errorf("while recording: %v", err)
	}
	if !rd.Damage().Open {
		t.Error("a file being written passes as closed")
	}
	feed(r, want[1500:], 10)
	if err := r.Close(time.Minute); err != nil {
		t.Fatal(err)
	}
	got, rd := read(t, path, Topics{})
	if err := same(got, want); err != nil {
		t.Error(err)
	}
	if rd.Damage() != (Damage{}) {
		t.Errorf("damage %v", rd.Damage())
	}
	fi, _ := os.Stat(path)
	if st := r.Status(); st.Lost != 0 || st.Bytes > fi.Size() || st.Bytes < fi.Size()/2 {
		t.Errorf("status %+v, file has %d bytes", st, fi.Size())
	}
	r.Write(start, fusion.ChanTick, nil) // after the end: ignored, not a crash
}

func TestRecorderAllocatesNothing(t *testing.T) {
	r := Start(Options{Path: filepath.Join(t.TempDir(), "run.mcap"), Every: time.Hour}, start)
	defer r.Close(time.Minute)
	data := make([]byte, 60)
	r.mu.Lock()
	r.fill = make([]byte, 0, 1<<20)
	r.mu.Unlock()
	if n := testing.AllocsPerRun(1000, func() { r.Write(start, fusion.ChanIMU, data) }); n != 0 {
		t.Errorf("%v allocations a record, want none", n)
	}
}

func TestNeverWritesOver(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "run.mcap")
	for i, want := range []string{"run.mcap", "run-2.mcap", "run-3.mcap"} {
		r := Start(Options{Path: path}, start)
		r.Write(start, fusion.ChanNote, []byte(strconv.Itoa(i)))
		if err := r.Close(time.Minute); err != nil {
			t.Fatal(err)
		}
		got, _ := read(t, filepath.Join(dir, want), Topics{})
		if len(got) != 1 || got[0].data != strconv.Itoa(i) {
			t.Errorf("%s holds %v", want, got)
		}
	}
}

func TestRotation(t *testing.T) {
	want := sample(4000)
	dir := t.TempDir()
	path := filepath.Join(dir, "run.mcap")
	r := Start(Options{Path: path, Head: Head{Attachments: fileHead.Attachments}, MaxBytes: 30 << 10, Every: 10 * time.Millisecond}, start)
	feed(r, want, 10)
	if err := r.Close(time.Minute); err != nil {
		t.Fatal(err)
	}
	parts, _ := filepath.Glob(filepath.Join(dir, "*"))
	if len(parts) < 4 {
		t.Fatalf("%d parts, want several: %v", len(parts), parts)
	}
	got, rd := read(t, path, Topics{})
	if err := same(got, want); err != nil {
		t.Errorf("all parts together: %v", err)
	}
	if rd.Damage() != (Damage{}) {
		t.Errorf("damage %v", rd.Damage())
	}
	// Each part has its own settings; a part of another run is not followed.
	second := partName(path, 2)
	_, rd = read(t, second, Topics{})
	if rd.Attachment(SettingsName) == nil {
		t.Error("the second part has no settings")
	}
	other := Start(Options{Path: filepath.Join(dir, "other.mcap")}, start+1)
	other.Write(start, fusion.ChanTick, nil)
	other.Close(time.Minute)
	os.Rename(filepath.Join(dir, "other.mcap"), second)
	if got, _ := read(t, path, Topics{}); len(got) == 0 || len(got) >= len(want) {
		t.Errorf("%d records with a stranger as second part", len(got))
	}
}

// disk is what files share: the room left, negative for any.
type disk struct {
	mu   sync.Mutex
	room int
}

// sick is a file on a disk that fails as told.
type sick struct {
	*os.File
	d    *disk
	size int
}

func (s *sick) Write(b []byte) (int, error) {
	s.d.mu.Lock()
	defer s.d.mu.Unlock()
	n := len(b)
	if s.d.room >= 0 {
		n = min(n, s.d.room)
		s.d.room -= n
	}
	s.size += n
	n, err := s.File.Write(b[:n])
	if err == nil && n < len(b) {
		err = syscall.ENOSPC
	}
	return n, err
}

func (s *sick) Truncate(size int64) error {
	s.d.mu.Lock()
	defer s.d.mu.Unlock()
	if s.d.room >= 0 {
		s.d.room += s.size - int(size)
	}
	return s.File.Truncate(size)
}

func (d *disk) create(path string, h Head) (*File, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return nil, err
	}
	file, err := newFile(&sick{File: f, d: d}, h)
	if err != nil {
		f.Close()
		os.Remove(path)
	}
	return file, err
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for range 12000 {
		if ok() {
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
	t.Fatalf("never: %s", what)
}

// The disk fills up: the recording stops, says so, loses nothing that was on
// the disk, leaves no rubbish behind, and goes on when there is room again.
func TestDiskFull(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "run.mcap")
	d := &disk{room: 20000}
	r := Start(Options{Path: path, Every: 5 * time.Millisecond, create: d.create, retry: 20 * time.Millisecond}, start)
	want := sample(20000)
	sent := 0
	push := func() { r.Write(want[sent].ns, want[sent].ch, []byte(want[sent].data)); sent++ }
	onDisk := int64(-1)
	eventually(t, "full", func() bool {
		st := r.Status()
		if st.OK && st.Bytes == onDisk {
			return false // small chunks, however slow the disk: a large one would find no room early
		}
		onDisk = st.Bytes
		for range 20 {
			push()
		}
		return !st.OK
	})
	if st := r.Status(); st.Words != "the disk is full" {
		t.Errorf("status %+v", st)
	}
	// What was left after the last whole chunk may take some small ones more,
	// but not for long, and no file stays that holds nothing.
	for range 100 {
		for range 10 {
			push()
		}
		time.Sleep(2 * time.Millisecond)
	}
	files, _ := os.ReadDir(dir)
	if len(files) > 3 {
		t.Errorf("%d files while full", len(files))
	}
	before, rd := read(t, path, Topics{})
	if len(before) == 0 || rd.Damage().Chunks != 0 || rd.Damage().Skipped != 0 {
		t.Errorf("%d records, damage %+v: the cut chunk was left in the file", len(before), rd.Damage())
	}
	n := 0
	for n < len(before) && same(before[n:n+1], want[n:n+1]) == nil {
		n++
	}
	if n < 200 {
		t.Errorf("only the first %d records are there", n)
	}
	if st := r.Status(); st.OK || st.Lost == 0 {
		t.Errorf("status %+v while full", st)
	}
	d.mu.Lock()
	d.room = -1
	d.mu.Unlock()
	eventually(t, "room again", func() bool { push(); return r.Status().OK })
	for sent < len(want) {
		push()
	}
	err := r.Close(time.Minute)
	if err == nil || !strings.Contains(err.Error(), "not recorded") {
		t.Errorf("close says %v", err)
	}
	got, _ := read(t, path, Topics{})
	if len(got) <= len(before)+1000 || same(got[len(got)-1:], want[len(want)-1:]) != nil {
		t.Errorf("%d records in all, %d before", len(got), len(before))
	}
	// The rest of the list is read from the file as written: in order.
	at := map[string]int{}
	for i, w := range want {
		at[fmt.Sprint(Seconds(w.ns), w.ch, w.data)] = i
	}
	last := -1
	for _, g := range got {
		if i, ok := at[fmt.Sprint(Seconds(g.ns), g.ch, g.data)]; !ok || i < last {
			t.Fatalf("record %v is none that was written, or out of order", g)
		} else {
			last = i
		}
	}
}

// The same on a real file system of 256 kB.
func TestDiskFullTmpfs(t *testing.T) {
	dir := t.TempDir()
	if err := exec.Command("mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", dir).Run(); err != nil {
		t.Skipf("cannot mount a small file system here: %v", err)
	}
	defer exec.Command("umount", dir).Run()
	path := filepath.Join(dir, "run.mcap")
	r := Start(Options{Path: path, Every: 5 * time.Millisecond, retry: 20 * time.Millisecond}, start)
	want := sample(40000)
	sent := 0
	eventually(t, "full", func() bool {
		for range 100 {
			r.Write(want[sent].ns, want[sent].ch, []byte(want[sent].data))
			sent++
		}
		return !r.Status().OK
	})
	if st := r.Status(); st.Words != "the disk is full" {
		t.Errorf("status %+v", st)
	}
	r.Close(time.Minute)
	got, rd := read(t, path, Topics{})
	if err := same(got, want[:len(got)]); err != nil || len(got) < 1000 {
		t.Errorf("%d records: %v", len(got), err)
	}
	if d := rd.Damage(); d.Chunks != 0 || d.Skipped != 0 {
		t.Errorf("damage %v", d)
	}
}

func TestCannotBegin(t *testing.T) {
	dir := t.TempDir()
	for _, tt := range []struct {
		err  error
		path string
		say  string
	}{
		{nil, filepath.Join(dir, "none", "run.mcap"), "the folder does not exist"},
		{syscall.EROFS, "", "the disk is read-only"},
		{os.ErrPermission, "", "no permission to write there"},
		{syscall.EIO, "", "input/output error"},
	} {
		o := Options{Path: filepath.Join(dir, "x.mcap"), Every: 5 * time.Millisecond, retry: 10 * time.Millisecond}
		if tt.path != "" {
			o.Path = tt.path
		} else {
			o.create = func(string, Head) (*File, error) { return nil, &os.PathError{Op: "open", Path: "x", Err: tt.err} }
		}
		r := Start(o, start)
		eventually(t, tt.say, func() bool { return strings.Contains(r.Status().Words, tt.say) })
		if st := r.Status(); st.OK {
			t.Errorf("%v: status %+v", tt.err, st)
		}
		r.Write(start, fusion.ChanIMU, []byte("1,2,3"))
		eventually(t, "lost is counted", func() bool { return r.Status().Lost == 5 })
		if err := r.Close(time.Minute); err == nil || !strings.Contains(err.Error(), tt.say) {
			t.Errorf("close says %v, want %q", err, tt.say)
		}
	}
}

// A disk that hangs holds up nothing, fills no memory, and is told.
func TestSlowDisk(t *testing.T) {
	path := filepath.Join(t.TempDir(), "run.mcap")
	d := &disk{room: -1}
	r := Start(Options{Path: path, Every: 5 * time.Millisecond, Pending: 100 << 10, create: d.create}, start)
	d.mu.Lock() // writes hang from now on
	data := make([]byte, 100)
	for i := range 5000 { // were the disk waited for, this would not end
		r.Write(start+int64(i), fusion.ChanIMU, data)
		if i%100 == 0 {
			time.Sleep(time.Millisecond)
		}
	}
	r.mu.Lock()
	if len(r.fill) > 100<<10 {
		t.Errorf("%d bytes pending, want at most 100 kB", len(r.fill))
	}
	r.mu.Unlock()
	if st := r.Status(); st.OK || st.Words == "" || st.Lost == 0 {
		t.Errorf("status %+v", st)
	}
	if err := r.Close(50 * time.Millisecond); err == nil || !strings.Contains(err.Error(), "did not answer") {
		t.Errorf("close says %v", err)
	}
	d.mu.Unlock()
	if err := r.Close(time.Minute); err == nil {
		t.Error("a recording with holes passes as whole")
	}
	got, _ := read(t, path, Topics{})
	holes := 0
	for _, x := range got {
		if x.ch == fusion.ChanNote && strings.Contains(x.data, "bytes lost here") {
			holes++
		}
	}
	if holes == 0 {
		t.Error("the file does not say where it has its hole")
	}
}

// TestKill kills a recording process at random moments: the file opens, what
// is missing is younger than a second, and every record in it is whole. Three
// times in the normal run, KERBLINE_KILLS times when that is set.
func TestKill(t *testing.T) {
	if path := os.Getenv("KERBLINE_KILL_ME"); path != "" {
		recordForEver(path)
	}
	n := 3
	if s := os.Getenv("KERBLINE_KILLS"); s != "" {
		n, _ = strconv.Atoi(s)
	}
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	var worst time.Duration
	for i := range n {
		path := filepath.Join(t.TempDir(), "run.mcap")
		cmd := exec.Command(os.Args[0], "-test.run=^TestKill$")
		cmd.Env = append(os.Environ(), "KERBLINE_KILL_ME="+path)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		bufio.NewReader(out).ReadString('\n') // it is recording
		eventually(t, "records on the disk", func() bool { got, _ := read(t, path, Topics{}); return len(got) > 0 })
		time.Sleep(300*time.Millisecond + time.Duration(rng.Int64N(int64(700*time.Millisecond))))
		killed := time.Now()
		cmd.Process.Kill()
		cmd.Wait()

		got, rd := read(t, path, Topics{})
		if len(got) == 0 {
			t.Fatalf("kill %d: nothing on the disk", i)
		}
		if d := rd.Damage(); d.Chunks != 0 || !d.Open {
			t.Errorf("kill %d: damage %+v", i, d)
		}
		for k, x := range got {
			if x.data != line(k) {
				t.Fatalf("kill %d: record %d is %q", i, k, x.data)
			}
		}
		age := killed.Sub(time.Unix(0, got[len(got)-1].ns))
		if os.Getenv("KERBLINE_WALL") != "" && age > time.Second {
			t.Errorf("kill %d: %v are missing, want at most 1 s", i, age)
		}
		worst = max(worst, age)
	}
	t.Logf("%d kills, at worst %v missing", n, worst)
}

func line(k int) string { return fmt.Sprintf("record %d of many, with some length to it", k) }

func recordForEver(path string) {
	r := Start(Options{Path: path}, time.Now().UnixNano())
	fmt.Println("recording")
	for k := 0; ; k++ {
		r.Write(time.Now().UnixNano(), fusion.ChanIMU, []byte(line(k)))
		time.Sleep(2 * time.Millisecond)
	}
}

func TestGoroutinesEnd(t *testing.T) {
	before := runtime.NumGoroutine()
	for i := range 5 {
		r := Start(Options{Path: filepath.Join(t.TempDir(), strconv.Itoa(i))}, start)
		r.Write(start, fusion.ChanTick, nil)
		r.Close(time.Minute)
		rd, err := Open(filepath.Join(r.Status().File), Topics{})
		if err != nil {
			t.Fatal(err)
		}
		for err == nil {
			_, err = rd.Next()
		}
		if !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
		rd.Close()
	}
	eventually(t, "goroutines end", func() bool { return runtime.NumGoroutine() <= before })
}
