// Package score judges a run of the monitor: it is fed every verdict line and
// event in order, compares them with a reference, and says what the verdicts
// were worth: availability, misleading seconds, time to alert, false alarms,
// how well the protection levels bound the error and how tight they are.
//
// The reference is one of, best first: a [Truth] that was measured apart from
// the system, [Labels] of faults that were put into the recording, or a smoothed
// trajectory (a Truth whose Sigma is set), which is used only where it is good
// enough to judge.
//
// Metres, radians and seconds; percent and degrees appear only in [Result.Write].
// Errors are split across and along the direction of the map where the car is
// on one, else of the velocity, else of the heading. Times are host Unix
// seconds unless a name says UTC. Memory is bounded by the number of labels, not by
// the length of the run; adding a line allocates nothing. Start at [New].
package score
