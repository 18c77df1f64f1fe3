package recording

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"sync/atomic"

	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/fusion/columns"
	"kerbline/gnss/nmea"
	"kerbline/gnss/rtcm"
)

const (
	headBytes = 1 << 20  // looked at for a date, or for the first time of a file
	tailBytes = 64 << 10 // looked at for the last time
	believe   = 5        // first times looked at for one to believe

	// anyDay stands in where nothing has a date, Unix s: Sunday 2020-01-05, so
	// that times of week and of day begin together, under the leap seconds in
	// force since 2017.
	anyDay = 1578182400.0
)

// examine looks at the beginning and the end of each file: what form it has,
// and which host times it spans.
func (r *Recording) examine() error {
	g := r.inputs[fusion.ChanNMEA]
	if g == nil && r.inputs[fusion.ChanCorrections] == nil {
		return fmt.Errorf("recording: nothing to read, want a recording or at least --gnss FILE")
	}
	if g != nil && g.size == 0 {
		return fmt.Errorf("recording: %s: empty, want NMEA 0183 sentences", g.name)
	}
	for ch := range r.inputs {
		in := r.inputs[ch]
		switch {
		case in == nil || in == g:
		case in.size == 0:
			r.Notes = append(r.Notes, fmt.Sprintf("%s: empty, passed over", in.name))
			r.emptyCorrections = r.emptyCorrections || fusion.Channel(ch) == fusion.ChanCorrections
			r.inputs[ch] = nil
		default:
			if err := r.examineTimed(in, fusion.Channel(ch)); err != nil {
				return err
			}
		}
	}
	r.day = anyDay
	for _, ch := range []fusion.Channel{fusion.ChanIMU, fusion.ChanWheel, fusion.ChanCorrections, fusion.ChanObservations} {
		if in := r.inputs[ch]; in != nil && !math.IsNaN(in.first) {
			r.day = in.first
			break
		}
	}
	if g != nil {
		if err := r.examineGNSS(g); err != nil {
			return err
		}
	}
	for _, ch := range []fusion.Channel{fusion.ChanCorrections, fusion.ChanObservations} {
		c := r.inputs[ch]
		switch {
		case c == nil:
		case c.form == formFrames:
			if err := r.examineFrames(c, ch); err != nil {
				return err
			}
		case c.form == formRINEX:
			c.first += r.hostMinusUTC + latencyOf(ch)
			c.last += r.hostMinusUTC + latencyOf(ch)
		}
	}
	return r.span()
}

// span finds the host times of the whole recording and gives files without
// any the first of them.
func (r *Recording) span() error {
	r.from, r.to = math.Inf(1), math.Inf(-1)
	r.meet()
	for _, in := range r.inputs {
		if in != nil && !math.IsNaN(in.first) {
			in.last = max(in.first, in.last) // clocks are set back
			r.from, r.to = min(r.from, in.arrival(in.first)), max(r.to, in.arrival(in.last))
		}
	}
	if math.IsInf(r.from, 0) {
		r.from, r.to = r.day, r.day
	}
	for _, in := range r.inputs {
		if in != nil && math.IsNaN(in.first) {
			r.Notes = append(r.Notes, fmt.Sprintf("%s: no line with a time", in.name))
			in.first, in.last = r.from, r.from
		}
	}
	return nil
}

// meet brings files whose times never meet the receiver's beside its sentences: by
// another clock they would come before them all or behind. Their lines still tell
// their own time, and what is made of that is said by whoever reads them.
func (r *Recording) meet() {
	g := r.inputs[fusion.ChanNMEA]
	if g == nil || !(g.last-g.first > 2*apartLeast) {
		return
	}
	for _, in := range r.inputs {
		if in == nil || in == g || in.form != formCSV && in.form != formHex || math.IsNaN(in.first) {
			continue
		}
		if max(in.first, in.last) < g.first-apartLeast || in.first > g.last+apartLeast {
			in.apart, in.begin, in.pace = true, g.first, 1
			if in.falls {
				in.spread = (g.last - g.first) / float64(in.size)
			}
			// A counter, or times in another unit, run at another pace.
			if have, want := in.last-in.first, g.last-g.first; have > 2*want || have < want/2 {
				in.pace = want / max(have, 1e-6)
			}
			r.Notes = append(r.Notes, fmt.Sprintf("%s: its times are %+.0f s from those of %s and never meet them: its lines are taken beside the sentences", in.name, in.first-g.first, g.name))
		}
	}
}

