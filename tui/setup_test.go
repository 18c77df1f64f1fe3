package tui

import (
	"strings"
	"testing"

	"github.com/gdamore/tcell/v2"
)

// While the settings are unproven the setup page opens by itself; a page that a
// person chose stays, and what is proven or silent is shown as ever.
func TestSetupPage(t *testing.T) {
	v := sampleSetup()
	if got := draw(v, 80, 24, State{}).String(); !strings.Contains(got, "▸setup") || !strings.Contains(got, "NEXT") {
		t.Errorf("the setup page does not open by itself:\n%s", got)
	}
	st, _ := State{}.Key(tcell.KeyRune, '1', v)
	if got := draw(v, 80, 24, st).String(); strings.Contains(got, "▸setup") {
		t.Errorf("key 1 does not show the drive page:\n%s", got)
	}
	if st, _ := (State{}).Key(tcell.KeyTab, 0, v); st.Page != PageDrive {
		t.Errorf("from the setup page Tab leads to page %d, want the first", st.Page)
	}
	stale := sampleSetup()
	stale.Stale = 3
	proven := sampleUsable()
	for name, v := range map[string]*View{"stale": stale, "proven": proven} {
		if got := draw(v, 80, 24, State{}).String(); strings.Contains(got, "▸setup") {
			t.Errorf("%s: the setup page is open:\n%s", name, got)
		}
	}
}

// What to do next follows what is missing, in the order in which a person does it.
func TestSetupNext(t *testing.T) {
	v := sampleGuided()
	step := func(name, want string, change func(*View)) {
		t.Helper()
		change(v)
		if got, _ := SetupNext(v); !strings.Contains(got, want) {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	step("standing, columns not read", "38 s more", func(*View) {})
	step("no fix", "fixed position", func(v *View) { v.Snap.Epoch.Quality = 5 })
	step("standing", "38 s more", func(v *View) {
		v.Snap.Epoch.Quality, v.Snap.Counts.IMU, v.Snap.IMURate, v.Snap.IMUAge, v.Snap.NReasons = 4, 100, 100, 0.01, 0
	})
	step("to turn", "Drive turns both ways", func(v *View) { v.Snap.Setup.Stood = 61 })
	step("to turn the other way", "turns to the left", func(v *View) { v.Snap.Setup.Right = 4 })
	step("enough for the pass", "ends by itself", func(v *View) { v.Snap.Setup.Left = 9 })
	v.Guided = false
	step("to drive off", "Drive off", func(v *View) { v.Snap.Setup.Driven = 20 })
	step("lever arm", "lever arm", func(v *View) { v.Snap.HasPos = true })
	step("agreement", "agree", func(v *View) { v.Snap.Setup.Lever = [2]float64{0.05, 0.05} })
	step("all", "Nothing", func(v *View) { v.Snap.Setup.Confirmed, v.Snap.Setup.Open = true, false })
	if _, done := SetupNext(v); !done {
		t.Error("not done")
	}
	step("a source lost", "no such device", func(v *View) { v.Sources[1] = Source{"imu", false, "no such device"} })
}

// Key t asks before it takes what is proposed, and only where something is.
func TestTakeKey(t *testing.T) {
	v := sampleSetupWrong()
	st, a := State{}.Key(tcell.KeyRune, 't', v)
	if st.Taking != v.Snap.Symptom.Set || a.Kind != DoNothing {
		t.Fatalf("%+v %+v", st, a)
	}
	if got := draw(v, 80, 24, st).String(); !strings.Contains(got, "Take this for this run alone?") || !strings.Contains(got, "vehicle.antenna_m = [0.54, -0.21, 1.00]") {
		t.Errorf("it is not asked:\n%s", got)
	}
	if no, a := st.Key(tcell.KeyRune, 'x', v); no.Taking != "" || a.Kind != DoNothing {
		t.Errorf("any other key: %+v %+v", no, a)
	}
	if yes, a := st.Key(tcell.KeyRune, 'y', v); yes.Taking != "" || a.Kind != DoTake || a.Set != v.Snap.Symptom.Set {
		t.Errorf("yes: %+v %+v", yes, a)
	}
	v.Takes = false
	for name, v := range map[string]*View{"a second screen": v, "nothing proposed": sampleUsable()} {
		if st, a := (State{}).Key(tcell.KeyRune, 't', v); st.Taking != "" || a.Kind != DoNothing {
			t.Errorf("%s: %+v %+v", name, st, a)
		}
	}
	taken := sampleUsable()
	taken.Snap.Taken = "vehicle.antenna_m = [0.54, -0.21, 1] (was [0, 0, 1])"
	if got := draw(taken, 80, 24, State{}).String(); !strings.Contains(got, "TAKEN vehicle.antenna_m") {
		t.Errorf("the header does not say what is taken:\n%s", got)
	}
}
