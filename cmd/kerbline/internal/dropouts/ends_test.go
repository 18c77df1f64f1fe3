package dropouts

import (
	"bytes"
	"encoding/hex"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"kerbline/cmd/kerbline/internal/recorder"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/fixtures"
	"kerbline/fixtures/faults"
	"kerbline/fusion"
	"kerbline/gnss/bothends"
	"kerbline/gnss/rtcm"
)

// arrived is one frame in a recording's corrections.
type arrived struct {
	t     float64
	bytes []byte
}

// framesOf returns the whole frames of corrections.csv.
func framesOf(t testing.TB, csv []byte) (list []arrived) {
	t.Helper()
	var scan rtcm.Scanner
	for i, line := range strings.Split(strings.TrimSpace(string(csv)), "\n") {
		if i == 0 {
			continue
		}
		at, text, _ := strings.Cut(line, ",")
		when, err := strconv.ParseFloat(at, 64)
		if err != nil {
			t.Fatal(err)
		}
		b, err := hex.DecodeString(text)
		if err != nil {
			t.Fatal(err)
		}
		scan.Push(b, func(*rtcm.Message) { list = append(list, arrived{when, bytes.Clone(scan.Raw())}) }, nil)
	}
	return list
}

// baseRecord writes what the base's end recorded: frames a little before they reach
// the car, by another clock, and marks of life.
func baseRecord(t testing.TB, frames []arrived, from, to float64, sends, lives func(t float64) bool) *recording.Recording {
	t.Helper()
	const offset = -4321.5 // s, base less car
	path := t.TempDir() + "/base.mcap"
	f, err := recorder.Create(path, recorder.Head{Attachments: []recorder.Attachment{recorder.Attached(recorder.SettingsName, nil)}})
	if err != nil {
		t.Fatal(err)
	}
	write := func(at float64, ch fusion.Channel, b []byte) {
		if err := f.Write(recorder.Nanos(at+offset), ch, b); err != nil {
			t.Fatal(err)
		}
	}
	next := from
	for _, a := range append(frames, arrived{t: to}) {
		for ; next < a.t; next++ {
			if lives(next) {
				write(next, fusion.ChanNote, []byte(NoteAlive))
			}
		}
		if a.bytes != nil && sends(a.t) {
			write(a.t-0.07, fusion.ChanCorrections, a.bytes)
		}
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	rec, err := recording.Open(path, recording.Paths{})
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

func always(float64) bool { return true }

// Each cause that takes both ends, from generated drives: the same silence at the
// car, and only the base's end and the other laps tell what it was.
func TestJoinBase_Causes(t *testing.T) {
	seeds := 2
	if os.Getenv("KERBLINE_LONG") != "" {
		seeds = 20
	}
	right, all := map[string]int{}, map[string]int{}
	for seed, done := uint64(0), 0; done < seeds; seed++ {
		s := fixtures.Standard("nominal", 40+seed)
		whole, _ := s.Files()
		clean := examine(t, whole)
		frames := framesOf(t, whole["corrections.csv"])
		from, to := frames[0].t, frames[len(frames)-1].t
		zero := s.Start // of the scenario's time
		rng := rand.New(rand.NewPCG(seed, 7))

		// When the car is at one stretch of the lap, lap after lap.
		mid := clean.lap * (0.2 + 0.6*rng.Float64())
		var windows [][2]float64
		for _, p := range clean.trail {
			if math.Abs(p.along-mid) < 1 && p.t-float64(clean.From) > 120 && float64(clean.Span)+float64(clean.From)-p.t > 30 && (len(windows) == 0 || p.t-windows[len(windows)-1][0] > 20) {
				windows = append(windows, [2]float64{p.t - 1, p.t + 6})
			}
		}
		if len(windows) < 4 {
			t.Logf("seed %d: left out, %d passes of the place", seed, len(windows))
			continue
		}
		done++
		one := windows[len(windows)/2 : len(windows)/2+1]
		for cause, tt := range map[string]struct {
			silent       [][2]float64
			sends, lives bool // of the base, during the silence
		}{
			"base_receiver_stopped": {one, false, true},
			"base_computer_stopped": {one, false, false},
			"path_lost":             {windows, true, true},
			"rover_radio":           {one, true, true},
		} {
			silent := s
			for _, w := range tt.silent {
				silent.Faults = append(silent.Faults, faults.Fault{Kind: faults.Silent, From: w[0] - zero, To: w[1] - zero})
			}
			files, _ := silent.Files()
			during := func(t float64) bool {
				for _, w := range tt.silent {
					if t >= w[0] && t < w[1] {
						return true
					}
				}
				return false
			}
			base := baseRecord(t, frames, from, to, func(t float64) bool { return tt.sends || !during(t) }, func(t float64) bool { return tt.lives || !during(t) })
			car, err := recording.FromFiles(files)
			if err != nil {
				t.Fatal(err)
			}
			r := run(t, car)
			if err := r.JoinBase(car, base, &bothends.Radio{}); err != nil {
				t.Fatal(err)
			}
			if len(r.Outages) != len(tt.silent) {
				t.Errorf("seed %d, %s: %d outages, want %d", seed, cause, len(r.Outages), len(tt.silent))
			}
			for i := range r.Outages {
				all[cause]++
				if o := &r.Outages[i]; o.Cause == cause {
					right[cause]++
				} else {
					t.Logf("seed %d: %s, want %s: %s (%+v)", seed, o.Cause, cause, o.Text, o.Base)
				}
			}
			out := text(t, r)
			has(t, out, "both ends", "frames", "along the lap of", "("+cause+")")
		}
	}
	if len(all) < 4 {
		t.Errorf("only %v was tried", all)
	}
	for cause, n := range all {
		t.Logf("%s: %d of %d", cause, right[cause], n)
		if float64(right[cause]) < 0.95*float64(n) {
			t.Errorf("%s: %d of %d right, want 95 %%", cause, right[cause], n)
		}
	}
}

// Without marks of life, and with one pass only, it says what it cannot tell.
func TestJoinBase_Open(t *testing.T) {
	s := fixtures.Standard("nominal", 3)
	whole, _ := s.Files()
	frames := framesOf(t, whole["corrections.csv"])
	from, to := frames[0].t, frames[len(frames)-1].t
	s.Faults = append(s.Faults, faults.Fault{Kind: faults.Silent, From: 200, To: 212})
	files, _ := s.Files()
	never := func(float64) bool { return false }
	car, err := recording.FromFiles(files)
	if err != nil {
		t.Fatal(err)
	}
	r := run(t, car)
	sends := func(at float64) bool { return at < s.Start+199 || at > s.Start+213 }
	if err := r.JoinBase(car, baseRecord(t, frames, from, to, sends, never), &bothends.Radio{}); err != nil {
		t.Fatal(err)
	}
	if len(r.Outages) != 1 || r.Outages[0].Cause != "link_silent" {
		t.Fatalf("%+v", r.Outages)
	}
	has(t, text(t, r), "its record does not show whether its computer ran", "no marks of life", "no [radio] settings")

	// Another day's base.
	other, _ := fixtures.Standard("nominal", 4).Files()
	r = run(t, car)
	if err := r.JoinBase(car, baseRecord(t, framesOf(t, other["corrections.csv"]), from, to, always, always), &bothends.Radio{}); err == nil || !strings.Contains(err.Error(), "no frames in common") {
		t.Error(err)
	}
	if r.Ends != nil {
		t.Error("joined all the same")
	}
}
