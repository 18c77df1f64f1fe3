// Package words says what the monitor found in words, and numbers with their
// units: the one place for the words of reasons and causes, which dashboard, day
// check and report share.
//
// Numbers come in the unit that is printed beside them; one that is not known
// (NaN) is a dash. Start at [OfReason], [OfCause] and [Num].
package words
