// Package tui is the dashboard: one screen that tells a person at a track, at
// arm's length and in the sun, whether the position may drive the car now, how
// fast, and why not.
//
// Everything on it is made by pure functions from a [View] (a snapshot of the
// monitor, recent events, the map trail and the state of the shell around it)
// to character cells: [Draw] fills a [Canvas], [PlainScreen] returns the same
// cells as text, [PlainLine] says it in one line. Only [Run] touches a terminal:
// it puts the canvas on a tview screen, turns keys into actions by another pure
// function ([State.Key]) and paints from one goroutine a few times a second.
// Whoever owns the data publishes whole Views through a [Feed] and never waits
// for the screen.
//
// Units inside are those of package fusion (SI, radians); what is shown carries
// its unit, angles in degrees. A number that is not known is shown as a dash.
// Speed caps and countdowns are rounded down, protection levels up.
//
// A verdict is told apart by its word, by the shape of the kerb drawn around it
// and by light on dark against dark on light, never by colour alone. Text from
// outside (file names, event details, messages of the operating system) is
// written cell by cell through [Clean]: no part of it is read as a tview tag or
// reaches the terminal as a control sequence.
//
// A view older than [StaleAfter] of wall time is not believed: the screen then
// says so and shows NOT USABLE, whatever the last verdict was.
//
// Start at [Draw] for what is shown, at [Run] for how.
package tui
