package tui

import (
	"strings"
	"testing"

	"kerbline/fusion/civil"
)

// With a time zone in the settings the top row has the local time beside UTC, in
// the narrowest screen too; nothing else moves.
func TestLocalTime(t *testing.T) {
	v := sampleUsable()
	plain := strings.Split(PlainScreen(v, 80, 24), "\n")
	v.Zone = civil.Of("Asia/Kathmandu") // 5 h 45 min ahead
	got := strings.Split(PlainScreen(v, 80, 24), "\n")
	utc := civil.Zone{}.At(v.Snap.T - v.Snap.HostMinusUTC)
	for _, want := range []string{utc.Format("15:04:05") + ".", " UTC", v.Zone.At(v.Snap.T-v.Snap.HostMinusUTC).Format("15:04:05") + " UTC+5:45"} {
		if !strings.Contains(got[0], want) {
			t.Errorf("the top row has no %q: %q", want, got[0])
		}
	}
	if strings.Join(got[1:], "\n") != strings.Join(plain[1:], "\n") {
		t.Error("a time zone moves something below the top row")
	}
}