// arrival returns when a line with time t is taken to have come.
func (in *input) arrival(t float64) float64 {
	switch {
	case !in.apart:
		return t
	case in.spread > 0: // it does not tell
		return in.begin
	}
	return in.begin + in.pace*(t-in.first)
}

// fallRows are the lines that show whether the times of a file rise.
const fallRows = 400

// apartLeast is how far apart files are that never meet, s.
const apartLeast = 5.0

// head calls f with stretches of the first n bytes of the file, until f says
// enough; tail with the last n.
func (in *input) head(n int64, f func(b []byte) (enough bool)) error {
	return in.part(0, n, f)
}

func (in *input) tail(n int64, f func(b []byte)) error {
	return in.part(max(0, in.size-n), n, func(b []byte) bool { f(b); return false })
}

func (in *input) part(from, n int64, f func(b []byte) (enough bool)) error {
	file, err := in.open()
	if err != nil {
		return err
	}
	defer file.Close()
	if _, err := file.Seek(from, io.SeekStart); err != nil {
		return fmt.Errorf("recording: %s: %w", in.name, cause(err))
	}
	buf := make([]byte, min(n, tailBytes))
	for n > 0 {
		k, err := file.Read(buf[:min(n, int64(len(buf)))])
		if k > 0 && f(buf[:k]) || err == io.EOF {
			return nil
		}
		if err != nil {
			return fmt.Errorf("recording: %s: %w", in.name, cause(err))
		}
		n -= int64(k)
	}
	return nil
}

// believable returns the first of some times, in order, that is not far from
// their median; NaN when there is none. So one damaged digit leads nowhere.
func believable(times []float64) float64 {
	if len(times) == 0 {
		return math.NaN()
	}
	s := slices.Clone(times)
	slices.Sort(s)
	median := s[(len(s)-1)/2]
	for _, t := range times {
		if math.Abs(t-median) <= 60 {
			return t
		}
	}
	return median
}

// examineTimed looks at a file whose lines begin with their host time, or finds
// that corrections or observations are raw bytes.
func (r *Recording) examineTimed(in *input, ch fusion.Channel) error {
	in.form = formCSV
	if err := r.tableOf(in, ch); err != nil {
		return err
	}
	if ch == fusion.ChanCorrections || ch == fusion.ChanObservations {
		in.form = formHex
		var start []byte
		if err := in.head(512, func(b []byte) bool { start = bytes.Clone(b); return true }); err != nil {
			return err
		}
		switch kind := rinexType(start); {
		case kind == 'O':
			return r.examineRINEX(in, ch)
		case kind == 'C':
			return fmt.Errorf("recording: %s: a compact (Hatanaka) RINEX file, want it unpacked", in.name)
		case kind == 'N':
			return fmt.Errorf("recording: %s: ephemerides in RINEX, want observations there, and this file as --navigation", in.name)
		case bytes.HasPrefix(start, []byte{0x1f, 0x8b}):
			return fmt.Errorf("recording: %s: compressed, want it unpacked", in.name)
		case !isText(start):
			in.form = formFrames
			in.first, in.last = math.NaN(), math.NaN()
			return nil
		}
	}
	var first, last []float64
	falls, rows, before := 0, 0, math.NaN()
	err := in.timesOf(0, headBytes, func(t float64) bool {
		if len(first) < believe {
			first = append(first, t)
		}
		if rows++; t < before {
			falls++
		}
		before = t
		return rows == fallRows
	})
	if err != nil {
		return err
	}
	in.falls = rows == fallRows && falls > fallRows/10
	err = in.timesOf(max(0, in.size-tailBytes), tailBytes, func(t float64) bool {
		if last = append(last, t); len(last) > believe {
			last = last[1:]
		}
		return false
	})
	slices.Reverse(last)
	in.first, in.last = believable(first), believable(last)
	return err
}

// tableOf sets the columns of a file as the settings have them.
func (r *Recording) tableOf(in *input, ch fusion.Channel) (err error) {
	file := r.settings()
	switch ch {
	case fusion.ChanIMU:
		in.table, err = file.Columns.IMUTable()
	case fusion.ChanWheel:
		in.table, err = file.Columns.WheelTable()
	default:
		in.table = columns.LinkTable()
	}
	return err
}

