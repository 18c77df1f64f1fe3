// Package carrier follows how an antenna moved by the phases of the satellites'
// carriers, to centimetres over minutes, whatever the receiver says of its
// position and whether or not corrections arrive.
//
// A phase counts range in cycles from an unknown start. The difference between two
// epochs has no unknown but the displacement and the receiver's clock, as long as
// the signal was tracked without a slip. [Path] takes every epoch of raw
// observations, finds slips, and solves the displacement since the last epoch (the
// rate) and since an anchor: the last epoch at which the position was known. What
// grows with the time since the anchor are the satellites' clocks, which the
// broadcast model does not follow, and the ionosphere; see errors.go. One
// faulty satellite is covered by solution separation (Blanch and others, "Baseline
// advanced RAIM user algorithm and possible improvements", IEEE Transactions on
// Aerospace and Electronic Systems 51, 2015): the level holds for every solution
// without one of them.
//
// Metres, seconds, rad; positions Earth-fixed, vectors east-north-up at the
// anchor; times are GPS time. Slips are found by the receiver's own flags and
// lock times, by Doppler, by the difference of two carriers, and by the residuals.
// Nothing allocates after the first epochs. Start at [Path].
package carrier
