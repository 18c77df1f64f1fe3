package alarm

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"kerbline/fusion"
)

func verdict(v fusion.Verdict, why string) *fusion.Snapshot {
	s := &fusion.Snapshot{Verdict: v}
	if why != "" {
		s.Reasons[0].Code, s.NReasons = why, 1
	}
	return s
}

// It runs once when usable ends, with the reason, also where verdicts stop; never
// twice within its interval, nor beside itself; and nothing waits for a command that
// hangs.
func TestAlarm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var runs []string
		hang := false
		a := start(func(ctx context.Context, why string) error {
			runs = append(runs, why)
			if hang {
				<-ctx.Done()
			}
			return ctx.Err()
		}, 5*time.Second, func(bool, string) {})
		defer a.Close()
		send := func(v fusion.Verdict, why string, s float64) {
			for range int(s * 10) {
				a.Send(verdict(v, why))
				time.Sleep(100 * time.Millisecond)
			}
		}
		expect := func(when string, want ...string) {
			t.Helper()
			synctest.Wait()
			if strings.Join(runs, ",") != strings.Join(want, ",") {
				t.Errorf("%s: ran for %v, want %v", when, runs, want)
			}
		}
		send(fusion.Unproven, "aligning", 3)
		expect("before anything was usable")
		send(fusion.Usable, "", 3)
		expect("while usable")
		send(fusion.Coasting, "link-silent", 1)
		expect("usable ended", "link-silent")
		send(fusion.Usable, "", 1)
		send(fusion.Unusable, "jump", 1)
		expect("again within its interval", "link-silent")
		time.Sleep(5 * time.Second)
		send(fusion.Usable, "", 1)
		time.Sleep(300 * time.Millisecond)
		expect("a gap that holds", "link-silent")
		time.Sleep(time.Second)
		expect("verdicts stop", "link-silent", "silent")
		time.Sleep(10 * time.Second)
		hang = true
		send(fusion.Usable, "", 1)
		send(fusion.Unusable, "drift", 6)
		send(fusion.Usable, "", 1)
		before := time.Now()
		for range 1000 {
			a.Send(verdict(fusion.Unusable, "drift"))
		}
		if d := time.Since(before); d > 0 {
			t.Errorf("verdicts wait %v for a command that hangs", d)
		}
		expect("beside itself", "link-silent", "silent", "drift")
	})
}

// Failures in a row are said once.
func TestAlarm_FailsOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var said []string
		err := errors.New("no horn")
		a := start(func(context.Context, string) error { return err }, time.Second, func(ok bool, words string) { said = append(said, words) })
		defer a.Close()
		again := func() {
			a.Send(verdict(fusion.Usable, ""))
			a.Send(verdict(fusion.Unusable, "jump"))
			time.Sleep(2 * time.Second)
		}
		again()
		again()
		again()
		err = nil
		again()
		err = errors.New("no horn")
		again()
		if got := strings.Join(said, ","); got != "no horn,ran,no horn" {
			t.Errorf("said %s", got)
		}
	})
}

// A real command gets the reason and no password, and what it prints says why it
// failed.
func TestAlarm_Command(t *testing.T) {
	t.Setenv("KERBLINE_NTRIP_PASSWORD", "secret")
	path := filepath.Join(t.TempDir(), "out")
	if err := shell("echo $KERBLINE_REASON ${KERBLINE_NTRIP_PASSWORD:-none} > "+path)(t.Context(), "jump"); err != nil {
		t.Fatal(err)
	}
	if b, _ := os.ReadFile(path); string(b) != "jump none\n" {
		t.Errorf("the command saw %q", b)
	}
	if err := shell("echo no horn here >&2; exit 3")(t.Context(), "jump"); err == nil || !strings.Contains(err.Error(), "exit status 3 no horn here") {
		t.Errorf("%v", err)
	}
	var ok atomic.Bool
	a := Start("true", 0, func(o bool, _ string) { ok.Store(o) })
	a.Send(verdict(fusion.Usable, ""))
	a.Send(verdict(fusion.Unusable, "jump"))
	for i := 0; i < 3000 && !ok.Load(); i++ {
		time.Sleep(time.Millisecond)
	}
	a.Close()
	if !ok.Load() {
		t.Error("the command did not run")
	}
	none := Start("", 0, nil)
	none.Send(verdict(fusion.Usable, ""))
	none.Close()
}
