// Package lambda estimates the integer vector nearest to a vector of real
// numbers in the metric of their covariance, says with what probability it is
// the right one, and whether a second is too near to choose: integer least
// squares, as the ambiguities of carrier phases need it.
//
// The problem is min (a-z)'·inv(Q)·(a-z) over integer vectors z. Q is first
// decorrelated by an integer transformation that keeps volumes (Teunissen, "The
// least-squares ambiguity decorrelation adjustment", Journal of Geodesy 70,
// 1995, 65-82; written out by de Jonge and Tiberius, "The LAMBDA method for
// integer ambiguity estimation: implementation aspects", LGR-Series 12, Delft
// 1996). The search then walks the tree of the conditional estimates, nearest
// integer first, in an ellipsoid that shrinks with each candidate found
// (Schnorr and Euchner 1994).
//
// Acceptance: the success rate of bootstrapping after decorrelation is a lower
// bound of that of integer least squares (Teunissen 1999). The ratio of the two
// smallest squared norms is compared with a threshold that keeps the rate of
// wrong acceptances at a fixed value whatever the geometry (Teunissen and
// Verhagen 2009; Verhagen and Teunissen 2013); see ratio.go.
//
// Units are those of the caller, cycles by trade. Covariances are square,
// symmetric, row by row. Nothing is allocated once the work space is as large
// as the largest problem met. Start at [Partial.Fix].
package lambda
