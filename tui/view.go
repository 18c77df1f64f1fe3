package tui

import (
	"math"
	"sync"
	"sync/atomic"
	"time"

	"kerbline/fusion"
	"kerbline/fusion/civil"
	"kerbline/gnss/geodesy"
)

// StaleAfter is the age in s of wall time beyond which a live view is not
// believed.
const StaleAfter = 0.5

// View is everything one screen shows. It is made by the owner of the data and
// not changed after it was published; its slices are shared, not copied.
type View struct {
	Snap   fusion.Snapshot // Seq 0 and T 0 or NaN: nothing came yet
	Events []fusion.Event  // recent ones, newest first
	Trail  []TrailPoint    // where the verdict was what, oldest first
	Course []geodesy.LLA   // centre line of the map, may be empty
	Closed bool            // the course is a loop

	Risk, RiskCoast float64 // behind the protection levels and the coast budget, NaN unknown

	Zone civil.Zone // whose local time stands beside UTC

	Name      string    // of the recording or of the place, from outside
	Recording Recording // what becomes of the data received
	Sources   []Source  // live sources and how they are
	Marks     []string  // names of the surveyed check marks
	Replay    *Replay   // nil in live
	Takes     bool      // proposed settings can be taken for this run, at key t
	Guided    bool      // a pass of setup: the setup page asks for all that calibration needs
	Notice    string    // a short word from the shell: "mark start-finish confirmed"

	Made  time.Time // wall clock at publication
	Stale float64   // s of wall time since Made; the shell fills it at each paint
}

// TrailPoint is one place the car was, and what the verdict was there.
type TrailPoint struct {
	T       float64 // host Unix s
	Pos     geodesy.LLA
	Verdict fusion.Verdict
	Advice  fusion.Advice
}

// Recording says what becomes of the data received.
type Recording struct {
	Wanted bool   // false in replay, or when no recording was asked for: nothing is shown
	OK     bool   // it is being written
	File   string // from outside
	Bytes  int64
	Words  string // why it is not written: "disk full"
}

// Source is one live input as its reader sees it.
type Source struct {
	Name  string
	OK    bool
	Words string // "115200 baud", "no such device, trying again"
}

// Replay is where a played recording stands.
type Replay struct {
	Pos    float64 // s from its start
	Length float64 // s, NaN when not known yet
	Speed  float64 // times real time
	Paused bool
	AtEnd  bool
	Seek   float64 // share of a running seek in [0, 1], NaN when none runs
}

// blank reports whether no snapshot came yet.
func (v *View) blank() bool { return v.Snap.Seq == 0 && !(v.Snap.T > 0) }

// stale reports whether the view is too old to be believed. A replayed moment
// is as old as it is; only live views grow stale.
func (v *View) stale() bool { return v.Replay == nil && !(v.Stale <= StaleAfter) }

// Bounds of what a Feed keeps.
const (
	maxEvents    = 200
	maxTrail     = 6000
	trailSpacing = 1.0 // m between trail points while the verdict stays the same
)

// Feed collects what a View shows and publishes it. One goroutine may step it
// while others set the state of sources or of the recording; readers call
// Latest and wait for nobody.
type Feed struct {
	mu     sync.Mutex
	v      View
	events []fusion.Event // oldest first
	fresh  bool           // events changed since the last publication
	trail  []TrailPoint   // append only: published slices share it
	latest atomic.Pointer[View]
}

// NewFeed returns a feed with nothing in it but the fixed parts of base: name,
// course, risks, marks.
func NewFeed(base View) *Feed {
	f := &Feed{v: base}
	f.trail = make([]TrailPoint, 0, 2*maxTrail)
	return f
}

// Step takes over what the monitor gave: a snapshot (nil when no verdict line
// was due) and events. It copies both.
func (f *Feed) Step(s *fusion.Snapshot, events []fusion.Event) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(events) > 0 {
		if over := len(f.events) + len(events) - maxEvents; over > 0 {
			f.events = append(f.events[:0], f.events[min(over, len(f.events)):]...)
		}
		f.events = append(f.events, events[max(0, len(events)-maxEvents):]...)
		f.fresh = true
	}
	if s == nil {
		return
	}
	f.v.Snap = *s
	if !s.HasPos || !s.Pos.Valid() {
		return
	}
	p := TrailPoint{s.T, s.Pos, s.Verdict, s.Advice}
	if n := len(f.trail); n > 0 {
		last := f.trail[n-1]
		if last.Verdict == p.Verdict && last.Advice == p.Advice && flatDist(last.Pos, p.Pos) < trailSpacing {
			return
		}
	}
	if len(f.trail) == cap(f.trail) {
		// Published views still read the old storage, so start a new one.
		t := make([]TrailPoint, 0, 2*maxTrail)
		f.trail = append(t, f.trail[len(f.trail)-maxTrail:]...)
	}
	f.trail = append(f.trail, p)
}

// Set changes the parts of the view that the shell knows.
func (f *Feed) Set(change func(*View)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change(&f.v)
}

// Reset forgets snapshot, events and trail: the recording starts again.
func (f *Feed) Reset() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.v.Snap = fusion.Snapshot{}
	f.events, f.fresh = nil, true
	f.trail = make([]TrailPoint, 0, 2*maxTrail)
}

// Publish makes what was collected the latest view, as of the wall clock now.
// Live, call it only when the monitor really stepped: the age of the view is
// how the screen knows that it still does.
func (f *Feed) Publish(now time.Time) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.fresh {
		newest := make([]fusion.Event, len(f.events))
		for i, e := range f.events {
			newest[len(newest)-1-i] = e
		}
		f.v.Events, f.fresh = newest, false
	}
	f.v.Trail = f.trail[max(0, len(f.trail)-maxTrail):len(f.trail):len(f.trail)]
	v := f.v
	v.Made = now
	if v.Replay != nil {
		r := *v.Replay
		v.Replay = &r
	}
	f.latest.Store(&v)
}

// PublishSame publishes the latest view again with a change to it, but without
// what was collected since: a replay that seeks shows how far it is, not the
// moments it passes.
func (f *Feed) PublishSame(change func(*View)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var v View
	if p := f.latest.Load(); p != nil {
		v = *p
	}
	change(&v)
	f.latest.Store(&v)
}

// Latest returns the newest published view, nil before the first.
func (f *Feed) Latest() *View { return f.latest.Load() }

// flatDist returns the distance in m of two near points, on a sphere: good
// enough to space and draw a trail.
func flatDist(a, b geodesy.LLA) float64 {
	return math.Hypot((a.Lat-b.Lat)*geodesy.A, (a.Lon-b.Lon)*geodesy.A*math.Cos(a.Lat))
}
