package publish

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"os"
	"sync"
	"time"

	"kerbline/cmd/kerbline/internal/lines"
	"kerbline/fusion"
	"kerbline/gnss"
	"kerbline/gnss/corrections"
	"kerbline/gnss/geodesy"
)

// Listener receives verdicts under the rule of a consumer, and says when there
// are none.
type Listener struct {
	Rule
	// Disengaged is the controller's word that it does not drive by the map, nil
	// where no controller is behind it.
	Disengaged func() bool
	Key        *Key   // takes only what is signed with it; nil takes all
	Refused    uint64 // datagrams that were not taken

	ear Ear
	now func() float64 // steady clock, s
}

// Ear is where datagrams or messages come in.
type Ear interface {
	// Hear returns the next one, valid until the following call, and who sent it;
	// after deadline the error is [os.ErrDeadlineExceeded], after Close
	// [net.ErrClosed].
	Hear(deadline time.Time) (b []byte, from string, err error)
	Addr() string
	Close() error
}

// NewListener returns a listener that hears through ear.
func NewListener(ear Ear) *Listener {
	start := time.Now()
	return &Listener{ear: ear, now: func() float64 { return time.Since(start).Seconds() }}
}

// socket is an [Ear] for datagrams.
type socket struct {
	*net.UDPConn
	buf []byte
}

func (s *socket) Hear(deadline time.Time) (b []byte, from string, err error) {
	_ = s.SetReadDeadline(deadline)
	n, a, err := s.ReadFromUDPAddrPort(s.buf)
	return s.buf[:n], a.String(), err
}

func (s *socket) Addr() string { return s.LocalAddr().String() }

// Listen opens addr, host:port with or without udp://. An empty host is this
// computer only; 0.0.0.0 hears the network, and that needs a key.
func Listen(addr string, key *Key) (*Listener, error) {
	ua, err := resolve(addr)
	if err != nil {
		return nil, err
	}
	if !ua.IP.IsLoopback() && key == nil {
		return nil, fmt.Errorf("publish: at %s others can speak for the monitor, want a loopback address, or a key in %s or --publish-key FILE", ua, KeyEnv)
	}
	conn, err := net.ListenUDP("udp", ua)
	if err != nil {
		return nil, fmt.Errorf("publish: %s: %w, want a free port", ua, err)
	}
	l := NewListener(&socket{conn, make([]byte, 64<<10)})
	l.Key = key
	return l, nil
}

// Addr returns where the listener hears.
func (l *Listener) Addr() string { return l.ear.Addr() }

// Close stops listening and ends a Next under way.
func (l *Listener) Close() error { return l.ear.Close() }

// Now is the clock of the rule, s.
func (l *Listener) Now() float64 { return l.now() }

// ErrSilent is returned by Next when no verdict came in time: the position is
// not usable.
var ErrSilent = errors.New("publish: nothing heard")

// Next returns the next verdict that [Rule] takes. What it refuses is counted;
// when nothing is taken before the verdict that is held ends, or within [Hold]
// seconds, it returns [ErrSilent], again and again while the silence lasts.
func (l *Listener) Next(ctx context.Context) (lines.Verdict, error) {
	wait := l.Until() - l.Now()
	if wait <= 0 {
		wait = Hold
	}
	deadline := time.Now().Add(time.Duration(wait * 1e9))
	for {
		if ctx.Err() != nil {
			return lines.Verdict{}, ctx.Err()
		}
		b, from, err := l.ear.Hear(deadline)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return lines.Verdict{}, ErrSilent
		}
		if err != nil {
			return lines.Verdict{}, err
		}
		if !l.Key.Check(b) {
			l.Refused++
			l.why = errKey
			continue
		}
		v, err := lines.ParseVerdict(b)
		if err != nil || l.Hear(l.Now(), from, &v, l.Disengaged == nil || l.Disengaged()) != "" {
			l.Refused++
			continue
		}
		return v, nil
	}
}

