// Package campaign drives many generated drives through the monitor, in memory,
// and counts what a user would suffer: misleading events an hour, excursions
// beyond the protection level, availability, false alarms, runs that never came
// back. It holds tests only; .ci/campaign prints the table.
//
// The kinds of drive are those of fixtures.Rows, drawn by seed; the same hours,
// rows and seed give the same table. Metres, seconds, radians; errors are those at
// the body origin against the closed form of the truth, lateral and along as
// package score splits them. A count stands with its exact one-sided 95 % bound
// (package bounds). Start at TestCampaign.
package campaign
