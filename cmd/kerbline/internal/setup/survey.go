package setup

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"kerbline/cmd/kerbline/internal/recording"
	"kerbline/cmd/kerbline/internal/runner"
	"kerbline/cmd/kerbline/internal/settings"
	"kerbline/fusion"
	"kerbline/fusion/columns"
	"kerbline/gnss"
	"kerbline/gnss/geodesy"
)

// survey is what one reading of a recording gathers, before anything is known
// of its tables.
type survey struct {
	ref     columns.Reference
	fixed   int       // epochs that say fixed
	epochs  int       // with a position
	period  float64   // s, usual
	late    []float64 // s, of correction epochs against the sentences' clock
	base    geodesy.ECEF
	bases   int // messages with coordinates
	station int
	types   map[int]int // correction messages by number

	imu, wheel lines
	imuTimes   span // of the samples that could be read
	wheelTimes span
	refused    map[fusion.Channel]string // the first refusal of each
	refusals   map[fusion.Channel]int
}

// span is where some times begin and end, and how many there are.
type span struct {
	n           int
	first, last float64
}

func (s *span) add(t float64) {
	if s.n == 0 {
		s.first = t
	}
	s.n++
	s.last = t
}

func (s *span) rate() float64 { return float64(s.n-1) / (s.last - s.first) }

// lines cuts a table into lines and keeps an even choice of them.
type lines struct {
	columns.Lines
	carry []byte
}

func (l *lines) push(data []byte) {
	l.carry = append(l.carry, data...)
	for {
		n := bytes.IndexByte(l.carry, '\n')
		if n < 0 {
			return
		}
		l.Add(l.carry[:n])
		l.carry = l.carry[n+1:]
	}
}

// look reads the recording once.
func look(ctx context.Context, rec *recording.Recording, cfg *settings.File, progress func(done, total int64)) (*survey, error) {
	s := &survey{types: map[int]int{}, refused: map[fusion.Channel]string{}, refusals: map[fusion.Channel]int{}, station: -1}
	stream, err := rec.Stream(cfg.GNSS.Latency)
	if err != nil {
		return nil, err
	}
	defer stream.Close()
	d := fusion.NewDecoder(cfg.Config)
	var drive columns.Drive
	hostMinusUTC := math.NaN()
	emit := func(m *fusion.Measurement) {
		switch m.Kind {
		case fusion.KindEpoch:
			if m.Epoch.HasPos && !math.IsNaN(m.Epoch.UTC) {
				drive.Add(m.Epoch.Arrival-cfg.GNSS.Latency, m.Epoch.Pos.Lat, m.Epoch.Pos.Lon, m.Epoch.Speed, m.Epoch.Course)
				if m.Epoch.Quality == gnss.QualityFixed {
					s.fixed++
				}
				hostMinusUTC = m.Epoch.Arrival - cfg.GNSS.Latency - m.Epoch.UTC
			}
		case fusion.KindIMU:
			s.imuTimes.add(m.T)
		case fusion.KindWheel:
			s.wheelTimes.add(m.T)
		case fusion.KindFrame:
			s.types[m.Frame.Number]++
			if m.Frame.HasBase {
				s.base, s.station = m.Frame.Base, m.Frame.Station
				s.bases++
			}
			utc := m.T - hostMinusUTC
			if e := m.Frame.Epoch(utc); !math.IsNaN(e) && !m.Frame.More {
				s.late = append(s.late, utc-e)
			}
		case fusion.KindRefused:
			if s.refusals[m.Channel]++; s.refused[m.Channel] == "" {
				s.refused[m.Channel] = m.Note
			}
		}
	}
	last := 0.0
	for n := 0; ; n++ {
		r, ok := stream.Next()
		if !ok {
			break
		}
		switch last = r.T; r.Channel {
		case fusion.ChanIMU:
			s.imu.push(r.Data)
		case fusion.ChanWheel:
			s.wheel.push(r.Data)
		}
		if _, _, refused := stream.Refused(); !refused {
			d.Decode(r, emit)
		}
		if n%4096 == 0 {
			progress(stream.Progress())
			if ctx.Err() != nil {
				return nil, runner.ErrInterrupted
			}
		}
	}
	d.Close(last, emit)
	s.epochs, s.period, s.ref = drive.Len(), drive.Period(), drive.Reference()
	return s, stream.Err()
}

// inputs says in a line each what the recording holds.
func (s *survey) inputs(rec *recording.Recording) (out []Input) {
	say := func(name, format string, a ...any) { out = append(out, Input{name, fmt.Sprintf(format, a...)}) }
	if s.epochs > 0 {
		say("receiver", "%.3g Hz, %d positions, %.0f %% of them fixed", 1/s.period, s.epochs, 100*float64(s.fixed)/float64(s.epochs))
	} else {
		say("receiver", "no position")
	}
	if n := len(s.late); n > 0 {
		var numbers []int
		for t := range s.types {
			numbers = append(numbers, t)
		}
		slices.Sort(numbers)
		say("corrections", "messages %s; %d with the base's coordinates", strings.Trim(fmt.Sprint(numbers), "[]"), s.bases)
	}
	for _, t := range []struct {
		name string
		l    *lines
		sp   *span
	}{{"inertial", &s.imu, &s.imuTimes}, {"wheel", &s.wheel, &s.wheelTimes}} {
		switch {
		case t.l.Seen == 0 && t.sp.n == 0:
			say(t.name, "none")
		case t.sp.n < 2:
			say(t.name, "%d lines, none that the present columns read", t.l.Seen)
		default:
			say(t.name, "%.4g Hz, %d samples", t.sp.rate(), t.sp.n)
		}
	}
	for _, n := range rec.Notes {
		say("note", "%s", n)
	}
	return out
}
