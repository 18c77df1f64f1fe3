package nmea

import (
	"bytes"
	"fmt"
	"math"
)

// AppendSentence appends $body*hh, without line end.
func AppendSentence(dst []byte, body string) []byte {
	return fmt.Appendf(dst, "$%s*%02X", body, checksum([]byte(body)))
}

// AppendTag appends the TAG block \c:<ms>*hh\ (NMEA 0183 version 4) of host
// time ms, Unix milliseconds; the other parameters of old, a block's inside, are kept.
func AppendTag(dst []byte, ms int64, old []byte) []byte {
	body := fmt.Appendf(nil, "c:%d", ms)
	if star := bytes.LastIndexByte(old, '*'); star >= 0 {
		old = old[:star]
	}
	for _, f := range bytes.Split(old, []byte{','}) {
		if len(f) > 0 && !bytes.HasPrefix(f, []byte("c:")) {
			body = append(append(body, ','), f...)
		}
	}
	return fmt.Appendf(dst, "\\%s*%02X\\", body, checksum(body))
}

// Angle writes an angle of deg degrees as sentences have it: degrees in so many
// digits, minutes with so many decimals, a comma and the hemisphere.
func Angle(deg float64, digits, decimals int, positive, negative byte) string {
	side := positive
	if deg < 0 {
		deg, side = -deg, negative
	}
	unit := int64(math.Pow10(decimals)) // of a minute
	n := int64(math.Round(deg * 60 * float64(unit)))
	s := fmt.Sprintf("%0*d%02d", digits, n/(60*unit), n/unit%60)
	if decimals > 0 {
		s += fmt.Sprintf(".%0*d", decimals, n%unit)
	}
	return s + "," + string(side)
}
