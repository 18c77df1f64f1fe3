package engine

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"time"

	"kerbline/fusion"
)

const (
	keepEvery   = time.Minute // between two writings of what was learned of the lap
	largeMemory = 4 << 20     // bytes: no lap is remembered in as much
)

// recallLap gives the monitor what other sessions learned of the lap, as a word in
// the stream of records, so that a replay knows it too.
func (e *Engine) recallLap() {
	file := e.o.Config.Memory.File
	if file == "" {
		return
	}
	data, err := os.ReadFile(file)
	switch {
	case errors.Is(err, fs.ErrNotExist): // the first session
	case err != nil:
		e.Note("memory of the lap: " + err.Error())
	case len(data) > largeMemory:
		e.Note("memory of the lap: " + file + " is too large")
	default:
		e.Note(fusion.MemoryNote(string(bytes.TrimSpace(data)))) // before anything that a source sends
	}
}

// keepLap writes what is known of the lap, beside the loop; where the disk has not
// taken it from the last time, not now.
func (e *Engine) keepLap() {
	file := e.o.Config.Memory.File
	if file == "" {
		return
	}
	text, ok := e.mon.Remember()
	if !ok || !e.keeping.TryLock() {
		return
	}
	go func() {
		defer e.keeping.Unlock()
		if err := writeWhole(file, []byte(text+"\n")); err != nil {
			e.Note("memory of the lap: " + err.Error())
		}
	}()
}

// keptLap waits until the disk has the last of it, not for ever.
func (e *Engine) keptLap() {
	for range 100 {
		if e.keeping.TryLock() {
			e.keeping.Unlock()
			return
		}
		time.Sleep(closeLimit / 100)
	}
}

// writeWhole puts data in the place of file: what stands there is the old or the new,
// also after a power cut.
func writeWhole(file string, data []byte) error {
	tmp := file + ".new"
	f, err := os.Create(tmp)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(tmp, file)
	}
	return err
}
