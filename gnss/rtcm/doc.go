// Package rtcm reads RTCM 3 (RTCM 10403.x) corrections as far as a monitor of
// the correction link needs: it finds frames in a byte stream, checks their
// CRC-24Q, and decodes who sent a message, which epoch it observes, how many
// satellites and signals it holds and where the base stands. It also writes
// frames, for test recordings and for faults put into real ones.
//
// Positions are Earth-centred, Earth-fixed, in metres; epochs are milliseconds
// as sent, or Unix seconds of UTC by [Message.Epoch]. Unknown messages pass
// with their number alone; no input panics.
//
// Start at [Scanner.Push].
package rtcm
