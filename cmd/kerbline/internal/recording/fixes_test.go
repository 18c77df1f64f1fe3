package recording

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"kerbline/fusion"
	"kerbline/gnss"
)

// A table of positions in place of sentences: white space or other separators,
// date and time of day in two fields, quality in codes of its own or in words.
func TestTableOfPositions(t *testing.T) {
	const n, day = 40, "2026/05/16"
	at := func(i int) (clock string, lat, lon, h float64) {
		s := 32400 + 0.25*float64(i)
		return fmt.Sprintf("%02d:%02d:%06.3f", int(s)/3600, int(s)/60%60, math.Mod(s, 60)), 44.25 + 1e-6*float64(i), -11.75, 151.5
	}
	for _, tt := range []struct {
		what, header, settings string
		row                    func(i int) string
		quality                gnss.Quality
	}{
		{"spaces, codes of its own", "%  UTC   latitude(deg) longitude(deg)  height(m)   Q  ns   sdn(m)   sde(m)   sdu(m)  age(s)  vn(m/s)  ve(m/s)",
			"[columns]\nfix_quality = \"1=fixed, 2=float, 5=single\"\n",
			func(i int) string {
				c, lat, lon, h := at(i)
				return fmt.Sprintf("%s %s   %.9f  %.9f  %.4f   1  14   0.0100   0.0200   0.0300  1.20  3.0  4.0", day, c, lat, lon, h)
			}, gnss.QualityFixed},
		{"semicolons and words", "date;time;lon;lat;h;quality;ns;sde;sdn;sdu;age;ve;vn", "",
			func(i int) string {
				c, lat, lon, h := at(i)
				return fmt.Sprintf("%s;%s;%.9f;%.9f;%.4f;RTK float;14;0.02;0.01;0.03;1.2;4;3", strings.ReplaceAll(day, "/", "-"), c, lon, lat, h)
			}, gnss.QualityFloat},
		{"no word for the quality, Unix time, no line of names", "", "[columns]\nfix = \"t,lat,lon,h,sde,sdn,sdu,ve,vn,ns,age\"\n",
			func(i int) string {
				_, lat, lon, h := at(i)
				return fmt.Sprintf("%.3f,%.9f,%.9f,%.4f,0.02,0.01,0.03,4,3,14,1.2", t0+0.25*float64(i), lat, lon, h)
			}, gnss.QualityFixed},
	} {
		var b strings.Builder
		if tt.header != "" {
			b.WriteString(tt.header + "\n")
		}
		for i := range n {
			b.WriteString(tt.row(i) + "\r\n")
			if i == 20 {
				b.WriteString("what a row is not\n")
			}
		}
		files := map[string]string{"nmea.log": b.String()}
		if tt.settings != "" {
			files["kerbline.toml"] = tt.settings
		}
		r := open(t, files)
		var got []*gnss.Epoch
		refused := 0
		for _, m := range feed(t, r) {
			switch m.Kind {
			case fusion.KindEpoch:
				got = append(got, m.Epoch)
			case fusion.KindRefused:
				refused++
				if !strings.Contains(m.Note, "nmea.log: line ") {
					t.Errorf("%s: refusal says %q", tt.what, m.Note)
				}
			}
		}
		if len(got) != n || refused != 1 {
			t.Fatalf("%s: %d epochs, %d refusals, want %d and 1", tt.what, len(got), refused, n)
		}
		for i, e := range got {
			_, lat, lon, h := at(i)
			if math.Abs(e.UTC-(t0+0.25*float64(i))) > 1e-6 || e.Quality != tt.quality || e.Sats != 14 || !e.HasH ||
				math.Abs(e.Pos.Lat*180/math.Pi-lat) > 2e-10 || math.Abs(e.Pos.Lon*180/math.Pi-lon) > 2e-10 || math.Abs(e.Pos.H-h) > 1e-4 ||
				e.SigmaE != 0.02 || e.SigmaN != 0.01 || e.SigmaU != 0.03 || e.Age != 1.2 ||
				math.Abs(e.Speed-5) > 1e-4 || math.Abs(e.Course-math.Atan2(4, 3)) > 1e-4 {
				t.Fatalf("%s: epoch %d is %+v", tt.what, i, *e)
			}
		}
		if len(r.Notes) != 1 || !strings.Contains(r.Notes[0], "a table of positions") {
			t.Errorf("%s: notes %q", tt.what, r.Notes)
		}
	}
}

// What is neither sentences nor a table is told in words.
func TestTableOfPositions_None(t *testing.T) {
	for _, tt := range []struct{ text, settings, want string }{
		{"a,b,c\n1,2,3\n", "", "no line of names with time, lat and lon"},
		{"t,lat,h\n1,2,3\n", "", "no line of names with time, lat and lon"},
	} {
		if _, err := FromFiles(map[string][]byte{"nmea.log": []byte(tt.text), "kerbline.toml": []byte(tt.settings)}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%q: %v, want %q", tt.text, err, tt.want)
		}
	}
}
