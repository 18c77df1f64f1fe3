// Package recorder writes and reads recordings: MCAP files that hold every byte
// a run received, each with the host time at which it arrived.
//
// Times are host Unix time in whole nanoseconds; [Seconds] and [Nanos] turn them
// into the float64 seconds of a [kerbline/fusion.Record] and back without
// changing a bit, so a replay sees the times the live run saw. Records come back
// in the order in which they were written.
//
// Writing never holds up whoever writes: [Recorder] takes bytes into a bounded
// buffer, and a goroutine of its own carries them to the disk four times a
// second, each time as one closed chunk that is synchronised. So a power cut
// costs less than a second, and a disk that is full, slow or read-only costs the
// recording but not the run. Reading takes whole files, files cut off anywhere,
// damaged ones and ones still being written, and says what was lost.
//
// Recordings of robotics middleware are read too: topics of the Imu message and
// of NMEA sentences, chosen by name, become the same records.
//
// The container is MCAP 0 (mcap.dev/spec). Start at [Start] and [Open].
package recorder