func isText(b []byte) bool {
	for _, c := range b {
		if (c < ' ' || c > '~') && c != '\r' && c != '\n' && c != '\t' {
			return bytes.HasPrefix(b, []byte("\ufeff")) && isText(b[3:])
		}
	}
	return true
}

// timesOf calls f with the time of each line in n bytes of the file.
func (in *input) timesOf(from, n int64, f func(t float64) (enough bool)) error {
	file, err := in.open()
	if err != nil {
		return err
	}
	defer file.Close()
	if _, err := file.Seek(from, io.SeekStart); err != nil {
		return fmt.Errorf("recording: %s: %w", in.name, cause(err))
	}
	l := newLineReader(io.LimitReader(file, n), new(atomic.Int64))
	for l.next() {
		if t := tableTime(&in.table, l.piece()); !math.IsNaN(t) && f(t) {
			break
		}
	}
	if l.err != nil {
		return fmt.Errorf("recording: %s: %w", in.name, cause(l.err))
	}
	return nil
}

// examineGNSS finds whether sentences carry host times, the date, and that
// there is a GGA at all.
func (r *Recording) examineGNSS(in *input) error {
	p := nmea.NewParser()
	var fr nmea.Framer
	var hosts, utcs []float64   // first ones
	hostUTC, tied := 0.0, false // host - UTC of the first sentence with both, best one with a date
	gga, dated, read := false, false, int64(0)
	var sums checksums
	near := r.day
	err := in.head(in.size, func(b []byte) bool {
		fr.Push(0, b, func(l nmea.Line) {
			if l.Tagged && len(hosts) < believe {
				hosts = append(hosts, l.T)
			}
			if l.Tagged && !dated {
				near = l.T
			}
			s := sentence(p, l)
			if sums.take(s != nil, p, l); s == nil {
				return
			}
			gga = gga || s.Type == nmea.GGA
			if math.IsNaN(s.Time) {
				return
			}
			if s.Date >= 0 && !dated {
				dated = true
				near = float64(s.Date)*day + s.Time
				for i, u := range utcs { // those before the first date
					utcs[i] = near + math.Remainder(u-near, day)
				}
			}
			utc := near + math.Remainder(s.Time-near, day)
			if len(utcs) < believe {
				utcs = append(utcs, utc)
			}
			if l.Tagged && !tied {
				hostUTC, tied = l.T-utc, dated
			}
		})
		read += int64(len(b))
		return gga && (dated || read >= headBytes)
	})
	if err != nil {
		return err
	}
	if !gga {
		if err := sums.wrong(in.name); err != nil {
			return err
		}
		return r.examineFixes(in)
	}
	r.untimed = len(hosts) == 0
	in.form, in.first = formSentences, believable(hosts)
	if r.untimed {
		in.form, in.first = formUntimed, believable(utcs)
		if !math.IsNaN(in.first) {
			r.day = in.first
		}
		if !dated {
			r.Notes = append(r.Notes, fmt.Sprintf("%s: no date (RMC, ZDA) near its beginning", in.name))
		}
	} else {
		r.hostMinusUTC = hostUTC
	}

	// The last time, by the same rule: farther back where the end has none.
	in.last, near = in.first, r.day
	found := false
	for n := int64(tailBytes); !found && n <= 16*headBytes; n *= 16 {
		fr = nmea.Framer{}
		err := in.tail(n, func(b []byte) {
			fr.Push(0, b, func(l nmea.Line) {
				if !r.untimed {
					if l.Tagged {
						in.last, found = l.T, true
					}
				} else if s := sentence(p, l); s != nil {
					if utc, ok := sentenceUTC(s, near); ok {
						in.last, near, found = utc, utc, true
					}
				}
			})
		})
		if err != nil || n >= in.size {
			return err
		}
	}
	return nil
}

// checksums counts the sentences of a file and those whose checksum is wrong or
// missing.
type checksums struct {
	n, bad int
	first  string // what is wrong with the first
	gga    string // why the first GGA could not be read
}

