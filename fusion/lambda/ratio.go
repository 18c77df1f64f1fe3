package lambda

// wrongAccepted is the share of problems that may end with wrong integers
// accepted: what the ratio test is held at.
const wrongAccepted = 1e-3

// Bounds of the ratio whatever the table says: it knows noise only, and a biased
// signal brings the best vectors closer together; the more so the weaker the
// geometry. Our own choice, no source.
const (
	mostAlike = 0.5
	weak      = 0.01 // failure rate of bootstrapping
	weakAlike = 1.0 / 3
)

// Rows and columns of the table below: number of ambiguities, and failure
// rate of bootstrapping after decorrelation.
var (
	counts   = [...]int{2, 3, 4, 5, 6, 8, 10, 14, 20}
	failures = [...]float64{0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.4}
)

// ratios holds the largest ratio of the two smallest squared norms at which
// integers may be accepted so that at most [wrongAccepted] of all problems end
// with wrong ones. The approach is that of Verhagen and Teunissen, "The ratio
// test for future GNSS ambiguity resolution", GPS Solutions 17 (2013), 535-548;
// the figures are ours: the smallest of 12 random geometries a cell (one epoch,
// 1-3 systems, 1-2 signals, phase 2-6 mm, code as the failure rate needs), 40000
// draws each, rounded down, made monotone. TestThreshold_FailureRate draws others.
var ratios = [len(counts)][len(failures)]float64{
	{0.74, 0.48, 0.32, 0.22, 0.07, 0.01, 0.00, 0.00},
	{0.76, 0.51, 0.38, 0.24, 0.12, 0.05, 0.02, 0.01},
	{0.77, 0.57, 0.44, 0.31, 0.15, 0.10, 0.05, 0.03},
	{0.80, 0.57, 0.46, 0.32, 0.20, 0.13, 0.10, 0.07},
	{0.83, 0.62, 0.49, 0.36, 0.24, 0.16, 0.15, 0.11},
	{0.84, 0.63, 0.54, 0.43, 0.31, 0.28, 0.25, 0.21},
	{0.84, 0.73, 0.62, 0.51, 0.40, 0.33, 0.31, 0.30},
	{0.87, 0.73, 0.67, 0.59, 0.52, 0.52, 0.50, 0.44},
	{0.91, 0.80, 0.72, 0.67, 0.62, 0.57, 0.57, 0.57},
}

// tabulated returns the ratio of the table for n ambiguities: the row of as many or
// fewer, the column of as high a failure rate or a higher one.
func tabulated(n int, failure float64) float64 {
	if failure <= wrongAccepted {
		return 1
	}
	row := -1
	for i, c := range counts {
		if c <= n {
			row = i
		}
	}
	for column, f := range failures {
		if row >= 0 && failure <= f {
			return ratios[row][column]
		}
	}
	return 0
}

// threshold returns the largest ratio best/second of squared norms at which n
// integers may be accepted when bootstrapping fails at the given rate; 0 is
// never.
func threshold(n int, failure float64) float64 {
	most := mostAlike
	if failure > weak {
		most = weakAlike
	}
	return min(tabulated(n, failure), most)
}
