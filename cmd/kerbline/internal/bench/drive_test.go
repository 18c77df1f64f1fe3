package bench

import (
	"bytes"
	"context"
	"encoding/hex"
	"sync"
	"testing"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
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
	_, _, err := runner.Monitor(context.Background(), d.rec, d.cfg.Config, runner.Watch{After: func(snap *fusion.Snapshot, events []fusion.Event) error {
		each(snap, events)
		return nil
	}})
	if err != nil {
		tb.Fatal(err)
	}
}

func (d *drive) tape(tb testing.TB) *tune.Decoded {
	tb.Helper()
	tp := &tune.Decoded{}
	_, err := runner.Each(context.Background(), d.rec, d.cfg.Config, nil, func(m *fusion.Measurement) error { tp.Add(m); return nil })
	if err != nil {
		tb.Fatal(err)
	}
	return tp
}
