package outlook

import (
	"compress/gzip"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"kerbline/gnss/geodesy"
	"kerbline/gnss/observation"
	"kerbline/gnss/rinex"
)

// Measured files, named by KERBLINE_REAL: what is foreseen from the first half of a
// recording against what its second half had. One antenna stands on a roof; it is one
// place.
func TestAhead_Real(t *testing.T) {
	dir := os.Getenv("KERBLINE_REAL")
	if dir == "" {
		t.Skip("KERBLINE_REAL names no folder of measured recordings")
	}
	open := func(name string) io.Reader {
		f, err := os.Open(filepath.Join(dir, "phase", name))
		if err != nil {
			t.Skip("no measured recordings: ", err)
		}
		t.Cleanup(func() { f.Close() })
		if !strings.HasSuffix(name, ".gz") {
			return f
		}
		z, err := gzip.NewReader(f)
		if err != nil {
			t.Fatal(err)
		}
		return z
	}
	var l, second Learner
	for _, k := range []*Learner{&l, &second} {
		if _, err := rinex.ReadNavigation(open("nav_roof.rnx"), k.Set); err != nil {
			t.Fatal(err)
		}
	}
	var n int
	where := Where{}
	count := func(*observation.Epoch) error { n++; return nil }
	h, err := rinex.ReadObservations(open("rover_roof.obs.gz"), count)
	if err != nil {
		t.Fatal(err)
	}
	where.Pos = h.Approx.LLA()
	i := 0
	if _, err := rinex.ReadObservations(open("rover_roof.obs.gz"), func(e *observation.Epoch) error {
		k := &l
		if i++; i > n/2 {
			k = &second
		}
		k.Observed(e)
		k.At(where)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	for i := range second.had {
		h := &second.had[i]
		o := l.Ahead(h.From.Add(float64(h.Epochs)/2), bucket, 1)
		got := o.Rows[0][0]
		t.Logf("%d epochs: foreseen %.0f satellites, HDOP %.3f; had %.1f, %.3f", h.Epochs, got.Sats, got.HDOP, h.Sats, h.HDOP())
		if math.Abs(got.HDOP/h.HDOP()-1) > 0.1 {
			t.Errorf("HDOP foreseen %.3f, had %.3f: more than 10 %% apart", got.HDOP, h.HDOP())
		}
	}
	if len(second.had) == 0 || math.Abs(where.Pos.Lat) < geodesy.Degree {
		t.Error("nothing was compared")
	}
}
