package bus

import (
	"context"
	"testing"
	"time"
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
	want := Base{T: 12.5, Sends: true, Frames: 70, Station: 9, Words: "sends 1077"}
	hill.Send(want)
	if got, err := w.Next(context.Background(), time.Minute); err != nil || got != want {
		t.Errorf("%+v, %v", got, err)
	}
	if got, err := w.Next(context.Background(), 50*time.Millisecond); err == nil {
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
