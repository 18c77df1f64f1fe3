// Package outlook foresees, for every place of a lap and the hours ahead, which
// satellites the car will receive and how good their geometry will be.
//
// Where the satellites will stand follows from the ephemerides that were heard. What
// hides them follows from the drive: at every place, each satellite above the horizon
// was received or not, and from that comes a skyline, the elevation below which a
// direction is hidden there. Beside the foreseen it keeps what the recorded hours
// had, by the same rule.
//
// Places are metres along the lap, directions rad (azimuth clockwise from north,
// elevation above the horizon), times GPS time. HDOP is dimensionless, with a clock
// of its own for each constellation, as differences between satellites have it; it
// follows from the normal equations of the lines of sight (any textbook of satellite
// navigation). Start at [Learner] and [Learner.Ahead].
package outlook
