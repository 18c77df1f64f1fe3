// Package player plays a recording through a monitor at the pace of a person:
// with pause, single epochs, seeking, and 0.25 to 64 times real time. It feeds
// the same dashboard that a live run feeds.
//
// Positions are seconds from the start of the recording. They follow the host
// time of the measurements, except that a step of the recorded clock by more
// than [maxGap] takes no time to play: an hour that did not pass is not waited
// for.
//
// A monitor cannot run backwards, so going back opens the recording anew and
// steps a fresh monitor from the start, as fast as it can and unseen. What is
// shown at a position is therefore the same whichever way it was reached.
//
// Start at [New]; the pacing itself is in playback.go and knows neither goroutines
// nor the wall clock.
package player
