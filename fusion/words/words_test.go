package words

import (
	"math"
	"strings"
	"testing"

	"kerbline/gnss/corrections"
)

// Every cause and every reason that a time can be put down to is in words, with
// what to do.
func TestFindings(t *testing.T) {
	names := strings.Fields("jump clock-step")
	for c := range corrections.NumCauses {
		names = append(names, c.String())
	}
	for code := range reasons {
		names = append(names, code)
	}
	for _, n := range names {
		f := OfCause(n)
		if f.Now == "" || f.Was == "" || f.Do == "" || strings.HasSuffix(f.Was, ",") || strings.HasSuffix(f.Do, ".") {
			t.Errorf("%s: %+v", n, f)
		}
	}
	if f := OfCause("some-new-reason"); f.Was != "some new reason" || f.Do == "" {
		t.Errorf("a reason that is not known is said as %+v", f)
	}
	if f := OfCause(""); f.Was != "why is not known" {
		t.Errorf("no cause is said as %+v", f)
	}
}

func TestNumbers(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct{ got, want string }{
		{Num(-0.0001, 2), "0.00"}, {Num(nan, 1), Dash}, {Num(math.Inf(1), 1), Dash}, {With(3.14, 1, "m"), "3.1 m"}, {With(nan, 1, "m"), Dash}, {With(3, 0, ""), "3"},
		{Percent(0.99999), "99.999 %"}, {Percent(1), "100.0 %"}, {Percent(0.0001), "0.01 %"}, {Percent(nan), Dash},
		{Lasting(4.24), "4.2 s"}, {Lasting(205), "3 min 25 s"}, {Lasting(3900), "1 h 05 min"}, {Lasting(nan), Dash},
		{Down(11.29, 1), "11.2"}, {Down(12.3, 1), "12.3"}, {Up(0.401, 2), "0.41"}, {Up(0.4, 2), "0.40"},
		{Times(1), "once"}, {Times(2), "twice"}, {Times(7), "7 times"}, {Plural(1, "lap"), "1 lap"}, {Plural(0, "lap"), "0 laps"},
	} {
		if tt.got != tt.want {
			t.Errorf("%q, want %q", tt.got, tt.want)
		}
	}
}

func TestWrap(t *testing.T) {
	for _, tt := range []struct{ lead, rest, text, want string }{
		{"1  ", "   ", "the base is not where it was", "1  the base is|   not where it|   was"},
		{"- ", "  ", "", "- "},
		{"", "", "— σ ± √ — σ ± √ —", "— σ ± √ — σ ± √|—"},
	} {
		if got := strings.Join(Wrap(tt.lead, tt.rest, tt.text, 15), "|"); got != tt.want {
			t.Errorf("%q, want %q", got, tt.want)
		}
	}
}
