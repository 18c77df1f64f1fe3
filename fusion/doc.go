// Package fusion turns what a car hears about its position into a verdict: may
// the position be used for map-based driving, here, now, at this speed, and if
// not, why.
//
//	Record --Decoder--> Measurement --Monitor.Step--> Snapshot, Events
//
// Live, replay, demo, tuning and report all take this way. Nothing on it reads
// a clock, starts a goroutine or draws a number: time comes with the records,
// silence as ticks. The same records give the same verdicts, byte for byte.
//
// Units are SI and radians; world axes east-north-up at a local origin, body
// axes forward-left-up, attitude body to world; times are host Unix seconds
// where nothing else is said. NaN and -1 mean unknown, and unknown never counts
// as good. The numerics are in package eskf, driven by navigation; tests and
// bounds in integrity, the map in course, what is believed in trust, the verdict
// in verdict; their comments name the sources. The Monitor conducts: it gives
// each part values and carries out what follows.
//
// Start at [NewMonitor] and [Monitor.Step]; [Config] holds every setting.
package fusion
