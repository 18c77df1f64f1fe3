// Package season remembers what each recording of a folder showed, so that a whole
// season is read once and answered from at once afterwards.
//
// A [Digest] stands in a file beside its recording and holds until the recording,
// the settings given with it or the program change. [Sum] puts digests together:
// day by day, what changed, what costs most, and how far the evidence has come
// towards each rate that the day check accepts. Times are Unix s, places m along
// the lap, rates an hour of driving. Bounds are exact (package bounds).
//
// Start at [Of] and [Sum].
package season

import (
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"kerbline/fusion"
	"kerbline/fusion/day"
	"kerbline/gnss/geodesy"
)

// Suffix ends the name of a digest's file.
const Suffix = ".season.json"

// format is raised when the fields change their meaning.
const format = 1

// Digest is what is kept of one recording.
type Digest struct {
	Format int    `json:"format"`
	Key    string `json:"key"` // of recording, settings and program
	Name   string `json:"name"`

	Day     string  `json:"day"`    // civil day where it was driven
	From    float64 `json:"from_s"` // Unix s
	Hour    int     `json:"hour"`   // of the local day at its start
	Length  float64 `json:"length_s"`
	Driving float64 `json:"driving_s"`
	Settled float64 `json:"settled_s"`
	Usable  float64 `json:"settled_usable_s"`
	Fixed   float64 `json:"settled_fixed_s"`

	Steps      int     `json:"steps"`
	Handovers  int     `json:"handovers"`
	Outages    int     `json:"outages"`
	Misleading int     `json:"misleading_runs"`
	Judged     float64 `json:"judged_usable_s"`
	Answer     string  `json:"answer"`

	Losses []Loss `json:"losses"`

	Map      string         `json:"map"`
	Lap      float64        `json:"lap_m"`
	Lat      float64        `json:"lat_deg"` // middle of what was driven, 0 without
	Lon      float64        `json:"lon_deg"`
	HasBase  bool           `json:"has_base"`
	Base     geodesy.ECEF   `json:"base_ecef_m"`
	Rate     float64        `json:"receiver_hz"` // 0 unknown
	Settings *fusion.Config `json:"settings"`
}

// Loss is a time of driving that was not usable.
type Loss struct {
	At    float64 `json:"at_s"` // Unix s
	Lost  float64 `json:"lost_s"`
	Where float64 `json:"where_m"` // -1 unknown
	Cause string  `json:"cause"`
}

// Of makes the digest of a session, judged by itself.
func Of(s *day.Session, key string) *Digest {
	d := &Digest{Format: format, Key: key, Name: s.Name, Day: s.Day(), From: s.UTCStart, Hour: s.Hour(), Length: s.Length,
		Driving: s.Driving, Settled: s.Settled, Usable: s.ByV[fusion.Usable], Fixed: s.FixedS, Steps: s.NJumps + s.NDrifts,
		Handovers: s.Handovers(), Outages: s.NOut, Answer: day.Judge([]*day.Session{s}, day.Ask{}).Headline, Losses: []Loss{},
		Map: s.Map, Lap: s.Lap.Length, HasBase: s.HasBase, Base: s.BaseFirst, Settings: s.Config}
	if !math.IsNaN(s.EpochRate) {
		d.Rate = math.Round(s.EpochRate)
	}
	if math.IsNaN(d.From) {
		d.From = 0
	}
	if r := s.Score; r != nil {
		d.Misleading, d.Judged = r.MisleadingRuns, r.UsableJudged
	}
	for i := range s.Breaks {
		b := &s.Breaks[i]
		l := Loss{s.UTC(b.From), b.Lost, b.Where, b.Cause}
		if math.IsNaN(l.Where) {
			l.Where = -1
		}
		d.Losses = append(d.Losses, l)
	}
	if p, ok := s.Middle(); ok {
		d.Lat, d.Lon = p.Lat/geodesy.Degree, p.Lon/geodesy.Degree
	}
	return d
}

// Find lists the recordings below dir: files of recordings and folders that hold
// sentences, in the order of their names. Digests and what lies inside a recording
// are passed over.
func Find(dir string) (found []string, err error) {
	err = filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case e.IsDir():
			if _, err := os.Stat(filepath.Join(path, "nmea.log")); err == nil && path != dir {
				found = append(found, path)
				return fs.SkipDir
			}
		case filepath.Ext(path) == ".mcap", filepath.Ext(path) == ".db3":
			found = append(found, path)
		}
		return nil
	})
	return found, err
}

// Beside is where the digest of the recording at path stands.
func Beside(path string) string {
	if fi, err := os.Stat(path); err == nil && fi.IsDir() {
		return filepath.Clean(path) + Suffix
	}
	return strings.TrimSuffix(path, filepath.Ext(path)) + Suffix
}

// Key tells recordings apart from what they were and from what they are judged
// with: names, lengths and times of change of its files, and the words of others
// (settings, version).
func Key(path string, others ...string) (string, error) {
	h := fnv.New64a()
	add := func(p string) error {
		fi, err := os.Stat(p)
		if err != nil {
			return err
		}
		fmt.Fprintf(h, "%s %d %d\n", filepath.Base(p), fi.Size(), fi.ModTime().UnixNano())
		return nil
	}
	fi, err := os.Stat(path)
	if err != nil {
		return "", err
	}
	if !fi.IsDir() {
		if err := add(path); err != nil {
			return "", err
		}
	} else {
		list, err := os.ReadDir(path)
		if err != nil {
			return "", err
		}
		for _, e := range list {
			if !e.IsDir() {
				if err := add(filepath.Join(path, e.Name())); err != nil {
					return "", err
				}
			}
		}
	}
	for _, o := range others {
		fmt.Fprintf(h, "%q\n", o)
	}
	return fmt.Sprintf("%016x", h.Sum64()), nil
}

// Load reads the digest at file; nil where there is none, where it cannot be read
// or where it is of another key.
func Load(file, key string) *Digest {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil
	}
	var d Digest
	if json.Unmarshal(data, &d) != nil || d.Format != format || d.Key != key || d.Settings == nil {
		return nil
	}
	return &d
}

// Save writes the digest to file, whole or not at all.
func (d *Digest) Save(file string) error {
	data, err := json.MarshalIndent(d, "", " ")
	if err != nil {
		return fmt.Errorf("season: %s: %w", d.Name, err)
	}
	f, err := os.CreateTemp(filepath.Dir(file), ".season*")
	if err != nil {
		return err
	}
	_, err = f.Write(append(data, '\n'))
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), file)
	}
	if err != nil {
		os.Remove(f.Name())
	}
	return err
}

// sorted returns the digests from the oldest to the newest.
func sorted(ds []*Digest) []*Digest {
	out := slices.Clone(ds)
	slices.SortStableFunc(out, func(a, b *Digest) int {
		switch {
		case a.From < b.From:
			return -1
		case a.From > b.From:
			return 1
		}
		return strings.Compare(a.Name, b.Name)
	})
	return out
}
