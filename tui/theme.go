package tui

import "github.com/gdamore/tcell/v2"

// theme turns roles into what a terminal shows.
type theme [numStyles]tcell.Style

// Colours are chosen so that a red-green blind eye still knows them by
// lightness: go is dark on light green-blue, no is light on dark red. Contrast
// of every pair is at least 4.5 to 1 (WCAG 2.1, success criterion 1.4.3), held
// by TestThemeContrast.
var (
	night = colours(0x000000, palette{
		plain: 0xffffff, label: 0xb8b8b8, rule: 0x8c8c8c,
		good: 0x40dcb0, slow: 0xffe030, coast: 0x66c4ff, bad: 0xff8264, unsure: 0xd4b4ff,
		alarmFg: 0x000000, alarmBg: 0xffb000, keysFg: 0xffffff, keysBg: 0x303030,
	})
	sun = colours(0xffffff, palette{
		plain: 0x000000, label: 0x404040, rule: 0x707070,
		good: 0x00604a, slow: 0x6a4c00, coast: 0x00489c, bad: 0xa80000, unsure: 0x52249a,
		alarmFg: 0xffffff, alarmBg: 0x000000, keysFg: 0xffffff, keysBg: 0x303030,
	})
	mono = withoutColour()
)

type palette struct {
	plain, label, rule             int32
	good, slow, coast, bad, unsure int32
	alarmFg, alarmBg               int32
	keysFg, keysBg                 int32
}

func colours(ground int32, p palette) theme {
	on := func(fg, bg int32) tcell.Style {
		return tcell.StyleDefault.Foreground(tcell.NewHexColor(fg)).Background(tcell.NewHexColor(bg))
	}
	return theme{
		Plain: on(p.plain, ground), Label: on(p.label, ground), Strong: on(p.plain, ground).Bold(true), Rule: on(p.rule, ground),
		Good: on(p.good, ground), Slow: on(p.slow, ground).Bold(true), Coast: on(p.coast, ground).Bold(true),
		Bad: on(p.bad, ground).Bold(true), Unsure: on(p.unsure, ground).Bold(true),
		HeadGood: on(0x000000, 0x30e0a8), HeadSlow: on(0x000000, 0xffe000), HeadCoast: on(0x000000, 0x66c4ff),
		HeadBad: on(0xffffff, 0xa01010), HeadUnsure: on(0x000000, 0xd0d0d0),
		Alarm: on(p.alarmFg, p.alarmBg).Bold(true), Keys: on(p.keysFg, p.keysBg),
	}
}

// withoutColour uses attributes only: the heads that allow driving on the map
// are reversed, the others are not.
func withoutColour() theme {
	d := tcell.StyleDefault
	return theme{
		Plain: d, Label: d, Strong: d.Bold(true), Rule: d,
		Good: d, Slow: d.Bold(true), Coast: d.Bold(true), Bad: d.Bold(true).Underline(true), Unsure: d.Underline(true),
		HeadGood: d.Reverse(true), HeadSlow: d.Reverse(true), HeadCoast: d.Bold(true), HeadBad: d.Bold(true), HeadUnsure: d,
		Alarm: d.Bold(true).Reverse(true), Keys: d.Reverse(true),
	}
}

// chooseTheme returns the theme for the n-th press of the contrast key on a
// terminal of so many colours.
func chooseTheme(n, terminalColours int, noColour bool) *theme {
	if noColour || terminalColours < 8 {
		return &mono
	}
	return [...]*theme{&night, &sun, &mono}[((n%3)+3)%3]
}

// plainRune replaces what a terminal without Unicode cannot show.
func plainRune(r rune) rune {
	switch {
	case r < 0x80:
		return r
	case r > 0x2800 && r <= 0x28ff:
		return '*'
	}
	if a, ok := asciiRunes[r]; ok {
		return a
	}
	return '?'
}

var asciiRunes = map[rune]rune{
	'█': '#', '▓': '%', '▒': '/', '░': ':', '▀': '^', '▄': '=', '▁': '_', '▂': '_', '▃': '-', '▅': '+', '▆': '#', '•': '.', '·': '.', '┃': '|', '╋': '!', '▶': '>', '▸': '>',
	'◆': '@', '●': '*', '—': '-', '…': '~', '±': '~', '²': '2', 'µ': 'u', 'σ': 's', '√': 'v', '─': '-', '═': '=', '⠒': '*',
	'→': '>', '←': '<', '↑': '^', '↓': 'v', '↗': '/', '↙': '/', '↖': '\\', '↘': '\\',
}
