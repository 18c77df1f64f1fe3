package main

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/nmea"
	"kerbline/gnss/rtcm"
)

func newConvert() *cobra.Command {
	var (
		in      inputs
		tables  bool
		list    bool
		results bool
	)
	cmd := &cobra.Command{
		Use:   "convert [RECORDING] OUT",
		Short: "Turn a recording into MCAP, a plain folder, or tables for a notebook",
		Long: `Turn a recording into another form:
  OUT.mcap       one file with everything; it replays exactly as the original
  OUT/           a folder of plain files; times of sentences are cut to milliseconds
  --results OUT.mcap
                 the same file with what the monitor says beside it, for programs that
                 show any MCAP file: /kerbline/fix (NavSatFix), /kerbline/diagnostics
                 (DiagnosticArray), /kerbline/verdict (JSON); a replay passes it over
  --tables OUT/  CSV tables with units in the column names: epochs, frames, imu,
                 wheel, notes, verdicts, events

RECORDING is what kerbline replay takes. With --list, say what an MCAP file or a bag
holds and which of it would be used, and write nothing.`,
		Example: `  kerbline convert morning/ morning.mcap
  kerbline convert run.mcap run-plain/
  kerbline convert --tables run.mcap run-tables/
  kerbline convert --list robot.mcap`,
		Args: wrong(cobra.RangeArgs(1, 2)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if list {
				return listTopics(cmd.OutOrStdout(), args[0])
			}
			from, out := args[:len(args)-1], args[len(args)-1]
			if len(from) == 0 && in.paths.GNSS == "" {
				return usage(errors.New("one name only, want RECORDING and OUT"))
			}
			if _, err := os.Lstat(out); err == nil {
				return usage(fmt.Errorf("%s exists, want a new name: nothing is written over", out))
			}
			rec, cfg, err := in.open(from)
			if err != nil {
				return err
			}
			c := &conversion{rec: rec, cfg: &cfg, progress: newProgress(cmd.ErrOrStderr(), "converting")}
			if err := c.extras(); err != nil {
				return err
			}
			switch {
			case results && (tables || !strings.HasSuffix(out, ".mcap")):
				return usage(errors.New("--results goes into OUT.mcap, want a name that ends in .mcap and no --tables"))
			case results:
				err = c.results(out)
			case tables:
				err = c.tables(out)
			case strings.HasSuffix(out, ".mcap"):
				err = c.mcap(out)
			default:
				err = c.folder(out)
			}
			c.progress.end()
			for _, n := range c.notes {
				fmt.Fprintf(cmd.ErrOrStderr(), "%-14s %s\n", "note", n)
			}
			if err == nil {
				tellWritten(cmd.ErrOrStderr(), out)
			}
			return err
		},
	}
	in.flags(cmd)
	cmd.Flags().BoolVar(&tables, "tables", false, "write CSV tables")
	cmd.Flags().BoolVar(&results, "results", false, "write what the monitor says into OUT.mcap too")
	cmd.Flags().BoolVar(&list, "list", false, "list the topics of an MCAP file or a bag")
	return cmd
}

func listTopics(w io.Writer, path string) error {
	topics, err := recorder.ListTopics(path)
	if err != nil {
		return err
	}
	for _, t := range topics {
		becomes := t.Becomes()
		if becomes == "" {
			becomes = "not used, but for bytes of corrections or observations: --corrections or --observations topic:" + t.Name
		}
		fmt.Fprintf(w, "%8d  %-30s %-45s %s\n", t.Count, t.Name, strings.TrimSpace(t.Schema+" "+t.Encoding), becomes)
	}
	return nil
}

// conversion carries one recording over into another form.
type conversion struct {
	rec   *recording.Recording
	cfg   *settings.File
	files map[string][]byte // settings, map and truth, by the names of a folder
	notes []string

	progress *progress
}

// extras gathers the small files that go with a recording, the settings as they
// are in force.
func (c *conversion) extras() error {
	came, err := c.rec.Attached()
	if err != nil {
		return err
	}
	c.files = map[string][]byte{}
	for _, a := range came {
		c.files[a.Name] = a.Data
	}
	var text bytes.Buffer
	of := *c.cfg
	of.Alarm = settings.Default().Alarm // a recording that is passed on starts nothing
	if err := settings.Print(&text, &of); err != nil {
		return err
	}
	c.files[recorder.SettingsName] = text.Bytes()
	return nil
}

