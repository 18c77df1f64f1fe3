// Package setup finds from a recording what a new team would otherwise have to
// know, measure or guess: what the columns of its tables hold, in which units
// and by which clock, and what calibration tells of the car. What is found
// stands beside what the settings say, each with its evidence; nothing changes
// until a person says yes.
//
// The order is that in which one thing is needed for the next: columns and
// clocks before motion, motion before lever arms. Units are SI, times host Unix
// seconds.
//
// Start at [Examine]; [Found] turns a calibration into settings.
package setup
