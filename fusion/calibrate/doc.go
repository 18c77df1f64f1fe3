// Package calibrate finds from a recording what a team would otherwise measure
// with a tape or take from a data sheet: the noise of the inertial sensor, its
// biases and mounting, the lever arm to the antenna, the latency of the receiver
// and the scale of the wheel speed, each with a standard deviation and with
// whether the recording excites it enough to say. It also looks for wrong units
// and axes and says so in words.
//
// Noise comes from the still parts, by overlapping Allan deviation. The rest is
// the maximum of a likelihood: the error-state filter runs over the recording,
// and the parameters are those under which its innovations are smallest. What
// the receiver calls its velocity is not used, for receivers differ in which
// point of the car it is of.
//
// Metres, seconds, radians; body axes forward-left-up, world axes
// east-north-up; host Unix seconds. Start at [Run] with what a recording says of the
// motion.
package calibrate
