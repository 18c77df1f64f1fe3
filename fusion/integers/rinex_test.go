package integers

import (
	"bufio"
	"compress/gzip"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/gnsstime"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/satellite"
)

// folder is where real observations lie; the tests that need them skip without it.
func folder(t testing.TB) string {
	dir := os.Getenv("KERBLINE_PHASE")
	if dir == "" {
		t.Skip("KERBLINE_PHASE names no folder of real observations")
	}
	return dir
}

func open(t testing.TB, name string) *bufio.Scanner {
	t.Helper()
	f, err := os.Open(filepath.Join(folder(t), name))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	var r io.Reader = f
	if strings.HasSuffix(name, ".gz") {
		if r, err = gzip.NewReader(f); err != nil {
			t.Fatal(err)
		}
	}
	return bufio.NewScanner(r)
}

func number(s string) float64 {
	v, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(s), "D", "E", 1), 64)
	if err != nil {
		return math.NaN()
	}
	return v
}

func stamp(f []string) gnsstime.Time {
	y, m, d := int(number(f[0])), int(number(f[1])), int(number(f[2]))
	// Days since 1980-01-06.
	if m < 3 {
		y, m = y-1, m+12
	}
	jd := 365*y + y/4 - y/100 + y/400 + (153*(m-3)+2)/5 + d
	const epoch = 365*1979 + 1979/4 - 1979/100 + 1979/400 + (153*10+2)/5 + 6 // 1980-01-06 as month 13 of 1979
	n := jd - epoch
	return gnsstime.Time{Week: n / 7, TOW: float64(n%7)*86400 + number(f[3])*3600 + number(f[4])*60 + number(f[5])}
}

func readObs(t testing.TB, name string) (epochs []*observation.Epoch) {
	sc := open(t, name)
	types := map[byte][]string{}
	var sys byte
	for sc.Scan() {
		l := sc.Text()
		if strings.Contains(l, "SYS / # / OBS TYPES") {
			if l[0] != ' ' {
				sys = l[0]
			}
			types[sys] = append(types[sys], strings.Fields(l[6:60])...)
		}
		if strings.Contains(l, "END OF HEADER") {
			break
		}
	}
	var e *observation.Epoch
	for sc.Scan() {
		l := sc.Text()
		if l[0] == '>' {
			e = &observation.Epoch{Time: stamp(strings.Fields(l[1:])), Station: -1}
			epochs = append(epochs, e)
			continue
		}
		id, err := satellite.Parse(l[:3])
		if err != nil {
			continue
		}
		for i, ty := range types[l[0]] {
			at := 3 + 16*i
			if at+14 > len(l) {
				break
			}
			v := number(l[at : at+14])
			if math.IsNaN(v) || v == 0 {
				continue
			}
			sig, err := satellite.ParseSignal(ty[1:])
			if err != nil {
				t.Fatal(err)
			}
			o := e.Find(id, sig)
			if o == nil {
				nan := math.NaN()
				e.Obs = append(e.Obs, observation.Observation{Sat: id, Signal: sig, Hz: id.System.Frequency(sig, satellite.NoChannel), Code: nan, Phase: nan, Doppler: nan, CN0: nan, Lock: nan})
				o = &e.Obs[len(e.Obs)-1]
			}
			switch ty[0] {
			case 'C':
				o.Code = v
			case 'L':
				o.Phase = v
				if at+14 < len(l) && l[at+14] >= '0' && l[at+14] <= '7' {
					o.Slip, o.HalfCycle = l[at+14]&1 != 0, l[at+14]&2 != 0
				}
			case 'D':
				o.Doppler = v
			case 'S':
				o.CN0 = v
			}
		}
	}
	return epochs
}

func readNav(t testing.TB, name string) *orbit.Store {
	sc := open(t, name)
	for sc.Scan() && !strings.Contains(sc.Text(), "END OF HEADER") {
	}
	store := &orbit.Store{}
	for sc.Scan() {
		l := sc.Text()
		id, err := satellite.Parse(l[:3])
		rows := 7
		if l[0] == 'R' || l[0] == 'S' {
			rows = 3
		}
		v := []float64{number(l[23:42]), number(l[42:61]), number(l[61:80])}
		toc := stamp(strings.Fields(l[4:23]))
		for range rows {
			sc.Scan()
			r := sc.Text()
			for c := 4; c < 80; c += 19 {
				if c+19 > len(r) {
					v = append(v, math.NaN())
					continue
				}
				v = append(v, number(r[c:c+19]))
			}
		}
		if err != nil || rows != 7 || l[0] == 'C' {
			continue
		}
		e := &orbit.Ephemeris{Sat: id, Toc: toc, Af0: v[0], Af1: v[1], Af2: v[2], Issue: int(v[3]), Week: int(v[21]),
			Kepler: orbit.Kepler{Crs: v[4], DeltaN: v[5], M0: v[6], Cuc: v[7], Ecc: v[8], Cus: v[9], SqrtA: v[10],
				Cic: v[12], Omega0: v[13], Cis: v[14], I0: v[15], Crc: v[16], Omega: v[17], OmegaDot: v[18], IDot: v[19]}}
		e.Toe = gnsstime.Nearest(v[11], toc)
		e.Health = uint16(v[24])
		if l[0] == 'E' {
			e.Source = orbit.INAV
			if int(v[20])&0x100 != 0 {
				e.Source = orbit.FNAV
			}
		}
		store.Add(e)
	}
	return store
}

func readTruth(t testing.TB) map[float64]geodesy.ECEF {
	truth := map[float64]geodesy.ECEF{}
	sc := open(t, "rover_moving_truth.csv")
	for sc.Scan() {
		f := strings.Split(sc.Text(), ",")
		if len(f) == 5 && !math.IsNaN(number(f[0])) {
			truth[math.Round(number(f[0]))] = geodesy.ECEF{X: number(f[1]), Y: number(f[2]), Z: number(f[3])}
		}
	}
	return truth
}
