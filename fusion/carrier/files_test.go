package carrier

import (
	"compress/gzip"
	"encoding/csv"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/observation"
	"kerbline/gnss/orbit"
	"kerbline/gnss/rinex"
)

// open opens a file of real observations. The folder lies outside the project;
// tests that need it skip without it.
func open(t testing.TB, name string) io.Reader {
	t.Helper()
	dir := os.Getenv("KERBLINE_REAL")
	if dir == "" {
		t.Skip("KERBLINE_REAL names no folder of real recordings")
	}
	f, err := os.Open(filepath.Join(dir, "phase", name))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	if strings.HasSuffix(name, ".gz") {
		z, err := gzip.NewReader(f)
		if err != nil {
			t.Fatal(err)
		}
		return z
	}
	return f
}

func readObs(t testing.TB, name string) (epochs []*observation.Epoch) {
	t.Helper()
	_, err := rinex.ReadObservations(open(t, name), func(e *observation.Epoch) error {
		c := *e
		c.Obs = append([]observation.Observation(nil), e.Obs...)
		epochs = append(epochs, &c)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return epochs
}

func readNav(t testing.TB, names ...string) *orbit.Store {
	t.Helper()
	store := &orbit.Store{}
	for _, name := range names {
		if _, err := rinex.ReadNavigation(open(t, name), func(e *orbit.Ephemeris) { store.Add(e) }); err != nil {
			t.Fatal(err)
		}
	}
	return store
}

// readTruth returns the places of the moving rover by second of the week.
func readTruth(t testing.TB) map[float64]geodesy.ECEF {
	t.Helper()
	r := csv.NewReader(open(t, "rover_moving_truth.csv"))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	truth := map[float64]geodesy.ECEF{}
	for _, row := range rows[1:] {
		var v [4]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		truth[math.Round(v[0])] = geodesy.ECEF{X: v[1], Y: v[2], Z: v[3]}
	}
	return truth
}

// only keeps some of the observations.
func only(epochs []*observation.Epoch, keep func(*observation.Observation) bool) (out []*observation.Epoch) {
	for _, e := range epochs {
		c := *e
		c.Obs = nil
		for i := range e.Obs {
			if keep(&e.Obs[i]) {
				c.Obs = append(c.Obs, e.Obs[i])
			}
		}
		out = append(out, &c)
	}
	return out
}
