// Package sources reads live inputs: serial ports, TCP, UDP, NTRIP, files, pipes
// and standard input, each named by a URL.
//
// A source hands on chunks of bytes as they were read, with the time in ns at
// which the read returned, and never interprets them. Whatever goes wrong with
// it - unplugged, busy, no permission, refused by a caster, a wrong baud rate -
// is put into words at once, tried again for ever, and touches no other source.
//
// Start at [Parse] and [Source.Run].
package sources
