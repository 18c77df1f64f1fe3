package season

import (
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"kerbline/fusion"
	"kerbline/gnss/geodesy"
)

const hour = 3600.0

// driven is the digest of an hour's clean driving on day n of the season.
func driven(n int, name string) *Digest {
	cfg := fusion.DefaultConfig()
	from := 1_790_000_000 + 86400*float64(n)
	return &Digest{Format: format, Key: "k", Name: name, Day: time.Unix(int64(from), 0).UTC().Format(time.DateOnly), From: from, Hour: 9,
		Length: 4000, Driving: hour, Settled: hour, Usable: hour, Fixed: hour, Answer: "yes", Losses: []Loss{}, Map: "m", Lap: 400,
		HasBase: true, Base: geodesy.ECEF{X: 4_475_369, Y: 940_002, Z: 4_431_442}, Rate: 10, Settings: &cfg}
}

// lose adds n losses of 4 s at a place.
func (d *Digest) lose(n int, where float64) *Digest {
	for i := range n {
		d.Losses = append(d.Losses, Loss{d.From + float64(60*i), 4, where, "link_silent"})
	}
	d.Outages += n
	return d
}

// Day by day, what changed is named and what differs beyond chance is marked.
func TestSum(t *testing.T) {
	a, b, c := driven(0, "a"), driven(1, "b"), driven(2, "c").lose(15, 230)
	b.Settings.GNSS.MaxAge = 20
	c.Settings.GNSS.MaxAge = 20
	c.Base.X += 0.4
	c.Rate = 5
	s := Sum([]*Digest{c, a, b}) // in whatever order
	if len(s.Days) != 3 || s.Days[0].Day > s.Days[1].Day {
		t.Fatalf("days %+v", s.Days)
	}
	if got := strings.Join(s.Days[1].Changes, "\n"); got != "b: settings changed: gnss.max_age_s" {
		t.Errorf("second day: %q", got)
	}
	if !s.Days[2].Outages.Changed || s.Days[1].Outages.Changed || s.Days[2].Steps.Changed {
		t.Errorf("marks: %+v, %+v", s.Days[1], s.Days[2])
	}
	newest := strings.Join(s.Newest, "\n")
	for _, want := range []string{"more correction outages than on", "the base stands elsewhere, by 0.40 m", "the receiver sends 5 Hz, before 10 Hz"} {
		if !strings.Contains(newest, want) {
			t.Errorf("new since the day before lacks %q:\n%s", want, newest)
		}
	}
	costs := map[string]Cost{}
	for _, k := range s.Costs {
		costs[k.Kind] = k
	}
	if k := costs["place"]; k.What != "220-240 m of the lap" || k.Lost != 60 || !(k.P < 1e-6) {
		t.Errorf("place %+v", k)
	}
	if k := costs["receiver"]; k.What != "receiver at 5 Hz" || !(k.P < 0.01) {
		t.Errorf("receiver %+v", k)
	}
	if k := costs["base"]; k.Times != 15 || !(k.P < 0.01) {
		t.Errorf("base %+v", k)
	}
	if _, ok := costs["hour"]; ok {
		t.Error("one hour of the day alone is compared with nothing")
	}
	var w strings.Builder
	if err := s.Write(&w); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"3 recordings on 3 days", "15.0*", "what costs most", "evidence, at 95 %"} {
		if !strings.Contains(w.String(), want) {
			t.Errorf("no %q in\n%s", want, w.String())
		}
	}
	again := driven(2, "copy") // the same hour once more counts once, the worse of the two
	if s := Sum([]*Digest{a, again, b, c}); s.Recordings != 3 || len(s.Twice) != 1 || s.Twice[0] != "copy: recorded at the same time as c" || s.Days[2].Outages.N != 15 {
		t.Errorf("a copy: %d recordings, left out %q", s.Recordings, s.Twice)
	}
	if Sum(nil) != nil {
		t.Error("nothing sums up to something")
	}
}

