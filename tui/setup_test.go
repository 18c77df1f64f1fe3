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
