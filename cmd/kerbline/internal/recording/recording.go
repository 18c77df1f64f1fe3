// Package recording opens what was recorded - a folder, plain files, files held
// in memory, an MCAP file - and yields it as one stream of records in the order
// of host time.
//
// Host times are Unix seconds. Files that carry none get them: sentences
// without TAG blocks their own UTC plus the minimum latency of the settings,
// raw RTCM 3 bytes the time of their MSM epochs plus half a second. Ticks on the grid
// of a tenth of a second let silence replay. Memory does not grow with the
// length of a recording.
//
// Start at [Open]; [Recording.Feed] decodes ahead of the monitor,
// [Recording.Stream] gives the raw records.
package recording

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/fusion/columns"
	"kerbline/fusion/course"
	"kerbline/fusion/score"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/orbit"
)

// Paths names single files, as the flags of every command do. Empty means
// absent. With an MCAP file, GNSS, Observations, Corrections and IMU may be topic:NAME.
type Paths struct {
	GNSS, Observations, Corrections, IMU, Wheel string
	Truth, Course, Config                       string
	Navigation                                  []string // ephemerides in RINEX
	Set                                         []string // settings changed for this run, key=value
}

// Names of the files in a recording's folder.
const (
	gnssFile         = "nmea.log"
	correctionsFile  = "corrections.csv"
	observationsFile = "observations.csv"
	imuFile          = "imu.csv"
	wheelFile        = "wheel.csv"
	truthFile        = "truth.csv"
	courseFile       = "track.geojson"
	configFile       = "kerbline.toml"
)

// folder lists them beside the path each takes the place of.
func (p *Paths) folder() []struct {
	name string
	path *string
} {
	return []struct {
		name string
		path *string
	}{
		{gnssFile, &p.GNSS}, {correctionsFile, &p.Corrections}, {observationsFile, &p.Observations}, {imuFile, &p.IMU}, {wheelFile, &p.Wheel},
		{truthFile, &p.Truth}, {courseFile, &p.Course}, {configFile, &p.Config},
	}
}

// Recording is an opened recording. It can be streamed any number of times.
type Recording struct {
	emptyCorrections bool

	// Notes are remarks for the user: files that were passed over, times that
	// had to be made up.
	Notes []string

	mcap                  string                     // path of an MCAP file; then there are no inputs
	topics                recorder.Topics            // in it
	inputs                [fusion.NumChannels]*input // by channel; nil when absent
	truth, course, config *input
	sets                  orbit.Store // of navigation files
	hasSets               bool
	set                   []string
	untimed               bool    // sentences carry no host time
	day                   float64 // Unix s near the first sentence, to date untimed ones
	hostMinusUTC          float64 // s, at the first sentence with a host time; 0 when untimed
	from, to              float64 // host Unix s
}

// input is one file, on disk or in memory.
type input struct {
	name string // for messages
	size int64

	attached bool // came inside a recording
	open     func() (io.ReadSeekCloser, error)

	form        form
	table       columns.Table // of lines with times
	qualities   map[int]int   // what its quality codes mean, nil for GGA's
	even        float64       // s a byte: untimed corrections without an epoch
	base        geodesy.ECEF  // m, where a RINEX file's base stands; zero where it is not known
	first, last float64       // host Unix s; NaN when no line has one
	apart       bool          // its lines' times never meet the receiver's
	begin, pace float64       // host Unix s, s/s: when its lines are taken to have come, where they are apart
	falls       bool          // its lines' times do not rise: another column is read for them
	spread      float64       // s a byte: where they are apart and do not rise
}

// Open opens the recording at arg - a folder or an MCAP file - and the files of
// p, which take the place of those in it. arg may be empty.
func Open(arg string, p Paths) (*Recording, error) {
	if arg != "" {
		fi, err := os.Stat(arg)
		if err != nil {
			return nil, fmt.Errorf("recording: %s: %w, want a folder or an MCAP file", arg, cause(err))
		}
		if !fi.IsDir() {
			return openMCAP(arg, p)
		}
		for _, f := range p.folder() {
			if *f.path != "" {
				continue
			}
			at := filepath.Join(arg, f.name)
			if _, err := os.Stat(at); err == nil {
				*f.path = at
			} else if !errors.Is(err, fs.ErrNotExist) {
				return nil, fmt.Errorf("recording: %s: %w", at, cause(err))
			}
		}
		if p.GNSS != "" && !strings.HasPrefix(p.GNSS, topicPrefix) {
			if err := findRINEX(arg, &p); err != nil {
				return nil, err
			}
		}
		if p.GNSS == "" || strings.HasPrefix(p.GNSS, topicPrefix) {
			container, err := oneContainer(arg)
			if err != nil {
				return nil, err
			}
			return openMCAP(container, p)
		}
	}
	r := &Recording{set: p.Set}
	for _, f := range r.slots(&p) {
		if f.path == "" {
			continue
		}
		in, err := fileInput(f.path)
		if err != nil {
			return nil, err
		}
		*f.in = in
	}
	if err := r.readSets(p.Navigation); err != nil {
		return nil, err
	}
	return r, r.examine()
}

