// Package bench measures kerbline beside peers that do the same job in the
// plainest way, and prints a table of ratios. It holds tests only: the peers
// are checked in every test run, the table is made by .ci/bench.
//
// Each row is measured here and there in turns and the fastest round of each
// counts, so that what else the machine does weighs little. A ratio is the
// peer's time over ours: 2.0 means twice as fast as the peer. Units stand in
// the table. Start at TestTable.
package bench