// The bounds are those of tables (Garwood 1936): none in 3 h is at most 2.9957/3 an
// hour at 95 %, and fewer than 2 needs no more; 0.5 h need 0.998 h more.
func TestEvidence(t *testing.T) {
	find := func(s *Season, what string, present bool) Evidence {
		for _, e := range s.Evidence {
			if e.What == what && e.Present == present {
				return e
			}
		}
		t.Fatalf("no evidence of %s", what)
		return Evidence{}
	}
	e := find(Sum([]*Digest{driven(0, "a"), driven(1, "b"), driven(2, "c")}), "steps and drifts while fixed", false)
	if math.Abs(e.AtMost-2.995732/3) > 1e-5 || e.More != 0 || e.Hours != 3 {
		t.Errorf("three hours: %+v", e)
	}
	d := driven(0, "a")
	d.Driving = hour / 2
	if e = find(Sum([]*Digest{d}), "steps and drifts while fixed", false); math.Abs(e.More-(2.995732/2-0.5)) > 1e-5 {
		t.Errorf("half an hour: %+v", e)
	}
	// What was judged with other settings counts, but not for the present ones.
	other := driven(0, "old")
	other.Settings.Limits.Lateral = 0.8
	if e = find(Sum([]*Digest{other, driven(1, "new")}), "handovers", true); e.Hours != 1 {
		t.Errorf("present settings: %+v", e)
	}
}

// A place that is lost no more often than chance brings is said to be so.
func TestPlaceByChance(t *testing.T) {
	d := driven(0, "a")
	for i := range 10 {
		d.lose(1, float64(40*i))
	}
	s := Sum([]*Digest{d})
	if k := s.Costs[0]; k.Kind != "place" || !(k.P > 0.5) || !strings.Contains(k.text(), "no more often than chance") {
		t.Errorf("%+v", k)
	}
	// Binomial tails: 2 or more of 3 with 1/2 is 1/2; 1 or more of 2 with 0.1 is 0.19.
	for _, tt := range []struct {
		k, n    int
		p, want float64
	}{{2, 3, 0.5, 0.5}, {1, 2, 0.1, 0.19}, {0, 5, 0.3, 1}} {
		if got := tail(tt.k, tt.n, tt.p); math.Abs(got-tt.want) > 1e-12 {
			t.Errorf("%d or more of %d with %g: %g, want %g", tt.k, tt.n, tt.p, got, tt.want)
		}
	}
}

// A digest is read back as it was, and holds no more when anything of its recording
// changed, when the settings given or the program are others, or when it is damaged.
func TestDigestHolds(t *testing.T) {
	dir := t.TempDir()
	rec := filepath.Join(dir, "run")
	if err := os.Mkdir(rec, 0o755); err != nil {
		t.Fatal(err)
	}
	nmea := filepath.Join(rec, "nmea.log")
	write := func(path, text string) {
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write(nmea, "$GPGGA\n")
	write(filepath.Join(dir, "b.mcap"), "x")
	found, err := Find(dir)
	if err != nil || !reflect.DeepEqual(found, []string{filepath.Join(dir, "b.mcap"), rec}) {
		t.Fatalf("found %q, %v", found, err)
	}
	key := func(others ...string) string {
		k, err := Key(rec, others...)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	d := driven(0, "run").lose(2, 30)
	d.Key = key("set", "version")
	if err := d.Save(Beside(rec)); err != nil {
		t.Fatal(err)
	}
	if got := Load(Beside(rec), key("set", "version")); !reflect.DeepEqual(got, d) {
		t.Errorf("read back %+v, want %+v", got, d)
	}
	for what, k := range map[string]string{"settings": key("other", "version"), "version": key("set", "next")} {
		if Load(Beside(rec), k) != nil {
			t.Errorf("it holds with another %s", what)
		}
	}
	was := d.Key
	write(nmea, "$GPGGA longer\n")
	if key("set", "version") == was {
		t.Error("a longer recording has the same key")
	}
	write(Beside(rec), "{damaged")
	if Load(Beside(rec), was) != nil {
		t.Error("a damaged digest holds")
	}
	if again, _ := Find(dir); len(again) != 2 {
		t.Errorf("digests are taken for recordings: %q", again)
	}
}
