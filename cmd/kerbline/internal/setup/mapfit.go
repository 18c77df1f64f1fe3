package setup

import (
	"context"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/fusion"
	"kerbline/fusion/words"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// laps are what laps by hand show of the map: how far they run beside its line, by
// place. A base that stands elsewhere than at the map's survey moves all of them
// one way over the ground, which is left here and right there on the lap.
type laps struct {
	place map[int]*beside
	base  geodesy.ECEF
	heard bool
	at    geodesy.LLA
	mark  string // confirmed while the base stood so
}

// beside is the mean of the passes of one place.
type beside struct{ n, cross, sin, cos, curve float64 }

const (
	placeLength = 5.0 // m
	leastPlaces = 30
	// placesAlike is over how many places a driver's line wanders alike: 20 m.
	// Common practice, no source.
	placesAlike = 4
	// shiftSure is how well a shift must be known to say that there is none, m.
	shiftSure = 0.25
	// mapNoise is what a map and a fixed position are themselves off by, m, 1 sigma:
	// RTK class statement.
	mapNoise = 0.03
)

// add takes a verdict line.
func (l *laps) add(s *fusion.Snapshot) {
	if s.Link.Base != corrections.BaseUnheard {
		l.base, l.heard = s.Link.BaseECEF, true
	}
	l.mark = ""
	if s.Mark.At > 0 {
		l.mark = s.Mark.Name
	}
	if s.Verdict != fusion.Usable || !s.HasCourse || !(s.Speed > 1) {
		return
	}
	l.at = s.Pos
	k := int(s.Station / placeLength)
	if l.place == nil {
		l.place = map[int]*beside{}
	}
	b := l.place[k]
	if b == nil {
		b = &beside{}
		l.place[k] = b
	}
	sin, cos := math.Sincos(s.CourseYaw)
	b.n++
	b.cross += s.Cross
	b.sin += sin
	b.cos += cos
	b.curve += s.YawRate / s.Speed
}

// shift returns how far the laps stand east and north of the map, m, and 1 sigma of
// each: what is left of the distance beside the line when a driver's habit of
// keeping to one side, and of cutting corners, is taken out.
func (l *laps) shift() (east, north, sigma float64, ok bool) {
	if len(l.place) < leastPlaces {
		return 0, 0, 0, false
	}
	n := mat.NewSymDense(4, nil)
	y := mat.NewVecDense(4, nil)
	var yy float64
	for _, b := range l.place {
		a := mat.NewVecDense(4, []float64{-b.sin / b.n, b.cos / b.n, 1, b.curve / b.n})
		n.SymRankOne(n, 1, a)
		y.AddScaledVec(y, b.cross/b.n, a)
		yy += b.cross / b.n * b.cross / b.n
	}
	var inv mat.Cholesky
	if !inv.Factorize(n) {
		return 0, 0, 0, false
	}
	var x mat.VecDense
	if inv.SolveVecTo(&x, y) != nil {
		return 0, 0, 0, false
	}
	var c mat.SymDense
	if inv.InverseTo(&c) != nil {
		return 0, 0, 0, false
	}
	noise := math.Max(0, yy-mat.Dot(&x, y)) / float64(len(l.place)) * placesAlike
	return x.AtVec(0), x.AtVec(1), math.Hypot(mapNoise, math.Sqrt(noise*math.Max(c.At(0, 0), c.At(1, 1)))), true
}

// mapFits compares the laps, judged with what was found, with the map, where its
// file does not say by which base it was surveyed or says another.
func (r *Report) mapFits(ctx context.Context, open Opener, progress Progress) error {
	rec, cfg, err := open(r.Set())
	if err != nil {
		return err
	}
	crs, err := rec.Course()
	if err != nil || crs == nil {
		return err
	}
	var l laps
	_, _, err = runner.Monitor(ctx, rec, cfg.Config, runner.Watch{
		Progress: func(done, total int64) { progress("comparing with the map", done, total) },
		After: func(s *fusion.Snapshot, _ []fusion.Event) error {
			if s != nil {
				l.add(s)
			}
			return nil
		}})
	if err != nil || !l.heard {
		return err
	}
	at, known := crs.Base()
	if m := cfg.Map.Base; !known && m != [3]float64{} {
		at, known = geodesy.ECEF{X: m[0], Y: m[1], Z: m[2]}, true
	}
	off := l.base.Dist(at)
	if known && off <= cfg.Base.Tolerance {
		return nil
	}
	if l.mark != "" {
		r.must(Finding{Key: "map.base_ecef_m", Value: fmt.Sprintf("[%.4f, %.4f, %.4f]", l.base.X, l.base.Y, l.base.Z),
			Evidence: fmt.Sprintf("m: check mark %q was confirmed: the map fits this base while it stands there", l.mark)})
		return nil
	}
	r.mapShift(&l, known, off)
	return nil
}

const doMark = "drive onto a check mark of the map's survey and confirm it (key m of the dashboard): one minute, and it holds while the base stands"

// mapShift says what the laps show of a map whose survey had another base, or none
// that is known.
func (r *Report) mapShift(l *laps, known bool, off float64) {
	east, north, sigma, ok := l.shift()
	if !ok {
		r.Next = append(r.Next, "drive a lap by hand with the receiver fixed, so that the map can be compared with it; or "+doMark)
		return
	}
	shift := fmt.Sprintf("the laps stand %s m east and %s m north of the map, ±%.2f", words.Num(east, 2), words.Num(north, 2), sigma)
	size := math.Hypot(east, north)
	b := l.base
	switch {
	case sigma > shiftSure:
		r.Next = append(r.Next, shift+": too little to tell; drive a slow lap in the middle of the road by hand, or "+doMark)
	case size > 3*sigma || known:
		// The base whose coordinates are off by the shift moves everything by it.
		f := geodesy.NewFrame(l.at)
		p, o := f.ToLLA(geodesy.ENU{E: east, N: north}).ECEF(), l.at.ECEF()
		why := ""
		if known {
			why = fmt.Sprintf("the base stands %.2f m from where it stood at the map's survey, and ", off)
		}
		r.trouble("%s%s: set the base up where it stood then, or enter %.3f, %.3f, %.3f as its coordinates; then compare again, or %s",
			why, shift, b.X-(p.X-o.X), b.Y-(p.Y-o.Y), b.Z-(p.Z-o.Z), doMark)
	default:
		r.must(Finding{Key: "map.base_ecef_m", Value: fmt.Sprintf("[%.4f, %.4f, %.4f]", b.X, b.Y, b.Z),
			Evidence: fmt.Sprintf("m: %s: the map fits this base. A yes says that a person steered by sight: a controller follows the map whatever the base", shift)})
	}
}
