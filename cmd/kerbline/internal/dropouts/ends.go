package dropouts

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/fusion"
	"kerbline/fusion/score"
	"kerbline/gnss/bothends"
	"kerbline/gnss/corrections"
)

// Notes that a record of the base's end holds.
const (
	NoteAlive = "base: alive" // once a second, by the host clock
	NoteEnded = "base: ended" // a person ended the record
)

// Ends is the link as both of its ends saw it.
type Ends struct {
	Sent      int           `json:"frames_sent" doc:"by the base, of those that the car's recording covers"`
	Received  int           `json:"frames_received" doc:"whole, at the car"`
	Damaged   int           `json:"frames_damaged" doc:"bytes came when the frame was due, but not it"`
	Lost      int           `json:"frames_lost" doc:"nothing came"`
	Foreign   int           `json:"frames_foreign" doc:"that the car had and the base's record has not"`
	DelayUse  num           `json:"delay_usual_s" doc:"median, beyond the link's least delay"`
	DelayMost num           `json:"delay_p95_s" doc:"19 of 20 are shorter"`
	Alive     bool          `json:"marks_of_life" doc:"the base's record shows whether its computer ran"`
	Reach     num           `json:"sight_m" doc:"up to here the ground leaves the first Fresnel zone free by 0.6; null without [radio] settings"`
	Places    []EndPlace    `json:"places" doc:"frames by where the car was when they were due, along the lap"`
	Distances []EndDistance `json:"distances" doc:"the same by its distance from the base"`
}

// EndPlace is a stretch of the lap.
type EndPlace struct {
	From  num `json:"from_m" doc:"along the lap"`
	To    num `json:"to_m" doc:""`
	Sent  int `json:"frames_sent" doc:"while the car was there"`
	Lost  int `json:"frames_lost" doc:"or damaged"`
	Delay num `json:"delay_usual_s" doc:"median, beyond the link's least delay"`
}

// EndDistance is a range of distances from the base.
type EndDistance struct {
	From   num `json:"from_m" doc:"from the base"`
	To     num `json:"to_m" doc:""`
	Sent   int `json:"frames_sent" doc:"while the car was there"`
	Lost   int `json:"frames_lost" doc:"or damaged"`
	Margin num `json:"margin_db" doc:"of the link budget in the middle of it; null without [radio] settings"`
}

// place is where the car was at a time.
type place struct {
	t        float64 // host Unix s
	along    float64 // m along the lap, NaN where not known
	distance float64 // m from the base, NaN where not known
}

// trailEvery is the least time between two places kept, s: 3 m at 15 m/s.
const trailEvery = 0.2

// track keeps where the car is.
func (c *collector) track(s *fusion.Snapshot) {
	if n := len(c.trail); n > 0 && s.T-c.trail[n-1].t < trailEvery || len(c.trail) >= mostSeconds {
		return
	}
	p := place{s.T, math.NaN(), s.Link.Baseline}
	if s.HasCourse && s.HasPos {
		p.along, c.lap = s.Station, s.LapLength
	}
	c.trail = append(c.trail, p)
}

// JoinBase looks at every outage again with the record of the base's end.
func (r *Report) JoinBase(car, base *recording.Recording, radio *bothends.Radio) error {
	atCar, err := endOf(car)
	if err != nil {
		return fmt.Errorf("the car's recording: %w", err)
	}
	atBase, err := endOf(base)
	if err != nil {
		return fmt.Errorf("the base's recording: %w", err)
	}
	j, err := bothends.Join(atBase, atCar)
	if err != nil {
		return err
	}
	e := &ends{Joined: j, r: r, radio: radio, in: make([]int, len(j.Passages)), at: make([]place, len(j.Passages))}
	e.locate()
	for i := range r.Outages {
		e.judge(i)
	}
	r.Ends = e.sum()
	if !j.Lives {
		r.Missing = append(r.Missing, "the base's record holds no marks of life: a base receiver that stopped and a base computer that stopped look alike (kerbline base writes them)")
	}
	if !radio.Known() {
		r.Missing = append(r.Missing, "no [radio] settings: no link budget, and whether the ground stands in the way is not known")
	}
	return nil
}

// endOf reads what one end recorded of the link.
func endOf(rec *recording.Recording) (*bothends.Record, error) {
	e := &bothends.Record{}
	_, err := runner.Records(rec, 0, nil, func(in fusion.Record) error {
		switch in.Channel {
		case fusion.ChanCorrections:
			e.Bytes(in.T, in.Data)
		case fusion.ChanNote:
			switch string(in.Data) {
			case NoteAlive:
				e.Living(in.T)
			case NoteEnded:
				e.Ended = true
			}
		}
		return nil
	})
	return e, err
}

