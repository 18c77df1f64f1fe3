// Package dropouts describes what the correction link did over a recording: every
// outage with its cause and evidence, what came over the link and how well,
// where the base stands, and what the receiver made of it.
//
// It steps the same monitor as every command, so its outages are those of the
// event lines; what is counted beside comes from the decoded measurements.
// Times are host Unix seconds or seconds from the first record; metres, seconds,
// bytes otherwise. NaN and -1 mean unknown, null in JSON.
//
// Start at [Run]; [Report] lists every field with its meaning.
package dropouts
