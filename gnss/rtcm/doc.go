// Package rtcm reads and writes RTCM 3 (RTCM 10403.x). It finds frames in a
// byte stream and checks their CRC-24Q ([Scanner]); it decodes of every message
// who sent it, which epoch it observes, how many satellites and signals it holds
// and where the base stands ([Message]); and, for who needs them, all fields of
// the observation messages MSM1 to MSM7 ([Observables], joined by [Epochs]) and
// of the ephemerides 1019, 1020, 1042, 1044, 1045 and 1046 ([Ephemeris]). What
// it decodes in full it encodes to the same bytes.
//
// Positions are Earth-centred, Earth-fixed, in metres; epochs are milliseconds
// as sent, Unix seconds of UTC by [Message.Epoch], or GPS time by
// [Observables.Time]. Unknown messages pass with their number alone; no input
// panics.
//
// Start at [Scanner.Push].
package rtcm
