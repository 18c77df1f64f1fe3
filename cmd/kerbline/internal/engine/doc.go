// Package engine runs the monitor on live inputs.
//
//	source ─┐                       ┌─> recorder
//	source ─┼─> queue ─> one loop ──┤
//	ticks ──┘                       └─> decoder -> monitor -> published, files, screen
//
// One goroutine takes records in the order they arrived, records each before it
// is interpreted, and steps the monitor. Its ticks are the only clock the
// monitor knows and are recorded too, so replaying the recording through the
// same decoder and monitor gives the same verdict lines, byte for byte.
//
// Nothing on the right can hold up the loop: the recorder, the files and the
// network take copies into bounded buffers. Records are never dropped between
// source and monitor; a source that is too fast waits.
//
// Times are host Unix time in whole ns, stamped by the source when its read
// returned. They never fall, but for a host clock that was set back by more than
// a second: other programs that stamp lines follow it too.
//
// Start at [New] and [Engine.Run].
package engine