// records calls f for every record.
func (c *conversion) records(f func(fusion.Record) error) error {
	notes, err := runner.Records(c.rec, c.cfg.GNSS.Latency, c.progress.at, f)
	c.notes = append(c.notes, notes...)
	return err
}

func (c *conversion) create(out string) (*recorder.File, error) {
	head := recorder.Head{}
	for _, name := range []string{recorder.SettingsName, recorder.CourseName, recorder.TruthName} {
		if b := c.files[name]; b != nil {
			head.Attachments = append(head.Attachments, recorder.Attached(name, b))
		}
	}
	return recorder.Create(out, head)
}

func (c *conversion) mcap(out string) error {
	f, err := c.create(out)
	if err != nil {
		return err
	}
	err = c.records(func(r fusion.Record) error { return f.Write(recorder.Nanos(r.T), r.Channel, r.Data) })
	return errors.Join(err, f.Close())
}

// results writes the same file with what the monitor says of it.
func (c *conversion) results(out string) error {
	crs, err := c.rec.Course()
	if err != nil {
		return err
	}
	f, err := c.create(out)
	if err != nil {
		return err
	}
	said, err := f.AddResults(lines.VerdictFields())
	if err != nil {
		return errors.Join(err, f.Close())
	}
	mon, dec := fusion.NewMonitor(c.cfg.Config, crs), fusion.NewDecoder(c.cfg.Config)
	step := func(m *fusion.Measurement) {
		if s, _ := mon.Step(m); s != nil && err == nil {
			fix, status := resultOf(s)
			err = said.Write(recorder.Nanos(s.T), &fix, &status, lines.AppendVerdict(nil, s))
		}
	}
	last := 0.0
	failed := c.records(func(r fusion.Record) error {
		last = r.T
		if err == nil {
			err = f.Write(recorder.Nanos(r.T), r.Channel, r.Data)
		}
		dec.Decode(r, step)
		return err
	})
	dec.Close(last, step)
	return errors.Join(cmp.Or(failed, err), f.Close())
}

// unjudged is the sigma of a height in messages, m: no verdict rests on it, and none
// is claimed.
const unjudged = 1000.0

// resultOf is a verdict in the words of the middleware.
func resultOf(s *fusion.Snapshot) (recorder.Fix, recorder.Judgement) {
	fix := recorder.Fix{Lat: math.NaN(), Lon: math.NaN(), H: math.NaN()}
	if s.HasPos {
		fix.Lat, fix.Lon, fix.H = s.Pos.Lat/geodesy.Degree, s.Pos.Lon/geodesy.Degree, s.Pos.H
		// Lateral and along, turned east and north.
		sin, cos := math.Sincos(s.Yaw)
		a, b := s.SigmaLon*s.SigmaLon, s.SigmaLat*s.SigmaLat
		ee, nn, en := a*cos*cos+b*sin*sin, a*sin*sin+b*cos*cos, (a-b)*sin*cos
		fix.Cov = [9]float64{ee, en, 0, en, nn, 0, 0, 0, unjudged * unjudged}
	}
	fix.Corrected = s.Epoch.Quality == gnss.QualityFixed || s.Epoch.Quality == gnss.QualityFloat
	st := recorder.Judgement{Level: map[fusion.Verdict]byte{fusion.Usable: 0, fusion.Coasting: 1}[s.Verdict], Message: s.Verdict.String() + ", advice " + s.Advice.String()}
	if s.Verdict != fusion.Usable && s.Verdict != fusion.Coasting {
		st.Level = 2
	}
	number := func(name string, x float64) {
		if !math.IsNaN(x) {
			st.Values = append(st.Values, [2]string{name, strconv.FormatFloat(x, 'f', 3, 64)})
		}
	}
	for i := range s.Reasons[:s.NReasons] {
		st.Values = append(st.Values, [2]string{"reason", s.Reasons[i].Code})
	}
	number("speed_cap_mps", s.SpeedCap)
	number("coast_s", s.Coast)
	number("pl_lat_m", s.PLLat.Total)
	number("al_lat_m", s.ALLat)
	number("pl_lon_m", s.PLLon.Total)
	number("al_lon_m", s.ALLon)
	st.Values = append(st.Values, [2]string{"link", s.Link.Condition.String()})
	return fix, st
}

// table is a CSV file.
type table struct {
	f   *os.File
	w   *bufio.Writer
	csv *csv.Writer // over w
	err error
}

