package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerbline/gnss/rtcm"
)

// Streams exist whose systems do not agree on the date: SBAS of another day, a
// BeiDou count beyond a week. The link's clock stays that of GPS.
func TestDropouts_DatesThatDisagree(t *testing.T) {
	const week, day = 604_800_000, 86_400_000
	for _, tt := range []struct {
		what         string
		sbas, beidou int64 // ms, off the GPS time of week
	}{{"all agree", 0, -14000}, {"SBAS three days on", 3 * day, -14000}, {"SBAS a day before, BeiDou beyond a week", -day, week - 4*day}} {
		var stream []byte
		for i := range int64(60) {
			ms := 5*day + 1000*i
			for _, m := range []rtcm.MSM{
				{System: rtcm.GPS, EpochMs: ms, More: true, Sats: []int{1, 5, 7, 12}, Signals: []int{2, 16}},
				{System: rtcm.SBAS, EpochMs: ms + tt.sbas, More: true, Sats: []int{1, 2}, Signals: []int{2}},
				{System: rtcm.BeiDou, EpochMs: ms + tt.beidou, Sats: []int{3, 9, 11}, Signals: []int{2}},
			} {
				m.Type, m.Station = 4, 7
				stream = append(stream, rtcm.EncodeMSM(m)...)
			}
		}
		path := filepath.Join(t.TempDir(), "mixed.rtcm3")
		if err := os.WriteFile(path, stream, 0o600); err != nil {
			t.Fatal(err)
		}
		code, out, errOut := kerbline(t, "dropouts", "--corrections", path)
		text := strings.Join(strings.Fields(out), " ")
		for _, want := range []string{"recording 59.0 s", "epochs 60, one every 1.0 s", "outages none"} {
			if code != exitDone || !strings.Contains(text, want) {
				t.Errorf("%s: exit %d, no %q in\n%s%s", tt.what, code, want, out, errOut)
			}
		}
	}
}
