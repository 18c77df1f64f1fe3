// Package smooth gives the best trajectory that a whole recording allows: a
// filter forward over everything, then an adjoint pass backward over the filter
// (fixed-interval smoother in the form of Bierman and Bryson-Frazier, which
// needs no inverse of a covariance). At each instant the result rests on what
// came before and after it, so a gap is bridged from both ends.
//
// It is the reference that a run is judged by where there is neither truth nor
// labels. Its covariance says where it is good enough for that. What it cannot
// see is an error that every epoch of tens of seconds shares: a wrong fix, a base
// in the wrong place.
//
// Units and frames are those of [kerbline/fusion/eskf]: metres, seconds,
// radians, east-north-up of a local tangent plane, host Unix seconds. It keeps the
// whole recording in memory, about 80 kB for each second. Start at [Run].
package smooth
