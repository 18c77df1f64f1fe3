// Package reception follows what the rover and the base receive, from their own
// observations: how strong the signals are against what is usual, whether they
// all fell together (interference) or some were hidden, which phases slip, which
// satellites the base lacks, where the base stands by its own ranges, and whether
// the rover's port sends what phases can be used from.
//
// C/N0 in dB-Hz, falls of it in dB and positive, times in host Unix s, positions
// Earth-centred, Earth-fixed in m. NaN and -1 mean unknown. Nothing is allocated
// once the signals are known. Thresholds are common practice, no source, unless
// said otherwise. Start at [Watch].
package reception
