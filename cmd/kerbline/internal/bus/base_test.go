package bus

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"kerbline/fusion"
)

// What a base's end says is heard by who asks for that base, silence as silence.
func TestBase(t *testing.T) {
	srv := serve(t, ServeOptions{})
	target, err := Parse(srv.URL() + "/hill")
	if err != nil {
		t.Fatal(err)
	}
	w, err := WatchBase(target)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	if err := w.nc.FlushTimeout(time.Minute); err != nil {
		t.Fatal(err)
	}
	nc, err := srv.Connect()
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	hill, err := NewBasePublisher(nc, "hill")
	if err != nil {
		t.Fatal(err)
	}
	other, err := NewBasePublisher(nc, "valley")
	if err != nil {
		t.Fatal(err)
	}
	other.Send(Base{Words: "not me"})
	if err := nc.Publish(subject("hill", subBase), []byte("{")); err != nil { // passed over
		t.Fatal(err)
	}
	hill.Frame(0xabcdef)
	hill.Send(Base{Sends: true, Frames: 70, Station: 9, Words: "sends 1077"})
	if got, err := w.Next(context.Background(), time.Now().Add(time.Minute)); err != nil || !got.Sends || got.Frames != 70 || got.Station != 9 || got.Words != "sends 1077" ||
		got.N != 1 || len(got.Session) != 16 || len(got.Sent) != 1 || got.Sent[0].CRC[0] != 0xabcdef || got.Sent[0].T > got.T {
		t.Errorf("%+v, %v", got, err)
	}
	if got, err := w.Next(context.Background(), time.Now().Add(50*time.Millisecond)); err == nil {
		t.Errorf("heard %+v in silence", got)
	}
	if _, err := NewBasePublisher(nc, "a.b"); err == nil {
		t.Error("a name with a dot is taken")
	}
	target.Car = ""
	if _, err := WatchBase(target); err == nil {
		t.Error("a bus without a name of the base is watched")
	}
}

// hears is a base and a car with a way between them, on clocks of the test that differ.
type hears struct {
	t     *testing.T
	log   *BaseLog
	begun float64 // when the base's program began, by the car's clock
	rule  *BaseRule
}

func newHears(t *testing.T) *hears {
	return &hears{t, NewBaseLog(), 0, NewBaseRule(0)}
}

// at makes a message at a time of the car's clock; each tells one frame more, that
// its own number names.
func (h *hears) at(t float64) Base {
	own := t - h.begun
	h.log.Frame(own-0.05, uint32(t*10))
	b := h.log.Next(own, Base{Sends: true, Words: "sends"})
	b.Sent = slices.Clone(b.Sent)
	return b
}

// told lists the frames in notes, in s of the car's clock.
func told(now float64, notes []string) (list []string) {
	for _, n := range notes {
		for _, word := range strings.Fields(n) {
			var crc uint32
			var ago float64
			if _, err := fmt.Sscanf(word, "%x@%f", &crc, &ago); err == nil {
				list = append(list, fmt.Sprintf("%.1f:%.1f", float64(crc)/10, now-ago))
			}
		}
	}
	return list
}

// What comes late, doubled or not at all says nothing wrong: what is told of the past
// keeps its time, each frame is told once, and how the base is now counts only while it
// is fresh.
func TestBaseRule(t *testing.T) {
	h := newHears(t)
	b := h.at(10)
	notes, why := h.rule.Hear(10.05, &b)
	if why != "" || len(notes) != 2 || notes[1] != fusion.NoteBaseSends {
		t.Fatalf("%v, %s", notes, why)
	}
	if got := told(10.05, notes); !slices.Equal(got, []string{"10.0:10.0"}) { // the quickest way, 0.05 s, cannot be known
		t.Errorf("%v", got)
	}
	if _, why := h.rule.Hear(10.06, &b); !strings.Contains(why, "repeated") {
		t.Errorf("doubled: %q", why)
	}
	h.at(11)
	h.at(12) // both lost
	b = h.at(13)
	notes, why = h.rule.Hear(13.25, &b)
	if got := told(13.25, notes); why != "" || len(notes) != 1 || !slices.Equal(got, []string{"11.0:11.0", "12.0:12.0", "13.0:13.0"}) {
		t.Errorf("after a gap, 0.2 s late: %v, %v, %s", got, notes, why)
	}
	// A partition: held back for 8 s, then all at once. What the base was before is no
	// word of what it is.
	var held []Base
	for s := 14.0; s <= 22; s++ {
		held = append(held, h.at(s))
	}
	if notes := h.rule.Quiet(16.3); !slices.Equal(notes, []string{fusion.NoteBaseUnheard}) {
		t.Errorf("unheard: %v", notes)
	}
	if notes := h.rule.Quiet(19.4); notes != nil {
		t.Errorf("unheard again: %v", notes)
	}
	for i := range held {
		notes, why := h.rule.Hear(22.6, &held[i])
		got := told(22.6, notes)
		if want := fmt.Sprintf("%.1f:%.1f", 14+float64(i), 14+float64(i)); why != "" || !slices.Equal(got, []string{want}) {
			t.Errorf("held back %d: %v, %s", i, got, why)
		}
		if fresh := held[i].T > 21.5; fresh != slices.Contains(notes, fusion.NoteBaseSends) {
			t.Errorf("held back %d, made at %g: %v", i, held[i].T, notes)
		}
	}
	// Another session while this one is heard, one ahead of its time, and one that was
	// left.
	old, forged := *h, newHears(t)
	b = forged.at(23)
	if _, why := h.rule.Hear(23, &b); !strings.Contains(why, "another session") {
		t.Errorf("%q", why)
	}
	b = h.at(23)
	b.T += 1e6
	if _, why := h.rule.Hear(23.05, &b); !strings.Contains(why, "ahead of its time") {
		t.Errorf("%q", why)
	}
	h.log, h.begun = NewBaseLog(), 30 // the computer began again
	b = h.at(31)
	notes, why = h.rule.Hear(31.05, &b)
	if why != "" || len(notes) == 0 || !strings.Contains(notes[0], " began ") {
		t.Errorf("began again: %v, %s", notes, why)
	}
	b = old.at(35)
	if _, why := h.rule.Hear(35, &b); !strings.Contains(why, "over") {
		t.Errorf("a session that was left: %q", why)
	}
	// A clock that stood still while the computer slept, by 100 s: not fresh at first,
	// within two windows as before.
	h.begun += 100
	last := ""
	for s := 140.0; s < 240; s += 0.5 {
		b = h.at(s)
		notes, why = h.rule.Hear(s+0.05, &b)
		if why != "" {
			t.Fatalf("%g: %s", s, why)
		}
		for _, n := range notes {
			if n == fusion.NoteBaseSends {
				last = n
			}
		}
		if s == 142 && last != "" {
			t.Error("fresh at once after a sleep")
		}
		if n := h.rule.Quiet(s + 0.1); n != nil {
			last = ""
		}
	}
	if last == "" {
		t.Error("never fresh again after a sleep")
	}
	if _, why := h.rule.Hear(300, &Base{Session: "x", N: 1, T: 1, Sent: make([]Burst, mostBursts+1)}); why == "" {
		t.Error("a flood is taken")
	}
}
