package fusion

import (
	"fmt"
	"math"

	"kerbline/fusion/columns"
	"kerbline/fusion/symptoms"
	"kerbline/gnss"
)

// unread gathers lines of a table that its columns do not read, until they and the
// drive tell what the columns hold.
type unread struct {
	imu       bool
	bad, good int
	first     string        // why the first was refused
	lines     columns.Lines // nothing before enough were bad
	drive     columns.Drive
	next      int // epochs at which to look again
	told      symptoms.Finding
	m         Measurement
}

const (
	unreadBad   = 200   // lines that are no damage
	unreadShare = 5     // of good lines to bad ones, below which the columns are wrong
	unreadFirst = 300   // epochs before the first look
	farClock    = 3600  // s between a line's time and its arrival that no delay explains
	unreadMost  = 25600 // epochs after which nothing new shows
)

func (u *unread) open() bool { return u.bad >= unreadBad && u.good < unreadShare*u.bad }

// take counts a line; why is empty for one that could be read.
func (d *Decoder) take(u *unread, line []byte, why string) {
	if why == "" {
		if u.good++; u.bad == 0 {
			return
		}
	} else if u.bad++; u.first == "" {
		u.first = why
	}
	if u.open() {
		u.lines.Add(line)
		if u.lines.Seen == 1 {
			u.next = unreadFirst
			d.tell(u, symptoms.Finding{ID: u.id(symptoms.IMUUnread, symptoms.WheelUnread), Seen: u.first})
		}
	}
}

func (u *unread) id(imu, wheel symptoms.ID) symptoms.ID {
	if u.imu {
		return imu
	}
	return wheel
}

func (d *Decoder) tell(u *unread, f symptoms.Finding) {
	if f == u.told {
		return
	}
	u.told = f
	u.m = Measurement{T: d.t, Kind: KindSymptom, Symptom: &f}
	d.emit(&u.m)
}

// drove takes an epoch beside the lines, and looks at them when there are enough.
func (d *Decoder) drove(u *unread, e *gnss.Epoch) {
	if u.lines.Seen == 0 || !e.HasPos || math.IsNaN(e.Arrival) {
		return
	}
	u.drive.Add(e.Arrival-d.latency, e.Pos.Lat, e.Pos.Lon, e.Speed, e.Course)
	if u.drive.Len() >= u.next && u.next <= unreadMost {
		u.next *= 2
		d.recognise(u)
	}
}

// recognise says what the lines hold, where they tell it.
func (d *Decoder) recognise(u *unread) {
	find, c, key := columns.RecogniseWheel, &d.wheel, "columns.wheel"
	if u.imu {
		find, c, key = columns.RecogniseIMU, &d.imu, "columns.imu"
	}
	found, err := find(u.lines.All, u.drive.Reference())
	if err != nil || !found.Sure && u.told.Set != "" {
		return
	}
	f := symptoms.Finding{ID: u.id(symptoms.IMUUnread, symptoms.WheelUnread), Seen: u.first}
	if found.List == c.table.String() && found.Offset == 0 {
		f.Seen = fmt.Sprintf("%d of %d lines do not hold what their columns say, the first: %s", u.bad, u.bad+u.good, u.first)
		d.tell(u, f)
		return
	}
	f.Set = fmt.Sprintf("%s = %q", key, found.List)
	if found.List == c.table.String() {
		f.ID, f.Set = u.id(symptoms.IMUClock, symptoms.WheelClock), ""
	}
	if found.Offset != 0 {
		if f.Set != "" {
			f.Set += ", "
		}
		f.Set += fmt.Sprintf("%s_offset_s = %.2f", key, found.Offset)
		f.Seen = fmt.Sprintf("its times are %s, by the turns; %s", found.Clock, u.first)
	}
	d.tell(u, f)
}

// repeats counts inertial samples that bear the time of the one before.
type repeats struct {
	t, step float64 // s
	n, same int
	told    bool
}

func (r *repeats) words() string {
	s := fmt.Sprintf("%d of %d samples bear the time of the one before", r.same, r.n)
	if r.step > 0 {
		s += fmt.Sprintf(", in steps of %.3g s", r.step)
	}
	return s
}

const (
	repeatRows  = 2000 // samples looked at
	repeatShare = 0.8  // of them with the time of the one before: a logger that wrote too few digits
)

// repeated tells, once, that the times of samples come in steps.
func (d *Decoder) repeated(r *repeats, t float64) {
	if r.told {
		return
	}
	r.n++
	switch {
	case t == r.t:
		r.same++
	case r.t != 0:
		r.step = t - r.t
	}
	r.t = t
	if r.n < repeatRows {
		return
	}
	if float64(r.same) > repeatShare*float64(r.n) {
		r.told = true
		d.stepsM = Measurement{T: d.t, Kind: KindSymptom, Symptom: &symptoms.Finding{ID: symptoms.IMUTimes,
			Seen: r.words()}}
		d.emit(&d.stepsM)
	}
	r.n, r.same = 0, 0
}
