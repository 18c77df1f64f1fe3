package dropouts

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"kerbline/cmd/kerbline/internal/excerpt"
	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/fusion"
	"kerbline/gnss/corrections"
)

// nothing is the error of corrections that hold none: a report would read as if all
// were well. Beside a receiver the link is told to be silent or broken instead.
func (r *Report) nothing(given, empty bool) error {
	switch {
	case !given || r.Link.Frames > 0 || r.Receiver.Epochs > 0:
		return nil
	case r.Link.Bytes == 0 && !empty:
		return errors.New("the corrections hold no line that can be read: want t,hex or the bytes of RTCM 3 as they came (.rtcm3)")
	case r.Link.Bytes == 0:
		return errors.New("the corrections are empty: not one byte was recorded; check that the tap was connected, and give the file that was written")
	}
	why := ""
	if len(r.Link.Refused) > 0 {
		why = ", most of them " + slices.MaxFunc(r.Link.Refused, func(a, b Refused) int { return cmp.Compare(a.Bytes, b.Bytes) }).Reason
	}
	return fmt.Errorf("the corrections hold no RTCM 3 frame: %d bytes%s; check the port's baud rate and that the base sends RTCM 3, or give another file", r.Link.Bytes, why)
}

// Run steps the monitor over rec and returns what its correction link did; where
// there is a part, the outages and the timeline are those of it alone. progress
// hears the bytes read and in all; ctx ends it early.
func Run(ctx context.Context, rec *recording.Recording, cfg fusion.Config, part *excerpt.Part, progress func(done, total int64)) (*Report, error) {
	c := newCollector(&cfg)
	after := c.output
	var chosen *excerpt.Tracker
	if part != nil {
		chosen = part.NewTracker(rec, &cfg)
		after = func(s *fusion.Snapshot, ev []fusion.Event) error {
			if s != nil {
				chosen.Line(s)
			}
			return c.output(s, ev)
		}
	}
	mon, damage, err := runner.Monitor(ctx, rec, cfg, runner.Watch{
		Progress: progress,
		Begin: func(m *fusion.Monitor, hasMap bool) {
			c.hasMap = hasMap
			m.OnEpisode(func(e *corrections.Episode) { c.closed = append(c.closed, *e) })
		},
		Before: c.measurement,
		After:  after,
	})
	if err != nil {
		return nil, err
	}
	r := c.report(mon.Snapshot(), damage)
	if err := r.nothing(rec.Corrections()); err != nil || chosen == nil {
		return r, err
	}
	from, to, err := chosen.Span()
	if err != nil {
		return nil, err
	}
	r.choose(part.String(), from, to)
	return r, nil
}

// choose keeps the outages and the timeline of the part from one host time to
// another.
func (r *Report) choose(text string, from, to float64) {
	r.Part = &Part{Text: text, From: num(from), To: num(to)}
	kept, letters := []Outage{}, []byte{}
	for i := range r.Outages {
		if o := &r.Outages[i]; float64(o.End) >= from && float64(o.T) <= to {
			kept, letters = append(kept, *o), append(letters, r.letters[i])
		}
	}
	r.Outages, r.letters = kept, letters
	t := &r.Timeline
	cut := func(marks string) string {
		n := len(marks)
		a := min(n, max(0, int(from-float64(r.From))))
		return marks[a:min(n, max(a, int(to-float64(r.From))+1))]
	}
	t.From = num(max(0, math.Floor(from-float64(r.From))))
	t.Link, t.Quality = cut(t.Link), cut(t.Quality)
}
