// Package phasecheck compares a receiver's fixes with its own carrier phases: where
// the antenna is by the phases since a fix was last proven, whether the fixes drift
// against them, and what our own integers say of a fix.
//
// A fix and the path of the phases differ by an offset that stays while both are
// right. [Check] pairs them by their time, averages the offset over proven fixes,
// and keeps it when there are none: that is the carried position. Its
// deviation is the offset's, the error that fixes share for tens of seconds, and what
// the path gathered since. Offsets a minute apart show a drift of millimetres a second.
//
// Metres, seconds; times GPS time; positions Earth-fixed, vectors east-north-up in
// the frame of the first epoch. Start at [Check].
package phasecheck
