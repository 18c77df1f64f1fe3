package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"kerbline/cmd/kerbline/internal/lines"
)

// The lines of a part are those lines of the whole recording, in their order, and
// none else: the monitor runs from the beginning whatever is asked for.
func TestExcerpt_Replay(t *testing.T) {
	dir := loop(t, "link_silent", 200)
	lined := func(args ...string) (verdicts, events []string, errOut string) {
		v, e := filepath.Join(t.TempDir(), "v"), filepath.Join(t.TempDir(), "e")
		code, _, errOut := kerbline(t, append([]string{"replay", dir, "--set", "time_zone=Asia/Kathmandu", "--verdicts", v, "--events", e}, args...)...)
		if code != exitDone {
			t.Fatalf("%v: exit %d, %s", args, code, errOut)
		}
		read := func(name string) []string {
			b, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			return strings.Split(strings.TrimSuffix(string(b), "\n"), "\n")
		}
		return read(v), read(e), errOut
	}
	whole, allEvents, _ := lined()
	first, err := lines.ParseVerdict([]byte(whole[0]))
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		args     []string
		from, to float64 // s after the first line, to a line or two; 0, 0 where only the length counts
		length   float64 // s
	}{
		{[]string{"--from", "50", "--to", "62.5"}, 50, 62.5, 12.5},
		{[]string{"--at", "100"}, 70, 130, 60},
		{[]string{"--at", "10:01:40"}, 70, 130, 60},                                // the recording begins at 10:00:00 UTC
		{[]string{"--at", "15:46:40@local"}, 70, 130, 60},                          // 5 h 45 min ahead
		{[]string{"--at", "12:01:40@Europe/Berlin"}, 70, 130, 60},                  // 2 h
		{[]string{"--from", "10:03Z"}, 180, 200, 20},                               //
		{[]string{"--to", "15:45:30@local"}, 0, 30, 30},                            //
		{[]string{"--lap", "2"}, 0, 0, 40},                                         // of about 420 m at 10 m/s
		{[]string{"--from", "09:59:59", "--to", "05:45:10@America/Lima"}, 0, 0, 0}, // 10:45:10 UTC: all of it
	} {
		got, events, errOut := lined(tt.args...)
		if tt.length == 0 {
			if len(got) != len(whole) {
				t.Errorf("%v: %d lines of %d", tt.args, len(got), len(whole))
			}
			continue
		}
		at := max(0, slices.Index(whole, got[0]))
		if at+len(got) > len(whole) || !slices.Equal(whole[at:at+len(got)], got) {
			t.Errorf("%v: its lines are not lines of the whole, one after another", tt.args)
			continue
		}
		a, _ := lines.ParseVerdict([]byte(got[0]))
		b, _ := lines.ParseVerdict([]byte(got[len(got)-1]))
		from, to := float64(a.T-first.T), float64(b.T-first.T)
		if d := to - from; d < tt.length-5 || d > tt.length+5 {
			t.Errorf("%v: %.1f s of lines, want about %.1f", tt.args, d, tt.length)
		}
		if tt.to > 0 && (math.Abs(from-tt.from) > 0.4 || math.Abs(to-tt.to) > 0.4) {
			t.Errorf("%v: lines from %.2f to %.2f s, want %g to %g", tt.args, from, to, tt.from, tt.to)
		}
		for _, e := range events {
			if e != "" && !slices.Contains(allEvents, e) {
				t.Errorf("%v: an event that the whole has not: %s", tt.args, e)
			}
		}
		if len(events) >= len(allEvents) {
			t.Errorf("%v: %d of %d events", tt.args, len(events), len(allEvents))
		}
		if !strings.Contains(errOut, "whole recording") {
			t.Errorf("%v: messages %q", tt.args, errOut)
		}
	}
}

// Wrong times and parts that are not there are said with what there is.
func TestExcerpt_Wrong(t *testing.T) {
	dir := loop(t, "nominal", 60)
	for _, tt := range []struct {
		args []string
		want string
	}{
		{[]string{"replay", dir, "--at", "noon"}, `"noon" is no time, want seconds since the start (312.5) or a time of day`},
		{[]string{"replay", dir, "--at", "25:00"}, "is no time"},
		{[]string{"replay", dir, "--at", "-5"}, "is no time"},
		{[]string{"replay", dir, "--at", "10:00@Mars/Olympus"}, `time zone "Mars/Olympus" is not known`},
		{[]string{"replay", dir, "--at", "10:00@local"}, "@local needs the setting time_zone"},
		{[]string{"replay", dir, "--at", "14:00"}, "14:00 is outside the recording, which goes from 10:00:00 UTC to 10:01:00 UTC"},
		{[]string{"replay", dir, "--from", "500"}, "everything after 500 is outside the recording"},
		{[]string{"replay", dir, "--from", "20", "--to", "10"}, "--to 10 is not later than --from 20"},
		{[]string{"replay", dir, "--lap", "1", "--at", "5"}, "want one of them"},
		{[]string{"replay", dir, "--lap", "-1"}, "counted from 1"},
		{[]string{"replay", dir, "--lap", "40"}, "--lap 40 was not driven: the recording has "},
		{[]string{"replay", dir, "--screen", "--lap", "1"}, "want --at or --from"},
		{[]string{"dropouts", dir, "--lap", "40"}, "--lap 40 was not driven"},
		{[]string{"dropouts", "--gnss", filepath.Join(dir, "nmea.log"), "--lap", "1"}, "laps are not known here"},
		{[]string{"dropouts", "--before", dir, "--after", dir, "--at", "5"}, "want both and nothing else"},
	} {
		if code, _, errOut := kerbline(t, tt.args...); code != exitUsage || !strings.Contains(errOut, tt.want) {
			t.Errorf("%v: exit %d, %q, want %q", tt.args[2:], code, errOut, tt.want)
		}
	}
}

// Dropouts of a part: its outages and timeline, local time beside UTC.
func TestExcerpt_Dropouts(t *testing.T) {
	dir := loop(t, "link_silent", 200) // silent from 120 s on
	_, out, _ := kerbline(t, "dropouts", dir, "--from", "20", "--to", "60", "--set", "time_zone=Asia/Kathmandu")
	for _, want := range []string{"20 to 60: 10:00:20 to 10:00:59 UTC", "(2026-10-07 15:45:00 UTC+5:45)", "   20 10:00:20 link ....", "      15:45:20 fix  "} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing:\n%s", want, out)
		}
	}
	if strings.Contains(out, "A  At ") || !strings.Contains(out, "outages     1, ") {
		t.Errorf("an outage of another time is told:\n%s", out)
	}
	_, out, _ = kerbline(t, "dropouts", dir, "--json", "--at", "10:02:10")
	var r struct {
		Outages  []struct{ Cause string }
		Timeline struct {
			From float64 `json:"from_s"`
			Link string
		}
		Part *struct{ Asked string }
	}
	if err := json.Unmarshal([]byte(out), &r); err != nil {
		t.Fatal(err)
	}
	if len(r.Outages) != 1 || r.Part == nil || r.Part.Asked != "the minute around 10:02:10" || r.Timeline.From < 98 || r.Timeline.From > 101 || len(r.Timeline.Link) < 60 || len(r.Timeline.Link) > 62 {
		t.Errorf("%+v", r)
	}
}
