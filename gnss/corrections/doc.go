// Package corrections watches the link that brings RTK corrections from the
// base to the rover, and says of each outage why it happened.
//
// It hears the link's bytes and frames where they are tapped, and the rover's
// own epochs (correction age, station, quality, satellites). From these it
// keeps the link's [State] and closes [Episode]s: one correction outage each,
// from the first correction that did not come as usual until the receiver is
// as good as before, with a [Cause] decided by [Decide] over named [Facts].
//
// # How it works
//
//   - flow.go groups observation messages into epochs, learns what is usual
//     (interval, constellations, latency) and judges each epoch against it.
//   - spacing.go misses station messages that no longer come between epochs that
//     are as usual: an episode of its own, beside others.
//   - rover.go follows the receiver: when it last took up a correction, how
//     many satellites it has, whether it speaks at all.
//   - base.go compares the broadcast coordinates and station id with the
//     reference.
//   - baseend.go takes what a watcher at the base says, where there is one.
//   - episode.go holds four tracks (link, use, sky, rover). A track is active
//     while something is wrong in it. An episode opens when one of them has
//     been wrong for long enough, and closes once all are quiet and the
//     receiver has requalified.
//   - cause.go is the decision: a table from facts to causes.
//   - recur.go tests whether outages recur at a period or at a place.
//
// Times are host time in Unix seconds unless called UTC; metres, seconds, dB-Hz
// otherwise. NaN and -1 mean unknown. It reads no clock: silence is reported by
// [Link.Tick]. Nothing called per record allocates.
//
// Start at [Link] and [Decide].
package corrections
