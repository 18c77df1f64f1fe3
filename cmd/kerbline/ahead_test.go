package main

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"kerbline/fixtures"
	"kerbline/fixtures/signals"
	"kerbline/gnss/geodesy"
)

// A whole recording through the report: what is foreseen for its own half hour against
// what it had, place by place; the wall that it drove along is in the skyline; the day
// check says it in a sentence.
func TestHoursAhead(t *testing.T) {
	wall := signals.Place{From: 100, To: 180, Elevation: 40 * geodesy.Degree, Left: true}
	dir := observedFolder(t, func(s *fixtures.Scenario) {
		s.Duration = 400
		s.Observe.Rate, s.Observe.Places = 1, []signals.Place{wall}
	})
	page, data := filepath.Join(t.TempDir(), "r.html"), t.TempDir()
	if code, _, errOut := kerbline(t, "report", dir, "-o", page, "--csv", data); code != exitDone {
		t.Fatalf("exit %d: %s", code, errOut)
	}
	f, err := os.Open(filepath.Join(data, "ahead.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	n, near := 0, 0
	behind, free := 0.0, 0.0
	var nBehind, nFree float64
	for _, r := range rows[1:] {
		num := func(i int) float64 {
			v, err := strconv.ParseFloat(r[i], 64)
			if err != nil {
				return math.NaN()
			}
			return v
		}
		if had := num(7); had > 0 {
			n++
			if math.Abs(num(5)/had-1) <= 0.1 {
				near++
			}
			switch from, to := num(1), num(2); {
			case from >= wall.From && to <= wall.To:
				behind, nBehind = behind+num(4), nBehind+1
			case to < wall.From || from > wall.To:
				free, nFree = free+num(4), nFree+1
			}
		}
	}
	if n < 20 || float64(near) < 0.85*float64(n) {
		t.Errorf("HDOP within 10 %% of what was had at %d of %d places", near, n)
	}
	if behind/nBehind > 0.8*free/nFree {
		t.Errorf("%.1f satellites foreseen behind the wall, %.1f elsewhere", behind/nBehind, free/nFree)
	}
	b, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"The hours ahead", ">had</text>", "hidden up to", "too few ephemerides reach this hour"} {
		if !strings.Contains(string(b), want) {
			t.Errorf("the page has no %q", want)
		}
	}
	_, out, _ := kerbline(t, "daycheck", dir)
	if !strings.Contains(strings.Join(strings.Fields(out), " "), "by the ephemerides heard on 2026-10-07") {
		t.Errorf("the day check says nothing of the hours ahead:\n%.800s", out)
	}
}
