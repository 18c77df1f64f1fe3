package dropouts

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/fixtures"
)

// blank is a report in which nothing recurs.
func blankReport() *Report {
	nan := num(math.NaN())
	return &Report{Recurrence: Recurrence{Period: nan, Place: nan}}
}

// What is done about outages follows from what they have in common, and nothing is
// said where they have nothing.
func TestAdvice(t *testing.T) {
	strip := func(near, far int) *Loss { // gaps on either side of the middle, 1000 epochs each
		l := &Loss{ByDistance: newStrip(20, 220, distParts)}
		for i := range l.ByDistance.Expected {
			l.ByDistance.Expected[i] = 100
		}
		for range near {
			l.gaps = append(l.gaps, gapAt{50})
		}
		for range far {
			l.gaps = append(l.gaps, gapAt{200})
		}
		return l
	}
	sparse := func(lost []string, stopped []int) Outage {
		return Outage{Cause: "link_sparse", Evidence: Evidence{Lost: lost, Stopped: stopped}}
	}
	for _, tt := range []struct {
		name string
		set  func(r *Report)
		want string // part of the one finding, "" for none
		do   string
	}{
		{"nothing", func(*Report) {}, "", ""},
		{"far away", func(r *Report) { r.Loss = strip(1, 14) }, "loss grows with distance: 14 gaps beyond 120 m from the base, 1 nearer", "raise the base's antenna"},
		{"far away, perhaps", func(r *Report) { r.Loss = strip(1, 4) }, "", ""},
		{"near by", func(r *Report) { r.Loss = strip(14, 1) }, "", ""},
		{"one place", func(r *Report) { r.Recurrence.Place, r.Recurrence.PlaceN, r.Recurrence.Events = 230, 5, 6 }, "around 230 m along the lap: 5 of 6", "between that place and the base"},
		{"one period", func(r *Report) { r.Recurrence.Period = 60.1 }, "every 60.1 s", "power saving"},
		{"one message", func(r *Report) { r.Outages = []Outage{sparse(nil, []int{1230}), sparse(nil, []int{1230})} }, "only message 1230 is missing, in 2 of 2", "list of messages"},
		{"one constellation", func(r *Report) { r.Outages = []Outage{sparse([]string{"BeiDou"}, nil)} }, "the observations of BeiDou", "list of messages"},
		{"several messages", func(r *Report) { r.Outages = []Outage{sparse(nil, []int{1230}), sparse(nil, []int{1005})} }, "", ""},
		{"power", func(r *Report) { r.Outages = []Outage{{Cause: "base_restarted"}, {Cause: "link_silent"}} }, "the base began anew in 1 of 2", "dip of its power"},
	} {
		r := blankReport()
		tt.set(r)
		got := r.advise()
		if tt.want == "" && len(got) == 0 {
			continue
		}
		if len(got) != 1 || tt.want == "" || !strings.Contains(got[0].Seen, tt.want) || !strings.Contains(got[0].Do, tt.do) {
			t.Errorf("%s: %+v, want %q", tt.name, got, tt.want)
		}
	}
}

// Summary, JSON and text say the same of what recurs.
func TestRecurrenceAgrees(t *testing.T) {
	for _, kind := range []string{"link_silent", "link_corrupt"} {
		files, _ := fixtures.Standard(kind, 2).Files()
		r := examine(t, files)
		v := &r.Recurrence
		v.Period, v.PeriodN, v.PeriodP, v.Events = 61, 4, 0.002, 6
		v.Text = v.words()
		out := text(t, r)
		has(t, out, v.Text)
		if !strings.Contains(out, "; every 61.0 s") {
			t.Errorf("%s: the summary does not say that it recurs:\n%s", kind, out)
		}
		var b bytes.Buffer
		if err := r.WriteJSON(&b); err != nil {
			t.Fatal(err)
		}
		var j struct {
			Recurrence struct {
				Period float64 `json:"period_s"`
				Text   string
			}
			Outages []struct{ Text string }
		}
		if err := json.Unmarshal(b.Bytes(), &j); err != nil {
			t.Fatal(err)
		}
		if j.Recurrence.Period != 61 || j.Recurrence.Text != v.Text {
			t.Errorf("%s: JSON says %+v, text %q", kind, j.Recurrence, v.Text)
		}
		for _, o := range j.Outages {
			if strings.Contains(o.Text, "It recurs") {
				t.Errorf("%s: an outage tells of its own: %s", kind, o.Text)
			}
		}
	}
}

