// Package tune asks with which settings a recording would have been judged
// right: the very Monitor that runs live, over recordings decoded once, for a grid of
// settings; and which of them nothing beats.
//
// It is pure: the caller plays the runs, on as many cores as there are, and
// the results do not depend on their order. Units are those of
// [kerbline/fusion/score]. Start at [Decoded], [Play] and [Rank].
package tune