// oneContainer returns the only file in a folder that holds a whole recording.
func oneContainer(dir string) (string, error) {
	var found []string
	for _, ext := range []string{".mcap", ".db3"} {
		names, err := filepath.Glob(filepath.Join(dir, "*"+ext))
		if err != nil {
			return "", fmt.Errorf("recording: %s: %w", dir, err)
		}
		found = append(found, names...)
	}
	switch len(found) {
	case 0:
		return "", fmt.Errorf("recording: %s: holds no %s, want one there or --gnss FILE", dir, gnssFile)
	case 1:
		return found[0], nil
	}
	return "", fmt.Errorf("recording: %s: holds no %s, but %d files that could be the recording, want one of them named: %s", dir, gnssFile, len(found), strings.Join(found, ", "))
}

// FromFiles opens a recording held in memory; the names are those of a folder.
func FromFiles(files map[string][]byte) (*Recording, error) {
	var p Paths
	for _, f := range p.folder() {
		if _, ok := files[f.name]; ok {
			*f.path = f.name
		}
	}
	r := &Recording{}
	for _, f := range r.slots(&p) {
		if f.path != "" {
			*f.in = memoryInput(f.path, files[f.path])
		}
	}
	return r, r.examine()
}

// slots pairs each path with its place in r.
func (r *Recording) slots(p *Paths) []struct {
	path string
	in   **input
} {
	return []struct {
		path string
		in   **input
	}{
		{p.GNSS, &r.inputs[fusion.ChanNMEA]}, {p.Corrections, &r.inputs[fusion.ChanCorrections]},
		{p.Observations, &r.inputs[fusion.ChanObservations]},
		{p.IMU, &r.inputs[fusion.ChanIMU]}, {p.Wheel, &r.inputs[fusion.ChanWheel]},
		{p.Truth, &r.truth}, {p.Course, &r.course}, {p.Config, &r.config},
	}
}

func fileInput(path string) (*input, error) {
	fi, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, fmt.Errorf("recording: %s: %w, want a file", path, cause(err))
	case fi.IsDir():
		return nil, fmt.Errorf("recording: %s: is a folder, want a file", path)
	case !fi.Mode().IsRegular():
		return nil, fmt.Errorf("recording: %s: is a pipe or device, want a file that can be read twice", path)
	}
	return &input{name: path, size: fi.Size(), open: func() (io.ReadSeekCloser, error) {
		f, err := os.Open(path)
		if err != nil {
			return nil, fmt.Errorf("recording: %s: %w", path, cause(err))
		}
		return f, nil
	}}, nil
}

type memory struct{ *bytes.Reader }

func (memory) Close() error { return nil }

func memoryInput(name string, data []byte) *input {
	return &input{name: name, size: int64(len(data)), open: func() (io.ReadSeekCloser, error) {
		return memory{bytes.NewReader(data)}, nil
	}}
}

// cause strips the path that the message names already.
func cause(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// Corrections reports whether a file of corrections was given, and whether it was
// empty.
func (r *Recording) Corrections() (given, empty bool) {
	return r.emptyCorrections || r.inputs[fusion.ChanCorrections] != nil, r.emptyCorrections
}

// Untimed reports whether the receiver's positions carry no host times: theirs
// were made from UTC, and only the settings bring other clocks to it.
func (r *Recording) Untimed() bool { return r.untimed }

// Span returns the host times of the first and last record, Unix s; NaN for
// the last where only reading the whole recording would show it.
func (r *Recording) Span() (from, to float64) { return r.from, r.to }

// Wrong is the error of settings or a map that cannot be used: the input is
// wrong, reading it did not fail.
type Wrong struct{ error }

// Unwrap returns what is wrong.
func (w Wrong) Unwrap() error { return w.error }

// Settings reads the settings that came with the recording, or returns the
// defaults.
func (r *Recording) Settings() (settings.File, error) {
	if r.config == nil {
		return settings.Default(), nil
	}
	data, err := r.config.all()
	if err != nil {
		return settings.Default(), Wrong{err}
	}
	f, err := settings.Parse(r.config.name, data)
	if err != nil {
		return f, Wrong{err}
	}
	if r.config.attached {
		f.Alarm = settings.Default().Alarm // somebody else's recording starts nothing here
	}
	return f, nil
}

// Course reads the map that came with the recording; nil without one.
func (r *Recording) Course() (*course.Course, error) {
	if r.course == nil {
		return nil, nil
	}
	data, err := r.course.all()
	if err != nil {
		return nil, Wrong{err}
	}
	c, err := course.Load(data)
	if err != nil {
		return nil, Wrong{fmt.Errorf("%s: %w", r.course.name, err)}
	}
	return c, nil
}

// Truth reads the reference trajectory; nil without one.
func (r *Recording) Truth() (*score.Truth, error) {
	if r.truth == nil {
		return nil, nil
	}
	f, err := r.truth.open()
	if err != nil {
		return nil, err
	}
	defer f.Close()
	tr, err := score.ReadTruth(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", r.truth.name, err)
	}
	return tr, nil
}

// maxWhole bounds what is read whole, bytes.
const maxWhole = 64 << 20

func (in *input) all() ([]byte, error) {
	if in.size > maxWhole {
		return nil, fmt.Errorf("recording: %s: %d bytes, want at most %d", in.name, in.size, maxWhole)
	}
	f, err := in.open()
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxWhole))
	if err != nil {
		return nil, fmt.Errorf("recording: %s: %w", in.name, cause(err))
	}
	return data, nil
}