// ends joins the report with the base's end.
type ends struct {
	*bothends.Joined
	r     *Report
	radio *bothends.Radio
	in    []int   // outage in which each frame was due, -1 for none
	at    []place // where the car was then
}

// locate finds where the car was when each frame was due, and in which outage.
func (e *ends) locate() {
	trail := e.r.trail
	for i := range e.Passages {
		due := e.Passages[i].Due
		e.in[i] = -1
		for k := range e.r.Outages {
			if o := &e.r.Outages[k]; due >= float64(o.T)-float64(o.Slack) && due <= float64(o.End)+float64(o.Slack) {
				e.in[i] = k
			}
		}
		e.at[i] = place{due, math.NaN(), math.NaN()}
		k := sort.Search(len(trail), func(k int) bool { return trail[k].t >= due })
		if k < len(trail) && trail[k].t-due < 1 {
			e.at[i] = trail[k]
		}
	}
}

// judge says of one outage what both ends show.
func (e *ends) judge(k int) {
	o := &e.r.Outages[k]
	out := bothends.Outage{From: float64(o.T), To: float64(o.End), Where: float64(o.Where), Lap: e.r.lap, Distance: float64(o.Distance)}
	span := e.Between(out.From, out.To)
	if !span.Covered {
		return
	}
	g := bothends.Gather(out, span, e.radio)
	for i := range e.Passages {
		in := bothends.OtherOutage
		switch e.in[i] {
		case k:
			in = bothends.ThisOutage
		case -1:
			in = bothends.NoOutage
		}
		g.Frame(e.Passages[i].Due, e.at[i].along, e.Passages[i].Fate, in)
	}
	ev := g.Evidence
	finding := bothends.Decide(&ev)
	o.Base = &OutageBase{Sent: ev.Sent, Received: ev.Received, Damaged: ev.Damaged, Lost: ev.Lost, Silent: num(ev.Silent), Lifeless: num(ev.Lifeless),
		Passes: ev.NPass, PassLoss: num(ev.Passes.Share()), Edges: num(ev.Edges.Share()), Rest: num(ev.Rest.Share()), Margin: num(ev.Margin)}
	ep := &o.episode
	cause, text := corrections.BothEnds(finding, &ev, e.radio)
	if finding != bothends.Open && (ep.Cause == corrections.LinkSilent || ep.Cause == corrections.CauseUnknown || ep.Cause.TakesBothEnds()) {
		ep.Cause = cause
		o.Cause, o.Try = cause.String(), cause.Try()
	}
	ep.BaseEnd = text
	o.Text = ep.Paragraph(e.r.zero, e.r.zone.Beside)
}

// OutageBase is what the base's end shows of an outage.
type OutageBase struct {
	Sent     int `json:"frames_sent" doc:"meanwhile"`
	Received int `json:"frames_received" doc:""`
	Damaged  int `json:"frames_damaged" doc:""`
	Lost     int `json:"frames_lost" doc:""`
	Silent   num `json:"base_silence_s" doc:"longest time in which the base sent nothing"`
	Lifeless num `json:"base_no_life_s" doc:"longest time without a mark of life of its computer; null where none are recorded"`
	Passes   int `json:"other_passes" doc:"of the same place"`
	PassLoss num `json:"other_passes_lost" doc:"share lost or damaged on them"`
	Edges    num `json:"edges_lost" doc:"share in the 10 s before and after"`
	Rest     num `json:"elsewhere_lost" doc:"share at other places and times, outages left out"`
	Margin   num `json:"margin_db" doc:"of the link budget there; null without [radio] settings"`
}

// Bins of the tables.
const (
	placeBins    = 60 // along the lap
	distanceBins = 8  // from the nearest to the farthest
	leastRange   = 50 // m between them, from which on distance may matter
)

