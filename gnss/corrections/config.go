package corrections

import (
	"kerbline/gnss/bothends"
	"kerbline/gnss/geodesy"
)

// Config holds the limits of the link and the surveyed base.
type Config struct {
	LateAfter    float64 // s, latency of whole frames beyond which the link is late
	SilentAfter  float64 // s without a byte after which the link is silent
	AgeEpisode   float64 // s, correction age at which an outage begins
	CorruptShare float64 // share of bytes outside valid frames beyond which the link is corrupt
	SparseShare  float64 // share of the usual messages below which the link is sparse

	Surveyed  bool         // Base holds surveyed coordinates
	Base      geodesy.ECEF // m, surveyed antenna reference point
	Station   int          // expected reference station id, -1 for any
	Tolerance float64      // m by which broadcast coordinates may differ from the reference

	Radio bothends.Radio // the correction radio, for a link budget
}

// DefaultConfig returns limits for a base that sends once a second (common
// practice), without a surveyed base.
func DefaultConfig() Config {
	return Config{LateAfter: 2.5, SilentAfter: 2.5, AgeEpisode: 3, CorruptShare: 0.1, SparseShare: 0.6, Station: -1, Tolerance: 0.05}
}

// Fixed settings: none of them needs to change from track to track, each says
// why it has its value.
const (
	learnEpochs   = 5    // observation epochs heard before the link can be assessed
	learnUses     = 4    // corrections taken up before the rover can be assessed
	goodLeast     = 3    // good epochs in a row that end a fault of the link, at least
	goodSpoiled   = 6    // the same where bytes came broken: that comes and goes
	goodMost      = 12   // and at most; between: so many that a fault that goes on lets
	goodChance    = 1e-3 // them through in a row with this probability only
	goodToFlow    = 2    // good epochs in a row after which the link flows again
	jitterFloor   = 0.08 // s of latency beyond the usual that is never called late
	jitterSigmas  = 6    // else this many mean deviations
	clearlyLate   = 1.0  // s beyond the usual latency: an epoch counts as late evidence
	holdOpen      = 3.0  // s for which a corrupt, late or sparse link is watched before an episode opens
	uncorrectedS  = 2.0  // s without a corrected solution that count as not corrected
	satsMargin    = 4    // satellites whose loss is a blocked sky, with a worse quality
	satsShare     = 0.2  // or this share of the usual ones, whichever is more
	cn0Fall       = 6.0  // dB-Hz of mean C/N0, likewise
	skyHold       = 1.0  // s for which satellites and quality must be down
	roverGapMin   = 0.9  // s without a sentence: the receiver is silent
	roverGapTimes = 5    // or this many of its usual intervals
	requalifyS    = 3.0  // s for which quality and age must be back
	requalifyMax  = 60.0 // s after which an episode closes although the quality is not back
	baseWaitMax   = 30.0 // s an episode waits for base coordinates after a silence
	anotherTime   = 60.0 // s by which a clock of unknown offset, or another stream, is not merely late
	fewSats       = 2.5  // a constellation of fewer satellites may come and go
	newUsualAfter = 300  // s of a thinner message set after which it is the usual one
	windowS       = 5.0  // s over which byte rates and shares are taken
)
