package dropouts

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"kerbline/cmd/kerbline/internal/bus"
	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/fusion"
	"kerbline/gnss/rtcm"
)

// word is a note that reaches the car.
type word struct {
	t    float64
	text string
}

// tell sends what a base's end says to the car over a way that delays each message by up
// to 0.3 s, one in ten by up to 2 s, loses one in five, and carries nothing for up to 10 s
// twice a minute: what it held back comes all at once, in order. It returns the notes that
// the car makes of it.
func tell(t testing.TB, rng *rand.Rand, frames []arrived, from, to float64, sends, lives func(float64) bool) (notes []word) {
	t.Helper()
	type message struct {
		at   float64
		text []byte
	}
	var way []message
	var log *bus.BaseLog
	var begun, free, part, heal float64
	next := 0
	part = from + 30*rng.Float64()
	heal = part + 10*rng.Float64()
	for now := from - 5; now < to; now += 0.5 {
		if !lives(now) {
			log = nil
		} else if log == nil {
			log, begun = bus.NewBaseLog(), now
		}
		quiet := true
		for ; next < len(frames) && frames[next].t-0.07 < now; next++ {
			var m rtcm.Message
			m.Decode(frames[next].bytes)
			if at := frames[next].t - 0.07; log != nil && sends(at) && at >= begun {
				quiet = false
				if m.EpochMs >= 0 {
					log.Frame(at-begun, m.CRC)
				}
			}
		}
		if log == nil {
			continue
		}
		b, err := json.Marshal(log.Next(now-begun, bus.Base{Sends: !quiet || sends(now), Words: "x"}))
		if err != nil {
			t.Fatal(err)
		}
		if now > heal {
			part = now + 60*rng.Float64()
			heal = part + 10*rng.Float64()
		}
		late := 0.05 + 0.3*rng.Float64()
		if rng.IntN(10) == 0 {
			late += 2 * rng.Float64()
		}
		if rng.IntN(5) == 0 {
			continue
		}
		at := now + late
		if at > part && at < heal {
			at = heal
		}
		free = max(free, at) // it keeps its order
		way = append(way, message{free, b})
	}
	rule := bus.NewBaseRule(from)
	put := func(now float64, list []string) {
		for _, n := range list {
			notes = append(notes, word{now, n})
		}
	}
	for _, m := range way {
		for m.at > rule.Due {
			now := rule.Due
			put(now, rule.Quiet(now))
		}
		var b bus.Base
		if err := json.Unmarshal(m.text, &b); err != nil {
			t.Fatal(err)
		}
		list, _ := rule.Hear(m.at, &b)
		put(m.at, list)
	}
	return notes
}

