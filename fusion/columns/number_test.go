package columns

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
)

// number is as exact as strconv, which rounds correctly.
func TestNumber_Strconv(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	check := func(s string) {
		want, err := strconv.ParseFloat(s, 64)
		got, next, ok := number([]byte(s+",1"), 0)
		if ok != (err == nil) || ok && (math.Float64bits(got) != math.Float64bits(want) || next != len(s)) {
			t.Fatalf("number(%q) = %v %v (to %d), strconv gives %v %v", s, got, ok, next, want, err)
		}
	}
	for _, s := range []string{"0", "-0", "+1", "1.", ".5", "-.5", "9007199254740993", "9007199254740992.5", "0.1", "1e22", "1e-400", "123456789012345678901", "1778922000.7821690", "0.000000000000000000001", "", "-", ".", "e5", "1e", "1..2", "+-1", "1,"[:1]} {
		check(s)
	}
	for range 20000 {
		check(strconv.FormatFloat((rng.Float64()-0.5)*math.Pow(10, float64(rng.IntN(30)-15)), "efg"[rng.IntN(3)], rng.IntN(20)-1, 64))
	}
}

func TestLeadingTime(t *testing.T) {
	for _, tt := range []struct {
		line string
		t    float64
		ok   bool
	}{
		{"1778922000.782169,-0.003733,0", 1778922000.782169, true}, {"1,\n", 1, true},
		{"1", 0, false}, {"t,v", 0, false}, {"-1,2", 0, false}, {"1778922000782,2", 0, false}, {"nan,1", 0, false}, {"", 0, false},
	} {
		got, ok := leadingTime([]byte(tt.line))
		if ok != tt.ok || ok && got != tt.t {
			t.Errorf("leadingTime(%q) = %v, %v, want %v, %v", tt.line, got, ok, tt.t, tt.ok)
		}
	}
}
