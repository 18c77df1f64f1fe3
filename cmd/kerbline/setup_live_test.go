package main

import (
	"path/filepath"
	"strings"
	"testing"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/fixtures"
	"kerbline/fusion"
	"kerbline/tui"
)

// Which inputs a pass of setup takes live, and which are files.
func TestSetup_IsLive(t *testing.T) {
	for _, tt := range []struct {
		gnss, config string
		args         []string
		want         bool
	}{
		{"serial:///dev/ttyACM0?baud=460800", "", nil, true}, {"tcp://127.0.0.1:2000", "", nil, true}, {"-", "", nil, true}, {"", "car.toml", nil, true},
		{"nmea.log", "", nil, false}, {"", "", []string{"morning/"}, false}, {"", "", nil, false}, {"topic:/fix", "", []string{"run.mcap"}, false},
	} {
		var in inputs
		in.paths.GNSS, in.paths.Config = tt.gnss, tt.config
		if got := in.isLive(tt.args); got != tt.want {
			t.Errorf("--gnss %q --config %q %v: live %v", tt.gnss, tt.config, tt.args, got)
		}
	}
}

// The guide asks for a stand-still, then for turns, with what is there so far, and
// ends the pass when both are done.
func TestSetup_Guide(t *testing.T) {
	s := fixtures.Standard("nominal", 11)
	s.Still, s.Duration = 75, 260
	dir := filepath.Join(t.TempDir(), "pass")
	if err := s.Write(dir); err != nil {
		t.Fatal(err)
	}
	rec, err := recording.Open(dir, recording.Paths{})
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := rec.Settings()
	if err != nil {
		t.Fatal(err)
	}
	view := tui.View{Guided: true}
	ended := 0
	g := &guide{sh: newShow(view), stop: func() { ended++ }}
	if _, _, err := runner.Monitor(t.Context(), rec, cfg.Config, runner.Watch{After: func(s *fusion.Snapshot, ev []fusion.Event) error {
		g.look(s, ev)
		return nil
	}}); err != nil {
		t.Fatal(err)
	}
	said := strings.Join(g.sh.todo, "\n")
	at := 0
	for _, want := range []string{"fixed position", "Stand still", "of 60 s", "Drive turns both ways", "deg left and", "ends by itself"} {
		i := strings.Index(said[at:], want)
		if i < 0 {
			t.Fatalf("%q is not said, or too early:\n%s", want, said)
		}
		at += i
	}
	if ended == 0 {
		t.Error("the pass does not end")
	}
}
