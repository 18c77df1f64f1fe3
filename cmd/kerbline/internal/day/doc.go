// Package day gathers what a session of driving showed and answers from it
// whether map-based driving is safe today, with criteria an engineer can check.
//
// A [Collector] is fed every snapshot and event of one monitor; its memory does
// not grow with the length of the session. Times of a [Session] are seconds
// after its first verdict line, places are metres along the lap; units stand
// beside every figure (SI; rad for headings). "Settled driving" is what counts:
// the car moves, and [score.SettleTime] has passed since it first moved off.
//
// Bounds of counts are exact (package bounds): what a short clean session does
// not prove is said, not left out. A criterion that fails either stops (the
// answer is no), slows (yes below a speed) or is a caution.
//
// Start at [NewCollector], then [Judge]; [Check.Write] prints the answer.
package day
