package corrections

import (
	"encoding/hex"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"testing"

	"kerbline/gnss"
	"kerbline/gnss/geodesy"
	"kerbline/gnss/nmea"
	"kerbline/gnss/rtcm"
)

// arrival is one thing that reaches the Link.
type arrival struct {
	t     float64
	bytes []byte
	epoch *gnss.Epoch
}

// play runs arrivals through a Link with ticks every 0.1 s between, the host
// clock tied by the least delay of an epoch, and returns the closed episodes.
func play(cfg Config, in []arrival, each func(l *Link, t float64)) (*Link, []Episode) {
	l := New(cfg)
	var (
		scan rtcm.Scanner
		eps  []Episode
		tie  = math.Inf(1)
		now  float64
	)
	take := func(e *Episode) { eps = append(eps, *e) }
	frame := func(m *rtcm.Message) { l.Frame(now, m) }
	junk := func(why rtcm.Refusal, n int) { l.Junk(now, why, n) }
	tick := math.NaN()
	for _, a := range in {
		if math.IsNaN(tick) {
			tick = math.Floor(a.t*10) / 10
		}
		for ; tick < a.t; tick = math.Round(tick*10+1) / 10 {
			l.Tick(tick)
			if each != nil {
				each(l, tick)
			}
			l.Take(take)
		}
		now = a.t
		if a.epoch != nil {
			const least = 0.08
			if d := a.epoch.Arrival - a.epoch.UTC - least; d < tie {
				tie = d
				l.Clock(tie)
			}
			l.Epoch(a.epoch, now)
		} else {
			l.Bytes(now, len(a.bytes))
			scan.Push(a.bytes, frame, junk)
		}
		if each != nil {
			each(l, now)
		}
		l.Take(take)
	}
	l.Close(now)
	l.Take(take)
	return l, eps
}

// label is one fault of a recording.
type label struct {
	Kind     string
	From, To float64
}

// recording is a practice recording as far as the link needs it.
type recording struct {
	in     []arrival
	cfg    Config
	labels []label
	zero   float64 // host Unix s of label time 0
}

func load(t *testing.T, name string) recording {
	t.Helper()
	dir := os.Getenv("KERBLINE_RECORDINGS")
	if dir == "" {
		t.Skip("KERBLINE_RECORDINGS names no folder of recordings")
	}
	dir = filepath.Join(dir, name)
	read := func(f string) string {
		b, err := os.ReadFile(filepath.Join(dir, f))
		if err != nil {
			t.Skip("no practice recordings: ", err)
		}
		return string(b)
	}
	var lab struct {
		Base   [3]float64 `json:"base_ecef"`
		Faults []label
		Offset float64 `json:"host_minus_utc_s"`
		Start  float64 `json:"start_unix"`
	}
	if err := json.Unmarshal([]byte(read("labels.json")), &lab); err != nil {
		t.Fatal(err)
	}
	r := recording{cfg: DefaultConfig(), labels: lab.Faults, zero: lab.Start + lab.Offset}
	r.cfg.Surveyed = true
	r.cfg.Base = geodesy.ECEF{X: lab.Base[0], Y: lab.Base[1], Z: lab.Base[2]}

	for _, line := range strings.Split(read("corrections.csv"), "\n")[1:] {
		at, data, ok := strings.Cut(strings.TrimSpace(line), ",")
		if !ok {
			continue
		}
		x, err := strconv.ParseFloat(at, 64)
		if err != nil {
			t.Fatal(err)
		}
		b, err := hex.DecodeString(data)
		if err != nil {
			t.Fatal(err)
		}
		r.in = append(r.in, arrival{t: x, bytes: b})
	}
	var framer nmea.Framer
	parser, asm := nmea.NewParser(), gnss.NewAssembler()
	last := 0.0
	emit := func(e *gnss.Epoch) { r.in = append(r.in, arrival{t: max(last, e.Complete), epoch: e}) }
	framer.Push(r.zero, []byte(read("nmea.log")), func(line nmea.Line) {
		if line.Err != nil {
			t.Error(line.Err)
			return
		}
		s, err := parser.Parse(line.Text)
		if err != nil {
			t.Error(err)
			return
		}
		last = line.T
		asm.Push(line.T, s, emit)
	})
	sort.SliceStable(r.in, func(i, k int) bool { return r.in[i].t < r.in[k].t })
	return r
}

// Every link fault of the practice recordings is one episode with its cause,
// its begin and end within 2 s; nothing else is an episode.
func TestRecordings(t *testing.T) {
	for _, name := range []string{"nominal", "jump", "link_silent", "long_outage", "link_late", "receiver_not_using", "base_moved"} {
		t.Run(name, func(t *testing.T) {
			r := load(t, name)
			_, eps := play(r.cfg, r.in, nil)
			var want []label
			for _, f := range r.labels {
				if f.Kind != "jump" && f.Kind != "wrong_fix" {
					want = append(want, f)
				}
			}
			for _, e := range eps {
				t.Log(e.Paragraph(r.zero, nil))
			}
			if len(eps) != len(want) {
				t.Fatalf("%d episodes, want %d", len(eps), len(want))
			}
			for i, f := range want {
				e := eps[i]
				if e.Cause.String() != f.Kind {
					t.Errorf("episode %d: cause %v, want %s", i, e.Cause, f.Kind)
				}
				if d := e.Start - r.zero - f.From; math.Abs(d) > 2 {
					t.Errorf("episode %d starts %+.2f s off", i, d)
				}
				if d := e.End() - r.zero - f.To; math.Abs(d) > 2 {
					t.Errorf("episode %d ends %+.2f s off", i, d)
				}
			}
		})
	}
}