func (c *checksums) take(good bool, p *nmea.Parser, l nmea.Line) {
	if c.n++; good {
		return
	}
	err := l.Err
	if err == nil {
		_, err = p.Parse(l.Text)
	}
	if c.gga == "" && err != nil && bytes.Contains(l.Text, []byte("GGA,")) {
		c.gga = err.Error()
	}
	if ne := (*nmea.Error)(nil); errors.As(err, &ne) && (ne.Reason == nmea.BadChecksum || ne.Reason == nmea.NoChecksum) {
		if c.bad++; c.bad == 1 {
			c.first = err.Error()
		}
	}
}

// wrong returns what to say where most are.
func (c *checksums) wrong(name string) error {
	switch {
	case 2*c.bad <= c.n && c.gga != "":
		return fmt.Errorf("recording: %s: no GGA sentence can be read (first: %s)", name, c.gga)
	case 2*c.bad <= c.n:
		return nil
	}
	return fmt.Errorf("recording: %s: the checksums of %d of %d sentences are wrong or missing (first: %s): let what wrote them leave the bytes as they came, or write *hh anew", name, c.bad, c.n, c.first)
}

// examineFixes finds whether a file without sentences is a table of positions.
func (r *Recording) examineFixes(in *input) (err error) {
	file := r.settings()
	if in.table, err = file.Columns.FixTable(); err != nil {
		return err
	}
	if in.qualities, err = file.Columns.Qualities(); err != nil {
		return err
	}
	var first float64
	err = in.timesOf(0, headBytes, func(t float64) bool { first = t; return true })
	if err != nil {
		return err
	}
	if !in.table.Known() || first == 0 {
		return fmt.Errorf("recording: %s: no GGA sentence in %d bytes, and no line of names with time, lat and lon; want NMEA 0183 with GGA, or a table of positions (columns.fix tells what its columns hold)", in.name, in.size)
	}
	in.form, in.first, in.last = formFixes, first, first
	r.untimed, r.day = true, first
	r.Notes = append(r.Notes, fmt.Sprintf("%s: a table of positions, read as %s; times are taken for UTC", in.name, strings.Join(strings.Fields(in.table.String()), " ")))
	return in.timesOf(max(0, in.size-tailBytes), tailBytes, func(t float64) bool { in.last = t; return false })
}

// settings returns the settings of the recording with those changed for this
// run. Settings that cannot be read are reported where they are read.
func (r *Recording) settings() settings.File {
	file, _ := r.Settings() // the defaults with an error
	for _, kv := range r.set {
		_ = file.Set(kv)
	}
	return file
}

// examineFrames finds the first MSM epoch of untimed corrections; without one
// the bytes are spread evenly.
func (r *Recording) examineFrames(in *input, ch fusion.Channel) error {
	near := r.day
	g := r.inputs[fusion.ChanNMEA]
	if g != nil {
		near = g.first - r.hostMinusUTC
	}
	offset := r.hostMinusUTC + latencyOf(ch)
	scan := func(from, n int64, first bool) (t float64, err error) {
		t = math.NaN()
		var sc rtcm.Scanner
		var clock rtcm.EpochClock
		err = in.part(from, n, func(b []byte) bool {
			sc.Push(b, func(m *rtcm.Message) {
				if utc := clock.Epoch(m, near); !math.IsNaN(utc) && !(first && !math.IsNaN(t)) {
					t, near = utc+offset, utc
				}
			}, nil)
			return first && !math.IsNaN(t)
		})
		return t, err
	}
	var err error
	if in.first, err = scan(0, headBytes, true); err != nil {
		return err
	}
	if math.IsNaN(in.first) {
		if g == nil || !(g.last > g.first) {
			r.Notes = append(r.Notes, fmt.Sprintf("%s: no observation message has a time", in.name))
			return nil
		}
		r.Notes = append(r.Notes, fmt.Sprintf("%s: no observation message has a time, bytes spread evenly", in.name))
		in.even = (g.last - g.first) / float64(in.size)
		in.first, in.last = g.first, g.last
		return nil
	}
	if g == nil && r.day == anyDay {
		r.Notes = append(r.Notes, fmt.Sprintf("%s: no message has the week, dates are made up", in.name))
	}
	in.last, err = scan(max(0, in.size-tailBytes), tailBytes, false)
	if math.IsNaN(in.last) {
		in.last = in.first
	}
	return err
}
