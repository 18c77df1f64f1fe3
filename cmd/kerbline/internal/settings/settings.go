// Package settings reads, checks, prints and changes the one TOML file that
// holds every setting of kerbline.
//
// The keys, their units, meanings, sources and possible values are written once,
// as struct tags of [fusion.Config] and [Sources]; this package only reads them.
// Units are those of each key's unit tag. Passwords never stand in the file.
//
// Start at [Load]; [Print] writes the defaults, [File.Set] changes one key.
package settings

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"kerbline/fusion"
)

// File is the whole settings file: what the monitor needs, and where the live
// bytes come from.
type File struct {
	fusion.Config
	Alarm   Alarm   `toml:"alarm" doc:"what sounds, beside the terminal's bell, when a usable position ends live; recordings do not hold it"`
	Sources Sources `toml:"sources" doc:"where live bytes come from, as URLs; a flag of the same name wins; passwords only from the environment"`
}

// Sources holds one URL or path per input.
type Sources struct {
	GNSS         string `toml:"gnss" doc:"receiver: serial:///dev/ttyACM0?baud=460800, tcp://host:port, udp://:port, a path, - for standard input" src:"wiring"`
	Corrections  string `toml:"corrections" doc:"tap of the correction link: as above, or ntrip://user@host:port/mount, ntrips://" src:"wiring"`
	Observations string `toml:"observations" doc:"second port of the receiver, its own observations and ephemerides as RTCM 3: as gnss" src:"wiring"`
	IMU          string `toml:"imu" doc:"lines t,wx,wy,wz,fx,fy,fz" src:"wiring"`
	Wheel        string `toml:"wheel" doc:"lines t,v" src:"wiring"`
}

// Alarm says what a live run starts when usable ends.
type Alarm struct {
	Command string  `toml:"command" doc:"run by the shell, with the first reason in KERBLINE_REASON; nothing waits for it; empty for none" src:"what you have"`
	Every   float64 `toml:"every_s" unit:"s" min:"1" max:"3600" doc:"least time between two" src:"common practice"`
}

// Default returns the settings used where the file says nothing.
func Default() File { return File{Config: fusion.DefaultConfig(), Alarm: Alarm{Every: 10}} }

// Problem is one fault of a settings file.
type Problem struct {
	File string
	Line int // counted from 1, 0 when no line is to blame
	Text string
}

func (p Problem) Error() string {
	if p.Line == 0 {
		return p.File + ": " + p.Text
	}
	return fmt.Sprintf("%s:%d: %s", p.File, p.Line, p.Text)
}

// Problems are all faults found in one file, in the order of their lines.
type Problems []Problem

func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return "settings: " + strings.Join(lines, "\nsettings: ")
}

// maxFile bounds what is read as a settings file.
const maxFile = 1 << 20

// Load reads the settings file at path over the defaults. The error is of type
// [Problems] when the file could be read but not accepted.
func Load(path string) (File, error) {
	fi, err := os.Stat(path)
	if err != nil {
		return Default(), fmt.Errorf("settings: %s: %w, want a TOML file", path, cause(err))
	}
	if fi.IsDir() {
		return Default(), fmt.Errorf("settings: %s: is a folder, want a TOML file", path)
	}
	if fi.Size() > maxFile {
		return Default(), fmt.Errorf("settings: %s: %d bytes, want a TOML file of at most %d", path, fi.Size(), maxFile)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return Default(), fmt.Errorf("settings: %s: %w, want a TOML file", path, cause(err))
	}
	return Parse(path, data)
}

// cause strips the path that the message names already.
func cause(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// Parse reads a settings file held in memory over the defaults; name stands in
// messages.
func Parse(name string, data []byte) (File, error) {
	f := Default()
	if bytes.HasPrefix(data, []byte{0xff, 0xfe}) || bytes.HasPrefix(data, []byte{0xfe, 0xff}) {
		return f, fmt.Errorf("settings: %s: text in UTF-16, want UTF-8", name)
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	decodeErr := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields().Decode(&f)

	// The library stops at the first wrong type, takes arrays of any length,
	// keys in any case, and knows no ranges, so the tree is walked as well; its
	// messages come first because they name keys and units.
	found, syntaxOK := walk(name, data)
	if syntaxOK && len(found) == 0 {
		found = append(found, plausible(name, &f.Config)...)
	}
	if len(found) == 0 && decodeErr != nil {
		found = fromLibrary(name, decodeErr)
	}
	if len(found) > 0 {
		return Default(), found
	}
	return f, nil
}

// fromLibrary turns go-toml's errors into problems: its plain Error() texts
// carry no position.
func fromLibrary(name string, err error) Problems {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) {
		var ps Problems
		for i := range strict.Errors {
			row, _ := strict.Errors[i].Position()
			ps = append(ps, Problem{name, row, unknownKey(strings.Join(strict.Errors[i].Key(), "."))})
		}
		return ps
	}
	var de *toml.DecodeError
	if errors.As(err, &de) {
		row, _ := de.Position()
		return Problems{{name, row, strings.TrimPrefix(de.Error(), "toml: ")}}
	}
	return Problems{{name, 0, err.Error()}}
}
