package bench

import (
	"bytes"
	"encoding/hex"
	"io"
	"sync"
	"testing"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/fusion/course"
	"kerbline/fusion/tune"
)

// drive is a generated recording and the raw bytes of its inputs.
type drive struct {
	rec         *recording.Recording
	cfg         settings.File
	track       []byte
	sentences   []byte // without TAG blocks, of the types that go-nmea reads
	corrections []byte
	imu         []byte
}

const driveLength = 120.0 // s

var load = sync.OnceValues(func() (*drive, error) {
	sc := fixtures.Standard("nominal", 3)
	sc.Still, sc.Duration = 20, driveLength
	sc.Sentences = fixtures.Sentences{RMC: true, GST: true, VTG: true, ZDA: true, GSA: true, GSV: true}
	files, _ := sc.Files()
	d := &drive{track: files[fixtures.CourseFile], imu: files[fixtures.IMUFile]}
	var err error
	if d.rec, err = recording.FromFiles(files); err != nil {
		return nil, err
	}
	if d.cfg, err = d.rec.Settings(); err != nil {
		return nil, err
	}
	for line := range bytes.Lines(files[fixtures.NMEAFile]) {
		if at := bytes.IndexByte(line, '$'); at >= 0 && !bytes.Contains(line, []byte("GST")) {
			d.sentences = append(d.sentences, line[at:]...)
		}
	}
	for line := range bytes.Lines(files[fixtures.CorrectionsFile]) {
		_, text, _ := bytes.Cut(bytes.TrimSpace(line), []byte(","))
		if b, err := hex.AppendDecode(nil, text); err == nil {
			d.corrections = append(d.corrections, b...)
		}
	}
	return d, nil
})

func made(tb testing.TB) *drive {
	tb.Helper()
	d, err := load()
	if err != nil {
		tb.Fatal(err)
	}
	return d
}

func (d *drive) course(tb testing.TB) *course.Course {
	tb.Helper()
	c, err := course.Load(d.track)
	if err != nil {
		tb.Fatal(err)
	}
	return c
}

// replay is the way of a recording in one process: bytes, measurements, steps,
// lines. each sees every verdict.
func (d *drive) replay(tb testing.TB, each func(*fusion.Snapshot, []fusion.Event)) {
	tb.Helper()
	feed, err := d.rec.Feed(d.cfg.Config)
	if err != nil {
		tb.Fatal(err)
	}
	defer feed.Close()
	m := fusion.NewMonitor(d.cfg.Config, d.course(tb))
	for {
		batch, err := feed.Next()
		if err == io.EOF {
			return
		}
		if err != nil {
			tb.Fatal(err)
		}
		for i := range batch {
			snap, events := m.Step(&batch[i])
			if snap != nil || len(events) > 0 {
				each(snap, events)
			}
		}
	}
}

func (d *drive) tape(tb testing.TB) *tune.Tape {
	tb.Helper()
	feed, err := d.rec.Feed(d.cfg.Config)
	if err != nil {
		tb.Fatal(err)
	}
	defer feed.Close()
	tp := &tune.Tape{}
	for {
		batch, err := feed.Next()
		if err == io.EOF {
			return tp
		}
		if err != nil {
			tb.Fatal(err)
		}
		for i := range batch {
			tp.Add(&batch[i])
		}
	}
}
