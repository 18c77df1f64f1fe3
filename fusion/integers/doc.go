// Package integers decides, from the raw observations of rover and base alone,
// where the rover's antenna is against the base, and with that whether the
// receiver's fix is right.
//
// Codes and phases of both are reduced by the modelled range, so that differences
// between receivers and then between satellites leave the position, whole numbers
// of cycles, and noise. One epoch is enough where there are two carriers of two
// systems; what one epoch cannot decide stays undecided, and the reason is given.
// The base's epoch may be older than the rover's: its phases are carried on by the
// satellites' motion, with an error that grows. GLONASS is left out: its
// satellites send on different frequencies, whose delays do not cancel between
// receivers of different make.
//
// Opinions: confirmed, refuted with the vector from the true place to the
// receiver's, or none and why. The base's coordinates are taken as broadcast: a
// base on the wrong point moves both answers alike, and only a check mark shows it.
//
// Metres, cycles where said, seconds; positions Earth-fixed, vectors
// east-north-up at the rover. The search for integers is package lambda. Start at
// [Checker].
package integers
