package bothends

import (
	"math"
	"testing"
)

// told is a base that sends a frame a second from 0 to 100 as sends says, as its end tells
// it where it does, and a car on a lap of 50 m at 1 m/s that receives what arrives says.
func told(arrives, sends func(t float64) bool, tells func(t float64) (tells, began bool)) *Watch {
	w := NewWatch()
	for s := 0.0; s < 100; s++ {
		came := sends(s) && arrives(s)
		if came && int(s)%2 == 0 { // before it is told, or after
			w.Arrived(s+0.1, uint32(s))
		}
		if ok, began := tells(s); ok {
			if sends(s) {
				w.Sent(s, math.Mod(s, 50), uint32(s))
			}
			w.Known(s-0.5, s+0.5, began)
		}
		if came && int(s)%2 == 1 {
			w.Arrived(s+0.1, uint32(s))
		}
	}
	return w
}

func all(float64) (bool, bool) { return true, false }

func yes(float64) bool { return true }

// What the base's end tells late or in pieces is counted as what it is, and what it never
// tells decides nothing.
func TestWatch(t *testing.T) {
	lost := func(t float64) bool { return t < 60 || t >= 70 }
	o := Outage{From: 59.5, To: 69.5, Where: 9.5, Lap: 50, Distance: math.NaN()}
	e := told(lost, yes, all).Evidence(200, o, &Radio{})
	if !e.Covered || e.Sent != 10 || e.Lost != 10 || e.Silent > 1.01 || e.Lifeless != 0 || e.Edges != (Count{Sent: 20, Received: 20}) || e.NPass != 2 || e.Passes != (Count{Sent: 30, Received: 30}) || e.Rest != (Count{Sent: 40, Received: 40}) {
		t.Errorf("%+v", e)
	}
	// A frame is lost only when it can no longer come.
	if e := told(lost, yes, all).Evidence(69.5, o, &Radio{}); e.Sent != 7 {
		t.Errorf("%d frames counted at once", e.Sent)
	}
	// Nothing told of half of it.
	if e := told(lost, yes, func(t float64) (bool, bool) { return t < 65, false }).Evidence(200, o, &Radio{}); e.Covered || Decide(&e) != Open {
		t.Errorf("%+v", e)
	}
	// The base sent nothing, and its computer ran, or began again.
	for want, began := range map[Finding]bool{ReceiverStopped: false, ComputerStopped: true} {
		w := told(yes, lost, func(t float64) (bool, bool) { return !began || lost(t), began && t == 70 })
		if e := w.Evidence(200, o, &Radio{}); Decide(&e) != want {
			t.Errorf("%v, want %v: %+v", Decide(&e), want, e)
		}
	}
	// The host clock is set: all is as before, at other times.
	w := told(lost, yes, all)
	w.Over(40, 45)
	w.Shift(1000)
	moved := o
	moved.From, moved.To = moved.From+1000, moved.To+1000
	if e := w.Evidence(1200, moved, &Radio{}); e.Lost != 10 || e.Sent != 10 || !e.Covered || e.Rest.Sent != 34 {
		t.Errorf("%+v", e)
	}
	// Many more frames than it keeps.
	for i := range 3 * keepSent {
		w.Sent(2000+float64(i), 0, uint32(i))
		w.Known(2000+float64(i), 2001+float64(i), i%200 == 0)
	}
	if e := w.Evidence(1e6, Outage{From: 2000 + 3*keepSent - 50, To: 2000 + 3*keepSent - 40, Where: math.NaN()}, &Radio{}); e.Sent != 11 || e.Lost != 11 || !e.Covered {
		t.Errorf("%+v", e)
	}
}
