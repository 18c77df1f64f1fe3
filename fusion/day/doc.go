// Package day gathers what a session of driving showed and answers from it
// whether map-based driving is safe today, with criteria an engineer can check.
//
// A [Collector] is fed every snapshot and event of one monitor; its memory does
// not grow with the length of the session. Times of a [Session] are seconds
// after its first verdict line, places are metres along the lap; units stand
// beside every figure (SI; rad for headings). "Settled driving" is what counts:
// the car moves, and [score.SettleTime] has passed since it first moved off.
//
// Sessions count together when they are of one day, track, base and set of
// settings (together.go); whatever does not is left out and said.
//
// Bounds of counts are exact (package bounds): what a short clean session does
// not prove is said, not left out. A criterion that fails either stops (the
// answer is no), slows (yes below a speed) or is a caution.
//
// What stops and what is a caution is a judgement, and this is it. What the car
// had to be given away for, or what made the position wrong, stops: a base off
// its survey, steps and drifts while the receiver says fixed (even when each was
// bridged: what is found at 0.6 m is not found at 0.06 m, and its cause is the
// same), handovers beyond the accepted rate, too little usable driving. A
// correction outage that cost no usable second is a caution: the fix held on
// older corrections inside the age that was allowed. What was not driven is
// unseen, and a lap with unseen places is no yes. Rates are compared as seen; a
// yes is firm once the driving proves them, provisional before. A shift from lap
// to lap and an antenna off by the drive's own estimate stop where they are beyond
// their limit beyond chance, and are cautions where they may be chance.
//
// Start at [NewCollector], then [Judge]; [Check.Write] prints the answer.
package day
