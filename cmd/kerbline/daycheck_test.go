package main

import (
	"bytes"
	"context"
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/cmd/kerbline/internal/publish"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/fusion/day"
)

// enough lets a short recording count as a day.
var enough = []string{"--set", "day.least_driving_s=60", "--set", "day.least_passes=1"}

// Exit codes, both outputs, and what wrong usage is told.
func TestDaycheck(t *testing.T) {
	good, bad := loop(t, "nominal", 150), loop(t, "jump", 120)
	code, out, errOut := kerbline(t, append([]string{"daycheck", good}, enough...)...)
	if code != exitDone || !strings.HasPrefix(out, "map-based driving: YES, PROVISIONAL up to ") || errOut != "" {
		t.Errorf("nominal: exit %d, %.200q, messages %q", code, out, errOut)
	}
	for _, want := range []string{"emergency stop", "at 95 %", "advice only", "nominal: 2026-10-07, 10:00:0"} {
		if !strings.Contains(out, want) {
			t.Errorf("the answer has no %q:\n%s", want, out)
		}
	}
	for _, l := range strings.Split(out, "\n") {
		if n := len([]rune(l)); n > 100 {
			t.Errorf("a line of %d columns: %s", n, l)
		}
	}
	if code, out, _ := kerbline(t, "daycheck", good); code != exitNo || !strings.Contains(out, "CANNOT SAY: settled driving") {
		t.Errorf("too short: exit %d, %.100q", code, out)
	}

	code, out, errOut = kerbline(t, append([]string{"daycheck", "--json", good, bad}, enough...)...)
	var c struct {
		Answer     string
		Recordings []struct{ Name string }
		LeftOut    []struct{ Name, Why string } `json:"left_out"`
		Reasons    []struct{ What, Do string }
	}
	if err := json.Unmarshal([]byte(out), &c); err != nil {
		t.Fatal(err)
	}
	if code != exitNo || errOut != "" || c.Answer != "no" || len(c.Recordings) != 1 || len(c.LeftOut) != 1 || c.LeftOut[0].Name != "nominal" || !strings.Contains(c.LeftOut[0].Why, "at the same time as jump") || !strings.Contains(c.Reasons[0].What, "stepped") || c.Reasons[0].Do == "" {
		t.Errorf("exit %d, %+v, messages %q", code, c, errOut)
	}

	for _, args := range [][]string{{"daycheck"}, {"daycheck", "--live", "udp://127.0.0.1:0", good}, {"daycheck", good, "--set", "day.nothing=1"}, {"daycheck", good, "--day", "yesterday"}, {"daycheck", "--live", "udp://nowhere.invalid:x"}} {
		if code, _, errOut := kerbline(t, args...); code != exitUsage || errOut == "" {
			t.Errorf("%v: exit %d, messages %q", args, code, errOut)
		}
	}
	if code, _, errOut := kerbline(t, "daycheck", filepath.Join(t.TempDir(), "absent")); code != exitFailed || errOut == "" {
		t.Errorf("absent: exit %d, messages %q", code, errOut)
	}
}

// Published verdicts give the same answer as the recording, as far as they tell.
func TestDaycheckLive(t *testing.T) {
	dir := loop(t, "jump", 120)
	v := filepath.Join(t.TempDir(), "v")
	if code, _, errOut := kerbline(t, "replay", dir, "--verdicts", v); code != exitDone {
		t.Fatal(errOut)
	}
	data, err := os.ReadFile(v)
	if err != nil {
		t.Fatal(err)
	}
	heard := bytes.Split(bytes.TrimSpace(data), []byte("\n"))
	next := func(context.Context) (lines.Verdict, error) {
		v, err := lines.ParseVerdict(heard[0])
		heard = heard[1:]
		return v, err
	}
	cfg := settings.Default()
	for _, set := range enough {
		if set != "--set" {
			if err := cfg.Set(set); err != nil {
				t.Fatal(err)
			}
		}
	}
	crs, _, err := loadCourse(filepath.Join(dir, "track.geojson"))
	if err != nil {
		t.Fatal(err)
	}
	ses, err := heardDay(context.Background(), next, "127.0.0.1:47100", 110*time.Second, &cfg, crs)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	err = answerDay(day.Judge([]*day.Session{ses}, day.Ask{}), false, &out)
	if err != errDayNo || !strings.Contains(out.String(), "the receiver said fixed while its position stepped") || !strings.Contains(out.String(), "verdict lines do not say") {
		t.Errorf("%v, %s", err, out.String())
	}
}

// What is published reaches the day check.
func TestDaycheckHears(t *testing.T) {
	free, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := free.LocalAddr().String()
	free.Close()
	p, err := publish.Dial(addr, false, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		for s := (fusion.Snapshot{}); ctx.Err() == nil; s.Seq++ {
			s.T = float64(time.Now().UnixNano()) / 1e9
			p.Send(&s)
			time.Sleep(50 * time.Millisecond)
		}
	}()
	defer func() { cancel(); <-sent }()
	var out, errOut bytes.Buffer
	if code := run(ctx, []string{"daycheck", "--live", "udp://" + addr, "--for", "500ms"}, strings.NewReader(""), &out, &errOut); code != exitNo || !strings.Contains(out.String(), "verdict lines do not say") {
		t.Errorf("exit %d, %s\nmessages %s", code, out.String(), errOut.String())
	}
}

// The page, its data and its figures, of one recording and of two.
func TestReport(t *testing.T) {
	dir := t.TempDir()
	a, b := loop(t, "nominal", 100), loop(t, "jump", 100)
	page := filepath.Join(dir, "one.html")
	if code, out, errOut := kerbline(t, "report", a, "-o", page, "--csv", filepath.Join(dir, "csv"), "--png", filepath.Join(dir, "png")); code != exitDone || out != "" || !onlyWritten(errOut, 3) {
		t.Fatalf("exit %d, output %q, messages %q", code, out, errOut)
	}
	for _, name := range []string{"one.html", "csv/series.csv", "csv/places.csv", "csv/criteria.csv", "png/map.png", "png/verdict.png", "png/integrity_along.png"} {
		if fi, err := os.Stat(filepath.Join(dir, name)); err != nil || fi.Size() < 100 {
			t.Errorf("%s: %v", name, err)
		}
	}
	code, out, errOut := kerbline(t, "report", a, b, "-o", "-", "--csv", filepath.Join(dir, "two"))
	if code != exitDone || !onlyWritten(errOut, 1) || !strings.Contains(out, "Compared, oldest first") || !strings.HasPrefix(out, "<!DOCTYPE html>") {
		t.Errorf("two: exit %d, %.100q, messages %q", code, out, errOut)
	}
	if _, err := os.Stat(filepath.Join(dir, "two", "jump_series.csv")); err != nil {
		t.Error(err)
	}
	if code, _, errOut := kerbline(t, "report", a); code != exitUsage || !strings.Contains(errOut, "-o FILE.html") {
		t.Errorf("no output: exit %d, messages %q", code, errOut)
	}
	if code, _, errOut := kerbline(t, "report", a, "-o", filepath.Join(dir, "no", "such", "folder.html")); code != exitFailed || errOut == "" {
		t.Errorf("no folder: exit %d, messages %q", code, errOut)
	}
}
