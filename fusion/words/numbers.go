package words

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Dash stands for a number that is not known.
const Dash = "—"

// IsNumber reports whether x is a number.
func IsNumber(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Num returns x with dec decimals. What rounds to zero has no sign.
func Num(x float64, dec int) string {
	if !IsNumber(x) {
		return Dash
	}
	s := strconv.FormatFloat(x, 'f', dec, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// With returns Num and its unit, only a dash where x is not known.
func With(x float64, dec int, unit string) string {
	if s := Num(x, dec); s == Dash || unit == "" {
		return s
	}
	return Num(x, dec) + " " + unit
}

// Down and [Up] round to dec decimals towards the safe side. The small term
// keeps 12.3 from turning into 12.2 because it is stored as 12.29999.
func Down(x float64, dec int) string {
	p := math.Pow10(dec)
	return Num(math.Floor(x*p+1e-6)/p, dec)
}

// Up rounds to dec decimals upwards.
func Up(x float64, dec int) string {
	p := math.Pow10(dec)
	return Num(math.Ceil(x*p-1e-6)/p, dec)
}

// Percent returns a share in %, never rounded up to 100 or down to 0.
func Percent(share float64) string {
	if math.IsNaN(share) {
		return Dash
	}
	p := 100 * share
	for dec := 1; ; dec++ {
		s := Num(p, dec)
		if dec < 4 && (p < 100 && s == Num(100, dec) || p > 0 && s == Num(0, dec)) {
			continue
		}
		return s + " %"
	}
}

// Lasting returns a duration in s: "4.2 s", "2 min 10 s", "1 h 05 min".
func Lasting(s float64) string {
	switch {
	case !IsNumber(s):
		return Dash
	case s < 99.95:
		return Num(s, 1) + " s"
	case s < 3600:
		n := int(s + 0.5)
		return fmt.Sprintf("%d min %02d s", n/60, n%60)
	}
	n := int(s/60 + 0.5)
	return fmt.Sprintf("%d h %02d min", n/60, n%60)
}

// Times returns "once", "twice" or "n times".
func Times(n int) string {
	switch n {
	case 1:
		return "once"
	case 2:
		return "twice"
	}
	return strconv.Itoa(n) + " times"
}

// Plural returns n and the noun in its number.
func Plural(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + one + "s"
}

// Wrap breaks text at blanks into lines of at most width characters. The first
// begins with lead, the others with rest.
func Wrap(lead, rest, text string, width int) (lines []string) {
	line, begun := lead, false
	for word := range strings.FieldsSeq(text) {
		switch {
		case !begun:
			line += word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width:
			lines = append(lines, line)
			line = rest + word
		default:
			line += " " + word
		}
		begun = true
	}
	return append(lines, line)
}
