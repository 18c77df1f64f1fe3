package tui

import (
	"fmt"
	"strings"

	"kerbline/fusion/words"
)

// helpText is the help page. Cautions come first: they matter more than keys.
// A line that begins with ! is a heading; one with | is a word and what it
// means; the others are paragraphs.
var helpText = []string{
	"!Before you trust this screen",
	"kerbline advises. It is no safety device, it drives nothing and stops nothing.",
	"Keep the independent emergency stop and the trackside marshals; they must not depend on it.",
	"Test at low speed first, with room around the car.",
	"The rules of the event, local codes and licensed practice go first.",
	"",
	"!The big word, and the kerb around it",
	calls,
	"",
	"!The figures",
	"lateral|and along, heading: protection level of alert limit. The bar shows the parts: █ noise of the filter, ▓ largest step the jump test would miss, ▒ a suspected drift (only then), ░ speed times timing uncertainty. The limit is ┃; a bar past it is not usable.",
	"coast|seconds until a level would reach its limit if no GNSS were used from now on, at its own risk for each loss. Handover: seconds it takes to give the car to the fallback.",
	"link|the small bars are the frames of each message type over the last minute, oldest first; the highest bar is the usual rate, a dot is none.",
	"map|north is up. ⠒ map, = map_slow, o coasting, ? unproven, x unusable, S start, arrow: the car.",
	"Caps, budgets and countdowns are rounded down, protection levels up. A dash is unknown. Times of day are UTC once the receiver has reported it, else of this computer (host).",
	"",
	"!Keys",
	"1-7|pages drive, proof, link, senses, lap, diary, setup; Tab goes to the next one. While the settings are unproven setup opens by itself",
	"? or h|this help and back",
	"PgUp PgDn|scroll",
	"c|contrast: night, sun, no colour",
	"q|quit; live it asks first",
	"m|live: confirm a check mark, with the car standing on the surveyed point",
	"t|take the setting that the first reason proposes, for this run alone",
	"d|live: who steers from now on: map, manual, reactive. While it is not the map, the path of earlier laps and the map's edges are evidence for a fix",
	"space|replay: pause and go on; . plays one epoch",
	"← → ↑ ↓|replay: 10 s back and on, 60 s on and back; going back plays again from the start, unseen",
	"n b|replay: to the next event, to the one before",
	"+ -|replay: faster, slower",
}

// calls stands in the help for the table of words.
const calls = "calls"

// kerbWords say what the kerb around a word looks like.
var kerbWords = map[string]string{"GO": "whole", "SLOW": "in long pieces", "COAST": "in short pieces", "HAND OVER": "chequered", "STOP": "chequered", "WAIT": "dotted"}

// helpPage is the help with the table of words in its place: each word once, with
// every verdict and advice that it stands for.
func helpPage() []string {
	var out []string
	for _, s := range helpText {
		if s != calls {
			out = append(out, s)
			continue
		}
		at := map[string]int{}
		for _, c := range words.Calls {
			means := fmt.Sprintf("%s, advice %s: %s. ", c.Verdict, c.Advice, c.Means)
			i, ok := at[c.Word]
			if !ok {
				i = len(out)
				at[c.Word] = i
				out = append(out, c.Word+"|"+c.Do+" Kerb "+kerbWords[c.Word]+". ")
			}
			out[i] += strings.ToUpper(means[:1]) + means[1:]
		}
		out = append(out, words.NoData+"|Hand over or stop. Kerb chequered. Nothing was heard of the monitor for half a second: not usable.")
	}
	return out
}

// cautionLines is where the cautions end.
const cautionLines = 5

// helpLines returns the help, broken to w cells.
func helpLines(w int) []line {
	const indent = 11
	var out []line
	for _, s := range helpPage() {
		word, means, table := strings.Cut(s, "|")
		switch {
		case s == "":
			out = append(out, nil)
		case s[0] == '!':
			out = append(out, text(Strong, strings.ToUpper(s[1:])))
		case table:
			l := text(Strong, word)
			for _, part := range wrap(means, w-indent) {
				out = append(out, l.to(indent).put(Plain, part))
				l = nil
			}
		default:
			for _, part := range wrap(s, w) {
				out = append(out, text(Plain, part))
			}
		}
	}
	return out
}
