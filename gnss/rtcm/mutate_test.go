package rtcm

import (
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"kerbline/gnss/gnsstime"
)

// mutate damages a payload in place as streams and radios do, and as a reader
// fears most: bits, bytes, lengths, masks of all ones, another's tail. It
// returns the payload, which may be shorter or longer.
func mutate(r *rand.Rand, p, other []byte) []byte {
	for range 1 + r.IntN(6) {
		if len(p) < 3 {
			return append(p, byte(r.Uint32()), byte(r.Uint32()), byte(r.Uint32()))
		}
		at := r.IntN(len(p))
		switch r.IntN(9) {
		case 0, 1, 2:
			p[at] ^= 1 << r.IntN(8)
		case 3:
			p[at] = byte(r.Uint32())
		case 4:
			for i := at; i < min(len(p), at+1+r.IntN(9)); i++ {
				p[i] = []byte{0, 0xFF, 0x80, 0x7F}[r.IntN(4)]
			}
		case 5:
			p = p[:at]
		case 6:
			for range r.IntN(60) {
				p = append(p, byte(r.Uint32()))
			}
		case 7:
			copy(p[at:], other[min(len(other), r.IntN(len(p))):])
		case 8: // another message number, of a kind that is decoded
			numbers := []int{1019, 1020, 1042, 1044, 1045, 1046, 1071 + 10*r.IntN(7) + r.IntN(7)}
			n := numbers[r.IntN(len(numbers))]
			p[0], p[1] = byte(n>>4), byte(n<<4)|p[1]&15
		}
	}
	return p[:min(len(p), maxPayload)]
}

// Damaged messages by the million: KERBLINE_MUTATIONS says how many of each
// kind.
// It goes beside fuzzing by coverage, which is slower by far.
func TestMutations(t *testing.T) {
	n := 20000
	if s := os.Getenv("KERBLINE_MUTATIONS"); s != "" {
		var err error
		if n, err = strconv.Atoi(s); err != nil {
			t.Fatal(err)
		}
	}
	list, near := sampleEphemerides()
	var eph, msm [][]byte
	for _, e := range list {
		raw, _ := e.Encode()
		eph = append(eph, raw[headLen:len(raw)-crcLen])
	}
	for sys := range NSystems {
		for typ := 1; typ <= 7; typ++ {
			o := sampleObservables(sys, typ, 5)
			raw, _ := o.Encode()
			msm = append(msm, raw[headLen:len(raw)-crcLen])
		}
	}
	type kind struct {
		name  string
		seeds [][]byte
		check func(*testing.T, []byte, gnsstime.Time) bool
	}
	kinds := []kind{{"observations", msm, checkObservables}}
	for i, e := range list { // one of each message
		kinds = append(kinds, kind{strconv.Itoa(e.Number), eph[i : i+1], checkEphemeris})
	}
	for _, c := range kinds {
		r := rand.New(rand.NewPCG(7, uint64(n)))
		buf := make([]byte, 0, 2048)
		decoded := 0
		for range n {
			buf = append(buf[:0], c.seeds[r.IntN(len(c.seeds))]...)
			buf = mutate(r, buf, c.seeds[r.IntN(len(c.seeds))])
			if c.check(t, buf, near) {
				decoded++
			}
			if t.Failed() {
				t.Fatalf("%s: %x", c.name, buf)
			}
		}
		t.Logf("%s: %d damaged, %d of them decoded", c.name, n, decoded)
		if decoded < n/20 {
			t.Errorf("%s: only %d of %d decode: the damage is too great to test anything", c.name, decoded, n)
		}
	}
}
