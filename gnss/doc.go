// Package gnss turns the sentences of a receiver into epochs: one GNSS
// solution each, with its position, quality, accuracy and the instant it
// describes.
//
// Units are SI and radians. Instants of a solution are UTC in Unix seconds, as
// the receiver says; arrivals are host time in Unix seconds, by a clock that
// may be minutes off. Positions are of the antenna, geodetic on WGS 84, height
// above the ellipsoid. Unknown is NaN or -1, never 0.
//
// Below it: nmea reads sentences, rtcm the messages of a base, corrections
// judges the link that carries them, gnsstime knows the time scales, geodesy
// the Earth. Start at [Epoch] and [Assembler].
package gnss
