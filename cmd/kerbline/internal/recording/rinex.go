package recording

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"

	"kerbline/fusion"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/rinex"
	"kerbline/gnss/rtcm"
	"kerbline/gnss/satellite"
)

// Observations in RINEX are handed on as the RTCM 3 messages that a receiver would
// have sent: there is one path, and what is recorded of a replay is an open stream.

const (
	// portLatency is what the rover's own observations take from their epoch to the
	// computer, s, where nothing was recorded of it. Common practice, no source.
	portLatency = 0.1
	baseEvery   = 10.0 // s between the coordinates of a base from a RINEX file
	setsLook    = 30.0 // s between looks for the set that serves a satellite
	setsOld     = 900.0
	// setsAtStart is how many sets of a satellite are worth sending at once: what
	// the monitor keeps of it.
	setsAtStart = 3
)

// rinexHead is how much of a file shows that it is RINEX, bytes.
const rinexHead = 80

// rinexType returns the type of a RINEX file by its first bytes: 'O' of
// observations, 'N' of ephemerides, 'C' of a compact file, 0 for no RINEX.
func rinexType(head []byte) byte {
	line, _, _ := bytes.Cut(bytes.TrimPrefix(head, []byte("\ufeff")), []byte("\n"))
	if len(line) < 60 {
		return 0
	}
	switch label := string(bytes.TrimSpace(line[60:])); {
	case strings.HasPrefix(label, "CRINEX"):
		return 'C'
	case !strings.HasPrefix(label, "RINEX VERSION"):
		return 0
	case line[20] == 'O':
		return 'O'
	}
	return 'N'
}

// findRINEX names the RINEX files of a folder that hold what nothing else in it does:
// the rover's observations, those of a base (a name that begins with "base" or
// "corrections"), and ephemerides.
func findRINEX(dir string, p *Paths) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("recording: %s: %w", dir, cause(err))
	}
	var rover, base, sets []string
	for _, e := range entries {
		if !e.Type().IsRegular() {
			continue
		}
		path := filepath.Join(dir, e.Name())
		kind, err := kindOf(path)
		name := strings.ToLower(e.Name())
		switch {
		case err != nil:
			return err
		case kind == 0:
		case kind == 'N':
			sets = append(sets, path)
		case strings.HasPrefix(name, "base") || strings.HasPrefix(name, "corrections"):
			base = append(base, path)
		default:
			rover = append(rover, path)
		}
	}
	for _, f := range []struct {
		path  *string
		found []string
		what  string
		flag  string
	}{{&p.Observations, rover, "the rover's observations", "--observations"}, {&p.Corrections, base, "the base's observations", "--corrections"}} {
		if *f.path != "" || len(f.found) == 0 {
			continue
		}
		if len(f.found) > 1 {
			return fmt.Errorf("recording: %s: holds %d RINEX files that could be %s (%s, %s), want %s FILE; a base's name begins with base", dir, len(f.found), f.what, filepath.Base(f.found[0]), filepath.Base(f.found[1]), f.flag)
		}
		*f.path = f.found[0]
	}
	if len(p.Navigation) == 0 {
		p.Navigation = sets
	}
	return nil
}

func kindOf(path string) (byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, fmt.Errorf("recording: %s: %w", path, cause(err))
	}
	defer f.Close()
	var head [rinexHead]byte
	n, _ := io.ReadFull(f, head[:])
	return rinexType(head[:n]), nil
}

// examineRINEX reads a file of observations to its end: which UTC it spans, and what
// it holds that cannot be used.
func (r *Recording) examineRINEX(in *input, ch fusion.Channel) error {
	in.form = formRINEX
	file, err := in.open()
	if err != nil {
		return err
	}
	defer file.Close()
	o, err := rinex.NewObservations(file)
	if err != nil {
		return fmt.Errorf("recording: %s: %w", in.name, err)
	}
	in.first, in.last = math.NaN(), math.NaN()
	epochs := 0
	for {
		e, err := o.Next()
		if err != nil {
			return fmt.Errorf("recording: %s: %w", in.name, err)
		}
		if e == nil {
			break
		}
		in.last = e.Time.UTC()
		if epochs++; epochs == 1 {
			in.first = in.last
		}
	}
	whose := "the rover's"
	if ch == fusion.ChanCorrections {
		whose = "the base's"
	}
	note := fmt.Sprintf("%s: RINEX %.2f, %d epochs, read as %s observations", in.name, o.Version, epochs, whose)
	if o.Refused.Records > 0 {
		note += fmt.Sprintf("; %d records refused, the first: %v", o.Refused.Records, o.Refused.First)
	}
	r.Notes = append(r.Notes, note)
	if ch == fusion.ChanCorrections {
		if in.base = r.baseOf(&o.ObservationHeader); in.base == (geodesy.ECEF{}) {
			r.Notes = append(r.Notes, fmt.Sprintf("%s: no APPROX POSITION XYZ: where the base stands is not known, want base.ecef_m", in.name))
		} else if r.settings().Base.ECEF == [3]float64{} {
			r.Notes = append(r.Notes, fmt.Sprintf("%s: base coordinates from APPROX POSITION XYZ, which may be metres off, want base.ecef_m for the surveyed ones", in.name))
		}
	}
	return nil
}

// baseOf is where the base of a file stands: as surveyed by the settings, else as its
// head says.
func (r *Recording) baseOf(h *rinex.ObservationHeader) geodesy.ECEF {
	if b := r.settings().Base.ECEF; b != [3]float64{} {
		return geodesy.ECEF{X: b[0], Y: b[1], Z: b[2]}
	}
	if h.Approx == (geodesy.ECEF{}) {
		return h.Approx
	}
	f := geodesy.NewFrame(h.Approx.LLA())
	return f.ToECEF(h.Antenna)
}