// blank is the snapshot of a monitor that knows nothing yet.
var blank = sync.OnceValue(func() fusion.Snapshot {
	s := *fusion.NewMonitor(fusion.DefaultConfig(), nil).Snapshot()
	nan := math.NaN()
	l := &s.Link
	l.Since, l.LastByte, l.BytesPerS, l.Latency, l.UsualLat, l.BadShare, l.UsualSats = nan, nan, nan, nan, nan, nan, nan
	l.BaseOff, l.Baseline, l.RoverAge, l.OpenSince, l.LastStart, l.LastEnd = nan, nan, nan, nan, nan, nan
	l.Station, l.RoverStn = -1, -1
	return s
})

// Snapshot turns a verdict heard back into as much of a snapshot as it holds;
// the rest is unknown.
func Snapshot(v *lines.Verdict) fusion.Snapshot {
	s := blank()
	s.Taken = v.Taken
	Fill(&s, v)
	return s
}

// Fill writes what a verdict says into s; the rest of s stays.
func Fill(s *fusion.Snapshot, v *lines.Verdict) {
	s.T, s.Seq = float64(v.T), v.Seq
	// A word that is not known means the worst.
	s.Verdict, s.Advice = fusion.Unusable, fusion.AdviseStop
	for w := fusion.Unproven; w <= fusion.Unusable; w++ {
		if w.String() == v.Verdict {
			s.Verdict = w
		}
	}
	for a := fusion.AdviseStop; a <= fusion.AdviseMap; a++ {
		if a.String() == v.Advice {
			s.Advice = a
		}
	}
	same := s.NReasons == len(v.Reasons) // then values and limits, which a line does not hold, still say something
	for i, code := range v.Reasons {
		same = same && i < len(s.Reasons) && s.Reasons[i].Code == code
	}
	if !same {
		s.NReasons = 0
	}
	for i, code := range v.Reasons {
		if !same && i < len(s.Reasons) {
			s.Reasons[i] = fusion.Reason{Code: code, Value: math.NaN(), Limit: math.NaN(), Since: math.NaN()}
			s.NReasons = i + 1
		}
	}
	s.SpeedCap, s.Coast, s.Handover = float64(v.SpeedCap), float64(v.Coast), float64(v.Handover)
	if !math.IsNaN(float64(v.Lat)) && !math.IsNaN(float64(v.Lon)) {
		s.HasPos = true
		s.Pos = geodesy.LLA{Lat: float64(v.Lat) * geodesy.Degree, Lon: float64(v.Lon) * geodesy.Degree, H: float64(v.H)}
	}
	s.Yaw, s.Speed = float64(v.Yaw), float64(v.Speed)
	s.SigmaLat, s.SigmaLon, s.SigmaYaw = float64(v.SigmaLat), float64(v.SigmaLon), float64(v.SigmaYaw)
	s.PLLat.Total, s.PLLon.Total, s.PLYaw.Total = float64(v.PLLat), float64(v.PLLon), float64(v.PLYaw)
	s.PLLat.Sigma, s.PLLon.Sigma, s.PLYaw.Sigma = s.SigmaLat, s.SigmaLon, s.SigmaYaw
	s.ALLat, s.ALLon, s.ALYaw = float64(v.ALLat), float64(v.ALLon), float64(v.ALYaw)
	s.Epoch.Quality = gnss.QualityUnknown
	if v.Quality >= 0 && v.Quality <= lines.Int(gnss.QualitySimulated) {
		s.Epoch.Quality = gnss.Quality(v.Quality)
	}
	s.Epoch.Age, s.Epoch.Station = float64(v.Age), int(v.Station)
	s.Link.RoverAge, s.Link.RoverStn = s.Epoch.Age, s.Epoch.Station
	s.Link.Tapped = v.Link != corrections.Untapped.String()
	for c := corrections.Untapped; c <= corrections.Silent; c++ {
		if c.String() == v.Link {
			s.Link.Condition = c
		}
	}
}

// Nothing is what to show while nothing is heard: t is the time of the last
// verdict.
func Nothing(last *fusion.Snapshot) fusion.Snapshot {
	s := blank()
	s.T, s.Seq = last.T, last.Seq
	s.Verdict, s.Advice = fusion.Unusable, fusion.AdviseStop
	s.Reasons[0] = fusion.Reason{Code: "not-heard", Value: math.NaN(), Limit: math.NaN(), Since: last.T}
	s.NReasons = 1
	return s
}
