package publish

import (
	"context"
	"errors"
	"testing"
	"time"

	"kerbline/cmd/kerbline/internal/badpath"
	"kerbline/fusion"
)

// Datagrams that are lost, doubled, delayed and overtaken: what is believed was made
// just before, none twice, and when the monitor takes usable back nothing from before
// brings it up again; through a partition nothing is believed, after it all is as before.
func TestBadPath(t *testing.T) {
	l, err := Listen("127.0.0.1:0", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	way := badpath.UDP(t, 5, l.Addr())
	way.Set(badpath.Faults{Delay: 20 * time.Millisecond, Jitter: 500 * time.Millisecond, Loss: 0.2, Double: 0.2})
	p, err := Dial(way.Addr, false, nil)
	if err != nil {
		t.Fatal(err)
	}
	shift := float64(time.Now().UnixNano())/1e9 - l.Now()
	say := make(chan bool)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		defer p.Close()
		good := true
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case word, ok := <-say:
				if !ok {
					return
				}
				good = word
			case <-tick.C:
				s := full(float64(time.Now().UnixNano())/1e9, 1)
				s.Verdict, s.Advice = fusion.Unusable, fusion.AdviseStop
				if good {
					s.Verdict, s.Advice = fusion.Usable, fusion.AdviseMap
				}
				p.Send(s)
			}
		}
	}()
	defer func() { close(say); <-ended }()
	taken, last, least := 0, uint64(0), 1e9
	// follow hears for d, or until ok.
	follow := func(d time.Duration, ok func(Decision) bool) bool {
		t.Helper()
		for end := time.Now().Add(d); time.Now().Before(end); {
			v, err := l.Next(context.Background())
			switch {
			case err == nil:
				taken++
				way := l.Until() - Hold + shift - float64(v.T)
				if least = min(least, way); way > least+Hold+0.01 || v.N <= last {
					t.Errorf("number %d after %d, %.3f s on its way, the quickest took %.3f s", v.N, last, way, least)
				}
				last = v.N
			case !errors.Is(err, ErrSilent):
				t.Fatal(err)
			}
			if ok != nil && ok(l.Decide(l.Now())) {
				return true
			}
		}
		return ok == nil
	}
	isUsable := func(d Decision) bool { return d.Usable }
	if !follow(time.Minute, isUsable) {
		t.Fatalf("never usable: %v", l.Decide(l.Now()))
	}
	follow(2*time.Second, nil)
	if taken < 10 || l.Refused < 10 {
		t.Errorf("%d taken, %d refused in 2 s", taken, l.Refused)
	}
	say <- false
	follow(time.Second, nil) // the longest way, the hold, and what a busy computer adds
	if follow(time.Second, isUsable) {
		t.Error("a verdict from before is believed after the monitor took it back")
	}
	say <- true
	way.Part()
	follow(time.Second, nil)
	if follow(time.Second, isUsable) {
		t.Error("usable through a partition")
	}
	way.Heal()
	if !follow(time.Minute, isUsable) {
		t.Error("never usable again")
	}
}