// rinexFile holds observations; each epoch becomes one record of whole frames.
type rinexFile struct {
	obs    *rinex.Observations
	epoch  *observation.Epoch
	enc    rtcm.EpochEncoder
	base   geodesy.ECEF // to be broadcast, zero for none
	told   gnsstime.Time
	offset float64 // s, host time - UTC
	out    []byte
	err    error
}

func (f *rinexFile) next() bool {
	f.epoch, f.err = f.obs.Next()
	return f.epoch != nil
}

func (f *rinexFile) time() (float64, *refusal) {
	f.out = f.out[:0]
	if f.base != (geodesy.ECEF{}) && !(f.epoch.Time.Sub(f.told) < baseEvery) {
		f.out = append(f.out, rtcm.EncodeBase(1006, f.enc.Station, f.base, 0)...)
		f.told = f.epoch.Time
	}
	f.out = f.enc.Append(f.out, f.epoch)
	return f.peekTime(), nil
}

// peekTime confirms every step: a date that was read is no damaged digit.
func (f *rinexFile) peekTime() float64 { return f.epoch.Time.UTC() + f.offset }
func (f *rinexFile) failure() error    { return f.err }

func (f *rinexFile) data() []byte {
	if len(f.out) == 0 {
		return nil
	}
	return f.out
}

// countedReader counts what is read.
type countedReader struct {
	io.Reader
	count func(n int64)
}

func (c countedReader) Read(b []byte) (int, error) {
	n, err := c.Reader.Read(b)
	c.count(int64(n))
	return n, err
}

// rinexSource opens a file of observations for the stream.
func (r *Recording) rinexSource(in *input, ch fusion.Channel, file io.Reader, count func(int64)) (*rinexFile, error) {
	o, err := rinex.NewObservations(countedReader{file, count})
	if err != nil {
		return nil, fmt.Errorf("recording: %s: %w", in.name, err)
	}
	f := &rinexFile{obs: o, offset: r.hostMinusUTC + latencyOf(ch)}
	if ch == fusion.ChanCorrections {
		f.base, f.enc.Station = in.base, max(0, r.settings().Base.Station)
	}
	return f, nil
}

func latencyOf(ch fusion.Channel) float64 {
	if ch == fusion.ChanObservations {
		return portLatency
	}
	return linkLatency
}

// setsFile holds ephemerides from navigation files, each due when it is the one that
// serves its satellite best.
type setsFile struct {
	due []dueSet
	at  int
}

type dueSet struct {
	t     float64 // host Unix s
	frame []byte
}

func (f *setsFile) next() bool                { f.at++; return f.at < len(f.due) }
func (f *setsFile) time() (float64, *refusal) { return f.due[f.at].t, nil }
func (f *setsFile) peekTime() float64         { return f.due[f.at].t }
func (f *setsFile) data() []byte              { return f.due[f.at].frame }
func (f *setsFile) failure() error            { return nil }

// readSets reads the navigation files.
func (r *Recording) readSets(paths []string) error {
	for _, path := range paths {
		in, err := fileInput(path)
		if err != nil {
			return err
		}
		file, err := in.open()
		if err != nil {
			return err
		}
		n, err := rinex.ReadNavigation(file, func(e *orbit.Ephemeris) { r.sets.Add(e) })
		file.Close()
		if err != nil {
			return fmt.Errorf("recording: %s: %w", path, err)
		}
		note := fmt.Sprintf("%s: RINEX %.2f, %d ephemerides", path, n.Version, n.Sets)
		if n.Refused.Records > 0 {
			note += fmt.Sprintf("; %d refused, the first: %v", n.Refused.Records, n.Refused.First)
		}
		r.Notes = append(r.Notes, note)
		r.hasSets = r.hasSets || n.Sets > 0
	}
	return nil
}

// setsFor lists when which set is due on a channel. Between the pieces of a stream that
// others cut there is no room for a message: there all come at its beginning.
func (r *Recording) setsFor(in *input) *setsFile {
	f := &setsFile{at: -1}
	from, to := r.from, r.to
	if math.IsNaN(to) || to < from {
		to = from
	}
	var sent [satellite.NumIndices]*orbit.Ephemeris
	var count [satellite.NumIndices]int
	for host := from; host <= to; host += setsLook {
		t := gnsstime.AtUTC(host - r.hostMinusUTC)
		for i := range satellite.NumIndices {
			id := satellite.ID{System: satellite.System(i / satellite.MaxNumber), Number: uint8(i%satellite.MaxNumber + 1)}
			e := r.sets.Find(id, t)
			was := sent[i]
			if e == nil || e == was || was != nil && was.Serves(t) && math.Abs(t.Sub(was.Toe)) < setsOld {
				continue
			}
			due := host
			if in.form != formRINEX {
				if due = from; count[i] == setsAtStart {
					continue
				}
			}
			frame, err := rtcm.EncodeSet(e)
			if err != nil {
				continue
			}
			sent[i] = e
			count[i]++
			f.due = append(f.due, dueSet{due, frame})
		}
	}
	return f
}

// setsChannel is where ephemerides from files come in: with the rover's observations,
// else with the corrections.
func (r *Recording) setsChannel() fusion.Channel {
	if r.inputs[fusion.ChanObservations] != nil {
		return fusion.ChanObservations
	}
	return fusion.ChanCorrections
}

func (r *Recording) setsSource(in *input, ch fusion.Channel) *source {
	s := &source{ch: ch, in: in, lines: r.setsFor(in)}
	s.rec.Channel = ch
	s.start(r.from)
	return s
}
