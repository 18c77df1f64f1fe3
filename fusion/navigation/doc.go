// Package navigation drives the filter of [kerbline/fusion/eskf]: it buffers
// inertial samples and wheel speed, finds rest and gaps, levels and aligns the
// filter, carries it to the time of each epoch with the aids that need no
// satellite, and carries its output on to now.
//
// Metres, seconds, radians; east-north-up world axes of a local tangent plane,
// forward-left-up body axes with the origin in the middle of the rear axle; host
// times in Unix seconds without clock steps. Start at [Driver.Init], then
// [Driver.PushIMU] with every sample, [Driver.Align] until it succeeds, and
// [Driver.Advance].
package navigation
