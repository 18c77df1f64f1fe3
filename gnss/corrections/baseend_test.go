package corrections

import (
	"strings"
	"testing"
)

// A silent link of 12 s, and what the base's end says meanwhile decides whether it is
// put down to the base receiver.
func TestBaseEnd(t *testing.T) {
	for name, tt := range map[string]struct {
		list []report
		want Cause
		says string
	}{
		"nobody watches":       {nil, LinkSilent, ""},
		"it sends":             {[]report{{-50, BaseSends}}, LinkSilent, "while the base's end said that it sent"},
		"its receiver stopped": {[]report{{-50, BaseSends}, {2.8, BaseSilent}, {13, BaseSends}}, BaseReceiverStopped, "the base receiver sent nothing"},
		"its computer too":     {[]report{{-50, BaseSends}, {3, BaseEndUnheard}, {14, BaseSends}}, LinkSilent, ""},
		"silent, then unheard": {[]report{{-50, BaseSends}, {3, BaseSilent}, {6, BaseEndUnheard}, {14, BaseSends}}, LinkSilent, ""},
		"silent long before":   {[]report{{-50, BaseSilent}, {-30, BaseSends}}, LinkSilent, "said that it sent"},
		"many changes":         {append(flapping(-60, 60), report{-1, BaseSends}), LinkSilent, "said that it sent"},
	} {
		in, off := session{seed: 9, length: 240, faults: []fault{{kind: "link_silent", from: 120, to: 132}}}.arrivals()
		from := simStart + off + 120
		list := tt.list
		_, eps := play(simConfig(), in, func(l *Link, now float64) {
			for len(list) > 0 && now >= from+list[0].after {
				l.BaseEnd(now, list[0].end)
				list = list[1:]
			}
		})
		if len(eps) != 1 || eps[0].Cause != tt.want {
			t.Errorf("%s: %v, want one %v", name, eps, tt.want)
			continue
		}
		text := eps[0].Paragraph(from-120, nil)
		if !strings.Contains(text, tt.says) || tt.says == "" && strings.Contains(text, "base's end") {
			t.Errorf("%s: %s", name, text)
		}
	}
}

// report is what is said of the base's end, s after the beginning of the silence.
type report struct {
	after float64
	end   BaseEnd
}

// flapping is a base's end that changes twice a second.
func flapping(from float64, n int) (list []report) {
	for i := range n {
		list = append(list, report{from + float64(i)/2, BaseEnd(i % 3)})
	}
	return list
}