// withNotes is a recording of files with notes in it, as live --base records it.
func withNotes(t testing.TB, files map[string][]byte, notes []word) *recording.Recording {
	t.Helper()
	rec, err := recording.FromFiles(files)
	if err != nil {
		t.Fatal(err)
	}
	path := t.TempDir() + "/car.mcap"
	f, err := recorder.Create(path, recorder.Head{Attachments: []recorder.Attachment{
		recorder.Attached(recorder.SettingsName, files[fixtures.SettingsFile]), recorder.Attached(recorder.CourseName, files[fixtures.CourseFile])}})
	if err != nil {
		t.Fatal(err)
	}
	put := func(at float64, ch fusion.Channel, b []byte) {
		if err := f.Write(recorder.Nanos(at), ch, b); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := runner.Records(rec, 0, nil, func(r fusion.Record) error {
		for ; len(notes) > 0 && notes[0].t <= r.T; notes = notes[1:] {
			put(notes[0].t, fusion.ChanNote, []byte(notes[0].text))
		}
		put(r.T, r.Channel, bytes.Clone(r.Data))
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if rec, err = recording.Open(path, recording.Paths{}); err != nil {
		t.Fatal(err)
	}
	return rec
}

// The causes that take both ends, while the car drives: from what the base's end says over
// a bad way, without its record. A place without sight of the base shows from the third pass on,
// before that the outage stays what one end can say; none is put down to a wrong cause.
func TestLive_Causes(t *testing.T) {
	seeds := 2
	if os.Getenv("KERBLINE_LONG") != "" {
		seeds = 20
	}
	right, wrong, all := map[string]int{}, map[string]int{}, map[string]int{}
	for seed, done := uint64(0), 0; done < seeds; seed++ {
		s := fixtures.Standard("nominal", 80+seed)
		whole, _ := s.Files()
		clean := examine(t, whole)
		frames := framesOf(t, whole["corrections.csv"])
		from, to := frames[0].t, frames[len(frames)-1].t
		rng := rand.New(rand.NewPCG(seed, 8))
		mid := clean.lap * (0.2 + 0.6*rng.Float64())
		var windows [][2]float64
		for _, p := range clean.trail {
			if math.Abs(p.along-mid) < 1 && float64(clean.Span)+float64(clean.From)-p.t > 30 && (len(windows) == 0 || p.t-windows[len(windows)-1][0] > 20) {
				windows = append(windows, [2]float64{p.t - 1, p.t + 6 + 5*rng.Float64()})
			}
		}
		if len(windows) < 4 {
			t.Logf("seed %d: left out, %d passes of the place", seed, len(windows))
			continue
		}
		done++
		one := windows[len(windows)-1:]
		for _, tt := range []struct {
			cause        string
			silent       [][2]float64
			sends, lives bool // of the base, during the silence
			passes       int  // of the place that must have been seen before
		}{
			{"base_receiver_stopped", one, false, true, 0},
			{"base_computer_stopped", one, false, false, 0},
			{"path_lost", windows, true, true, 2},
			{"rover_radio", one, true, true, 0},
		} {
			silent := s
			for _, w := range tt.silent {
				silent.Faults = append(slices.Clone(silent.Faults), faults.Fault{Kind: faults.Silent, From: w[0] - s.Start, To: w[1] - s.Start})
			}
			files, _ := silent.Files()
			during := func(t float64) bool {
				return slices.ContainsFunc(tt.silent, func(w [2]float64) bool { return t >= w[0] && t < w[1] })
			}
			notes := tell(t, rng, frames, from, to, func(t float64) bool { return tt.sends || !during(t) }, func(t float64) bool { return tt.lives || !during(t) })
			r := run(t, withNotes(t, files, notes))
			if n := len(r.Outages); n > len(tt.silent) || n < len(tt.silent)-tt.passes {
				t.Errorf("seed %d, %s: %d outages, want %d", seed, tt.cause, n, len(tt.silent))
			}
			for i := range r.Outages {
				o := &r.Outages[i]
				if i < tt.passes && o.Cause == "link_silent" {
					continue
				}
				switch all[tt.cause]++; o.Cause {
				case tt.cause:
					right[tt.cause]++
				case "link_silent":
					t.Logf("seed %d, outage %d of %s stays open: %s", seed, i, tt.cause, o.Text)
				default:
					wrong[tt.cause]++
					t.Logf("seed %d, outage %d: %s, want %s: %s", seed, i, o.Cause, tt.cause, o.Text)
				}
			}
		}
	}
	for cause, n := range all {
		t.Logf("%s: %d of %d right, %d wrong", cause, right[cause], n, wrong[cause])
		if float64(right[cause]) < 0.95*float64(n) || float64(wrong[cause]) > 0.05*float64(n) {
			t.Errorf("%s: %d of %d right, %d wrong, want 95 %% right", cause, right[cause], n, wrong[cause])
		}
	}
	if len(all) < 4 {
		t.Errorf("only %v was tried", all)
	}
}

// The first outage already, by the link budget: beyond the radio's range it is the path,
// near the base and in sight the car's radio.
func TestLive_Budget(t *testing.T) {
	s := fixtures.Standard("nominal", 3)
	whole, _ := s.Files()
	frames := framesOf(t, whole["corrections.csv"])
	s.Faults = append(s.Faults, faults.Fault{Kind: faults.Silent, From: 60, To: 72})
	files, _ := s.Files()
	notes := tell(t, rand.New(rand.NewPCG(1, 1)), frames, frames[0].t, frames[len(frames)-1].t, always, always)
	settings := files[fixtures.SettingsFile]
	for cause, radio := range map[string]string{
		"path_lost":   "\n[radio]\nfrequency_mhz = 868\npower_dbm = -10\nsensitivity_dbm = -80\nbase_antenna_m = 2\ncar_antenna_m = 1\n",
		"rover_radio": "\n[radio]\nfrequency_mhz = 2400\npower_dbm = 20\nsensitivity_dbm = -110\nbase_antenna_m = 30\ncar_antenna_m = 5\n",
		"link_silent": "",
	} {
		files[fixtures.SettingsFile] = append(bytes.Clone(settings), radio...)
		r := run(t, withNotes(t, files, notes))
		if len(r.Outages) != 1 || r.Outages[0].Cause != cause {
			t.Errorf("want one %s: %d", cause, len(r.Outages))
			for _, o := range r.Outages {
				t.Log(o.Text)
			}
		}
	}
}