// sum draws up the tables.
func (e *ends) sum() *Ends {
	s := &Ends{Foreign: e.Foreign, Alive: e.Lives, Reach: num(e.radio.Reach()), Places: []EndPlace{}, Distances: []EndDistance{}}
	var delays []float64
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range e.Passages {
		p := &e.Passages[i]
		if t := e.r.From; p.Due < float64(t) || p.Due > float64(t+e.r.Span) {
			continue // the car's recording had not begun, or was over
		}
		var c bothends.Count
		c.Add(p.Fate)
		s.Sent++
		s.Received += c.Received
		s.Damaged += c.Damaged
		s.Lost += c.Lost
		if p.Fate == bothends.Received {
			delays = append(delays, p.Delay)
		}
		if d := e.at[i].distance; !math.IsNaN(d) {
			lo, hi = min(lo, d), max(hi, d)
		}
	}
	s.DelayUse, s.DelayMost = num(score.Quantile(delays, 0.5)), num(score.Quantile(delays, 0.95))
	if e.r.lap > 0 {
		s.Places = e.places()
	}
	if hi-lo >= leastRange {
		s.Distances = e.distances(lo, hi)
	}
	return s
}

func (e *ends) places() []EndPlace {
	list := make([]EndPlace, placeBins)
	delays := make([][]float64, placeBins)
	for i := range list {
		list[i].From, list[i].To = num(e.r.lap*float64(i)/placeBins), num(e.r.lap*float64(i+1)/placeBins)
	}
	for i := range e.Passages {
		if math.IsNaN(e.at[i].along) {
			continue
		}
		k := min(max(int(e.at[i].along/e.r.lap*placeBins), 0), placeBins-1)
		list[k].Sent++
		if p := &e.Passages[i]; p.Fate != bothends.Received {
			list[k].Lost++
		} else {
			delays[k] = append(delays[k], p.Delay)
		}
	}
	for i := range list {
		list[i].Delay = num(score.Quantile(delays[i], 0.5))
	}
	return list
}

func (e *ends) distances(lo, hi float64) []EndDistance {
	list := make([]EndDistance, distanceBins)
	width := (hi - lo) / distanceBins
	for i := range list {
		a := lo + width*float64(i)
		margin, _ := e.radio.Budget(a + width/2)
		list[i].From, list[i].To, list[i].Margin = num(a), num(a+width), num(margin)
	}
	for i := range e.Passages {
		if d := e.at[i].distance; !math.IsNaN(d) {
			k := min(int((d-lo)/width), distanceBins-1)
			list[k].Sent++
			if e.Passages[i].Fate != bothends.Received {
				list[k].Lost++
			}
		}
	}
	return list
}

// bothEnds writes what both ends saw.
func (r *Report) bothEnds(p *page) {
	s := r.Ends
	if s == nil {
		return
	}
	share := func(n int) float64 { return 100 * float64(n) / float64(max(s.Sent, 1)) }
	p.linef("\nboth ends")
	p.entry("frames", "%d sent by the base: %d received, %d damaged (%.1f %%), %d lost (%.1f %%); %d of the car's are not in the base's record",
		s.Sent, s.Received, s.Damaged, share(s.Damaged), s.Lost, share(s.Lost), s.Foreign)
	p.entry("delay", "%s usual beyond the link's least, 19 of 20 within %s", s.DelayUse.say(2, " s"), s.DelayMost.say(2, " s"))
	if s.Reach.known() {
		p.entry("sight", "over level ground the first Fresnel zone is clear of it by 0.6 up to %s from the base", s.Reach.say(0, " m"))
	}
	if n := len(s.Places); n > 0 {
		var loss, delay strings.Builder
		for _, b := range s.Places {
			loss.WriteByte(tenths(b.Sent, float64(b.Lost)/float64(max(b.Sent, 1))))
			delay.WriteByte(tenths(b.Sent, float64(b.Delay)))
		}
		p.linef("along the lap of %.0f m, one mark is %.0f m: lost in tenths of the\nframes, delay in tenths of a second; - nothing was sent while there", float64(s.Places[n-1].To), float64(s.Places[0].To))
		p.linef("  lost   %s", loss.String())
		p.linef("  delay  %s", delay.String())
	}
	for i, d := range s.Distances {
		if i == 0 {
			p.linef("by distance from the base")
		}
		margin := ""
		if d.Margin.known() {
			margin = fmt.Sprintf(", link budget %+.0f dB", float64(d.Margin))
		}
		p.linef("  %5.0f to %5.0f m: %5d sent, %5.1f %% lost or damaged%s", float64(d.From), float64(d.To), d.Sent, 100*float64(d.Lost)/float64(max(d.Sent, 1)), margin)
	}
}

// tenths is x in tenths as one digit, "." below a twentieth, "-" where n is 0.
func tenths(n int, x float64) byte {
	switch {
	case n == 0 || math.IsNaN(x):
		return '-'
	case x < 0.05:
		return '.'
	}
	return "0123456789"[min(int(10*x+0.5), 9)]
}
