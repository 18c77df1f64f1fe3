// Package bothends joins what the base sent with what the car received: for every
// frame of the base it says whether it arrived, when, whether it was damaged on the
// way or lost.
//
// The two records need no common clock. A frame is known again by its bytes; from
// the frames that are in both records once, the offset of the two clocks follows,
// up to the shortest delay of the link. The base's record also holds marks of life
// of its computer, so that a receiver that stopped is distinguished from a computer that
// stopped.
//
// Times are host Unix seconds, each of its own end, unless said otherwise; metres
// and decibels.
//
// While the car drives, [Watch] does the same from what the base's end says over
// another way: it may come late, in pieces, or not at all, and what is not known of the
// base's end decides nothing.
//
// Start at [Join] and [Joined.Between], then [Gather] and [Decide]; radio.go has the link
// budget.
package bothends
