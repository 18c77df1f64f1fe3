// Package singlepoint computes where a receiver is from the codes of one epoch
// and broadcast ephemerides alone: metres, but owed to nothing that the receiver
// believes. It places a base or a rover coarsely, and says which satellites and
// which systems contradict the rest.
//
// Positions are Earth-centred, Earth-fixed in m at the antenna's phase centre;
// clocks in m (times the speed of light). Every system has a clock of its own.
// The ionosphere is taken from Klobuchar's model where its coefficients are
// known, else from two frequencies, else not at all: then the error model is
// wide and the solution says so. The troposphere is Saastamoinen's. Weighted
// least squares with exclusion by normalized residuals (as in receiver autonomous
// integrity monitoring; Kaplan and Hegarty, from memory). Start at
// [Solver.Solve].
package singlepoint