func newTable(dir, name, header string) *table {
	t := &table{}
	t.f, t.err = os.OpenFile(filepath.Join(dir, name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	t.w = bufio.NewWriterSize(t.f, 1<<16)
	t.csv = csv.NewWriter(t.w)
	if header != "" {
		t.write([]byte(header + "\n"))
	}
	return t
}

// write writes bytes as they are.
func (t *table) write(b []byte) { t.w.Write(b) } // close returns what failed

// row writes cells; NaN, -1 and nil are empty.
func (t *table) row(cells ...any) {
	row := make([]string, len(cells))
	for i, c := range cells {
		switch v := c.(type) {
		case float64:
			if v == v {
				row[i] = strconv.FormatFloat(v, 'f', -1, 64)
			}
		case int:
			if v != -1 {
				row[i] = strconv.Itoa(v)
			}
		case nil:
		default:
			row[i] = fmt.Sprint(v)
		}
	}
	t.csv.Write(row) // close returns what failed
}

func (t *table) close() error {
	if t.err != nil {
		return t.err
	}
	t.csv.Flush()
	return errors.Join(t.w.Flush(), t.f.Close())
}

// folder writes the plain files.
func (c *conversion) folder(out string) error {
	if err := os.MkdirAll(out, 0o700); err != nil {
		return err
	}
	for name, b := range c.files {
		if err := os.WriteFile(filepath.Join(out, name), b, 0o600); err != nil {
			return err
		}
	}
	var made []*table
	byCh := map[fusion.Channel]*table{}
	get := func(ch fusion.Channel, name, header string) *table {
		if byCh[ch] == nil {
			byCh[ch] = newTable(out, name, header)
			made = append(made, byCh[ch])
		}
		return byCh[ch]
	}
	var framer nmea.Framer
	sentence := func(l nmea.Line) {
		if l.Err == nil {
			get(fusion.ChanNMEA, "nmea.log", "").write(tagged(l.T, l.Text))
		}
	}
	lines := func(ch fusion.Channel, name, header string, data []byte) {
		t := byCh[ch]
		if t == nil {
			if b := bytes.TrimLeft(data, "\ufeff \r\n"); len(b) > 0 && b[0] == header[0] {
				header = "" // the device sends its own
			}
			t = get(ch, name, header)
		}
		t.write(data)
	}
	var last float64
	err := c.records(func(r fusion.Record) error {
		last = r.T
		switch r.Channel {
		case fusion.ChanNMEA:
			framer.Push(r.T, r.Data, sentence)
		case fusion.ChanCorrections:
			get(r.Channel, "corrections.csv", "t,hex").row(r.T, hex.EncodeToString(r.Data))
		case fusion.ChanObservations:
			get(r.Channel, "observations.csv", "t,hex").row(r.T, hex.EncodeToString(r.Data))
		case fusion.ChanIMU:
			lines(r.Channel, "imu.csv", "t,wx,wy,wz,fx,fy,fz", r.Data)
		case fusion.ChanWheel:
			lines(r.Channel, "wheel.csv", "t,v", r.Data)
		case fusion.ChanNote:
			get(r.Channel, "notes.csv", "t,text").row(r.T, string(r.Data))
		}
		return nil
	})
	framer.Flush(last, sentence)
	if n := framer.Outside(); n > 0 {
		c.notes = append(c.notes, fmt.Sprintf("%d bytes of the receiver were no sentences and are not in nmea.log", n))
	}
	for _, t := range made {
		err = errors.Join(err, t.close())
	}
	return err
}

// tagged puts the host time in front of a sentence, as NMEA 0183 version 4 has
// it: a TAG block with the time in ms.
func tagged(t float64, sentence []byte) []byte {
	return append(append(nmea.AppendTag(nil, int64(t*1000+0.5), nil), sentence...), "\r\n"...)
}

// tables writes what was decoded and judged.
func (c *conversion) tables(out string) error {
	crs, err := c.rec.Course()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(out, 0o700); err != nil {
		return err
	}
	epochs := newTable(out, "epochs.csv", "t,utc,lat_deg,lon_deg,h_m,quality,sats,hdop,age_s,station,speed_mps,course_deg,sigma_n_m,sigma_e_m,sigma_u_m,heading_deg,tracked,cn0_dbhz")
	frames := newTable(out, "frames.csv", "t,message,station,system,bytes,epoch_ms,sats,cells,base_x_m,base_y_m,base_z_m")
	imu := newTable(out, "imu.csv", "t,wx_radps,wy_radps,wz_radps,fx_mps2,fy_mps2,fz_mps2")
	wheel := newTable(out, "wheel.csv", "t,v_mps")
	notes := newTable(out, "notes.csv", "t,channel,text")
	verdicts, events := newTable(out, "verdicts.csv", ""), newTable(out, "events.csv", "")

	var seen observationTable
	mon := fusion.NewMonitor(c.cfg.Config, crs)
	var vHead, eHead bool
	put := func(s *fusion.Snapshot, ev []fusion.Event) {
		if s != nil {
			verdicts.object(lines.AppendVerdict(nil, s), &vHead)
		}
		for i := range ev {
			events.object(lines.AppendEvent(nil, &ev[i]), &eHead)
		}
	}
	deg := func(rad float64) float64 { return rad / geodesy.Degree }
	emit := func(m *fusion.Measurement) {
		switch m.Kind {
		case fusion.KindEpoch:
			e := m.Epoch
			lat, lon, h, q := math.NaN(), math.NaN(), math.NaN(), -1
			if e.HasPos {
				lat, lon = deg(e.Pos.Lat), deg(e.Pos.Lon)
			}
			if e.HasH {
				h = e.Pos.H
			}
			if e.Quality != gnss.QualityUnknown {
				q = int(e.Quality)
			}
			epochs.row(m.T, e.UTC, lat, lon, h, q, e.Sats, e.HDOP, e.Age, e.Station, e.Speed, deg(e.Course),
				e.SigmaN, e.SigmaE, e.SigmaU, deg(e.Heading), e.Tracked, e.CN0)
		case fusion.KindFrame:
			f := m.Frame
			system, x, y, z := "", math.NaN(), math.NaN(), math.NaN()
			sats, cells, epoch := -1, -1, any(nil)
			if f.System != rtcm.NoSystem {
				system, sats, cells, epoch = f.System.String(), f.Sats, f.Cells, f.EpochMs
			}
			if f.HasBase {
				x, y, z = f.Base.X, f.Base.Y, f.Base.Z
			}
			frames.row(m.T, f.Number, f.Station, system, f.Bytes, epoch, sats, cells, x, y, z)
		case fusion.KindIMU:
			imu.row(m.T, m.W[0], m.W[1], m.W[2], m.F[0], m.F[1], m.F[2])
		case fusion.KindWheel:
			wheel.row(m.T, m.V)
		case fusion.KindObservation:
			seen.add(out, m)
		case fusion.KindNote, fusion.KindRefused:
			notes.row(m.T, m.Channel.String(), m.Note)
		}
		put(mon.Step(m))
	}
	dec := fusion.NewDecoder(c.cfg.Config)
	var last float64
	err = c.records(func(r fusion.Record) error { last = r.T; dec.Decode(r, emit); return nil })
	dec.Close(last, emit)
	put(nil, mon.Close())
	made := []*table{epochs, frames, imu, wheel, notes, verdicts, events}
	if seen.t != nil {
		made = append(made, seen.t)
	}
	for _, t := range made {
		err = errors.Join(err, t.close())
	}
	return err
}

// observationTable is made with the first epoch of observations.
type observationTable struct{ t *table }

func (o *observationTable) add(out string, m *fusion.Measurement) {
	if o.t == nil {
		o.t = newTable(out, "observations.csv", "t,receiver,station,gps_week,tow_s,satellite,signal,code_m,phase_cycles,doppler_hz,cn0_dbhz,lock_s,half_cycle")
	}
	receiver := "rover"
	if m.Channel == fusion.ChanCorrections {
		receiver = "base"
	}
	e := m.Observed
	for i := range e.Obs {
		q := &e.Obs[i]
		half := 0
		if q.HalfCycle {
			half = 1
		}
		o.t.row(m.T, receiver, e.Station, e.Time.Week, e.Time.TOW, q.Sat.String(), q.Signal.String(), q.Code, q.Phase, q.Doppler, q.CN0, q.Lock, half)
	}
}

// object writes a line of the output contract as a row, its keys as the header
// before the first.
func (t *table) object(line []byte, headed *bool) {
	d := json.NewDecoder(bytes.NewReader(line))
	d.UseNumber()
	_, _ = d.Token()
	var keys, cells []any
	for d.More() {
		k, _ := d.Token()
		var v any
		_ = d.Decode(&v)
		keys = append(keys, k)
		switch v := v.(type) {
		case json.Number:
			cells = append(cells, v.String())
		case []any:
			var words []string
			for _, w := range v {
				words = append(words, fmt.Sprint(w))
			}
			cells = append(cells, strings.Join(words, " "))
		default:
			cells = append(cells, v)
		}
	}
	if !*headed {
		t.row(keys...)
		*headed = true
	}
	t.row(cells...)
}
