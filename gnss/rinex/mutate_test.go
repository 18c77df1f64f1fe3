package rinex

import (
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
)

// mutate damages a text: characters, columns, lines.
func mutate(r *rand.Rand, b []byte) []byte {
	for range 1 + r.IntN(5) {
		if len(b) < 10 {
			return b
		}
		at := r.IntN(len(b))
		switch r.IntN(8) {
		case 0, 1, 2:
			const likely = "0123456789 .-+EDGRECJSI>\nx\x00\xff"
			b[at] = likely[r.IntN(len(likely))]
		case 3:
			b = append(b[:at], b[min(len(b), at+1+r.IntN(4)):]...)
		case 4:
			b = append(b[:at], append([]byte(strings.Repeat(string("9 -\n"[r.IntN(4)]), 1+r.IntN(4))), b[at:]...)...)
		case 5:
			b = b[:at]
		case 6:
			if i := strings.IndexByte(string(b[at:]), '\n'); i >= 0 { // a line is lost
				b = append(b[:at], b[at+i+1:]...)
			}
		case 7:
			n := min(len(b)-at, 1+r.IntN(20))
			copy(b[at:at+n], strings.Repeat("9", n))
		}
	}
	return b
}

// Damaged files by the million: KERBLINE_MUTATIONS says how many of each kind.
// It goes beside fuzzing by coverage, which is slower by far.
func TestMutations(t *testing.T) {
	n := 20000
	if s := os.Getenv("KERBLINE_MUTATIONS"); s != "" {
		var err error
		if n, err = strconv.Atoi(s); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		name  string
		seeds []string
		check func(*testing.T, string) bool
	}{{"observations", observationSeeds(), checkObservations}, {"navigation", navigationSeeds(), checkNavigation}} {
		r := rand.New(rand.NewPCG(7, uint64(n)))
		buf := make([]byte, 0, 8192)
		read := 0
		for range n {
			buf = mutate(r, append(buf[:0], c.seeds[r.IntN(len(c.seeds))]...))
			if c.check(t, string(buf)) {
				read++
			}
			if t.Failed() {
				t.Fatalf("%s: %q", c.name, buf)
			}
		}
		t.Logf("%s: %d damaged, %d of them read", c.name, n, read)
		if read < n/20 {
			t.Errorf("%s: only %d of %d are read: the damage is too great to test anything", c.name, read, n)
		}
	}
}
