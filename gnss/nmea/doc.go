// Package nmea reads NMEA 0183 (IEC 61162-1) from a receiver: it finds the
// lines in a byte stream and turns the sentences that say where a receiver is
// and how good that is into one plain struct.
//
// Units are SI and radians, converted here and nowhere else: degrees and
// minutes, knots, degrees of course become rad, m/s, rad clockwise from true
// north. Times are seconds of a UTC day; dates are days since 1970-01-01; the
// host times of lines are Unix seconds. An empty field is NaN or -1, never 0.
//
// Any two-letter talker is taken. A sentence with one impossible field (a
// number that is none, minutes of 75, a 31st of February, another unit than
// the standard's) is refused as a whole, with the field as the standard
// counts it: a receiver that writes one wrong field is not believed in the
// rest. Letters that later editions may add (navigational status, mode) are
// passed over instead.
//
// The sentences rest on github.com/adrianmo/go-nmea: its SentenceParser splits
// and dispatches, with every parser used here replaced, because the built-in
// ones read an empty field as 0 (a position without numbers as 0 N 0 E) and
// take NaN, hexadecimal floats, wrong hemispheres and impossible dates. The
// sentences that come with every epoch take a shorter way into the same
// parsers that allocates nothing; a test holds the two equal.
//
// Source of layouts: NMEA 0183 version 4.11 as the open libraries pynmea2
// 1.15.0 and pynmeagps (03b28b4) carry it. Start at [Framer] and [Parser].
package nmea