// Every epoch that was sent is counted once, and those lost lie where the car was
// while the label says that the link was silent.
func TestLoss(t *testing.T) {
	s := fixtures.Standard("link_silent", 2)
	files, labels := s.Files()
	r := examine(t, files)
	l := r.Loss
	if l == nil || l.ByPlace == nil || l.ByDistance == nil {
		t.Fatal("no loss by place and distance")
	}
	want := 0.0
	for _, f := range labels.Faults {
		want += f.To - f.From
	}
	if math.Abs(float64(l.Lost)-want) > 4 || math.Abs(float64(l.Expected)-400) > 6 {
		t.Errorf("%d of %d epochs lost, want about %.0f of 400", l.Lost, l.Expected, want)
	}
	sum := 0
	for _, n := range l.ByDistance.Lost {
		sum += n
	}
	if sum > l.Lost || sum < l.Lost*9/10 {
		t.Errorf("%d lost by distance, %d in all", sum, l.Lost)
	}
	has(t, text(t, r), "where epochs were lost", "lap", "distance")
}

// Whether a change helped is said only beyond chance, with what more recording
// would show it.
func TestCompare(t *testing.T) {
	side := func(outages int, minutes float64) *Report {
		r := blankReport()
		r.Span = num(60 * minutes)
		for range outages {
			r.Outages = append(r.Outages, Outage{Length: 5})
		}
		return r
	}
	for _, tt := range []struct {
		before, after *Report
		answer, part  string
	}{
		{side(12, 30), side(1, 30), "better", "It helped"},
		{side(1, 30), side(12, 30), "worse", "Take the change back"},
		{side(2, 6), side(0, 6), "not shown", "more without an outage it would be"},
		{side(0, 6), side(0, 6), "not shown", "nothing to mend"},
		{side(1, 1200), side(0, 6), "not shown", "too few before"},
	} {
		c, err := Compare(tt.before, tt.after)
		if err != nil {
			t.Fatal(err)
		}
		if c.Answer != tt.answer || !strings.Contains(c.Text, tt.part) {
			t.Errorf("%s: %s, want %s with %q", c.Answer, c.Text, tt.answer, tt.part)
		}
		if c.More.known() { // what it asks for is enough, and a minute less is not much more than enough
			tt.after.Span += c.More
			if d, err := Compare(tt.before, tt.after); err != nil || d.Answer != "better" {
				t.Errorf("after %.0f s more it is %v", float64(c.More), d)
			}
		}
	}
	if _, err := Compare(side(1, 0), side(1, 5)); err == nil {
		t.Error("a recording without length was compared")
	}
}

// A correction file without a frame, or empty, is an error in words; beside a
// receiver it is a link that says nothing.
func TestNoFrames(t *testing.T) {
	junk := bytes.Repeat([]byte{0x55}, 3000)
	for name, tt := range map[string]struct {
		data []byte
		want string
	}{"words": {junk, "no line that can be read"}, "bytes": {[]byte("1791367200.0,5555555555555555\n1791367201.0,55555555\n"), "no RTCM 3 frame: 12 bytes"}} {
		rec, err := recording.FromFiles(map[string][]byte{"corrections.csv": tt.data})
		if err != nil {
			if !strings.Contains(err.Error(), "corrections.csv") {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		cfg, err := rec.Settings()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Run(t.Context(), rec, cfg.Config, nil, func(int64, int64) {}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", name, err, tt.want)
		}
	}
}
