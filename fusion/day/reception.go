package day

import (
	"math"
	"strings"

	"kerbline/gnss/reception"
)

// elsewhereLimit is how far the coordinates that a base broadcasts may lie from
// where its own observations place it, m: some sigmas of a single point.
const elsewhereLimit = 50.0

// receptionRows judges what the observations of rover and base say; without any
// there are no rows.
func (j *judge) receptionRows() {
	var last *Session
	falls := 0
	for _, s := range j.ss {
		if s.Reception != nil {
			last = s
			falls += s.Reception.Rover.Falls
		}
	}
	if last == nil {
		return
	}
	st := last.Reception
	sure := "by the C/N0 of the rover's observations"
	if st.Rover.Epochs == 0 {
		j.add("interference", math.NaN(), 0, "the rover's observations were not heard")
	} else {
		j.add("interference", float64(falls), 0, sure)
	}
	off, sure := st.BaseOff, "mean of its single points"
	switch {
	case st.Base.Epochs == 0:
		off, sure = math.NaN(), "the base's observations were not heard"
	case st.BasePlaces == 0:
		off, sure = math.NaN(), "no position of the base: "+st.BaseFailure.String()
	default:
		sure += ", " + st.BaseModel.String()
	}
	j.add("base_place", off, elsewhereLimit, sure)
	at := st.AtBase()
	j.findings("base_signals", at, "C/N0, slips and satellites of the base: nothing found")
	if st.NTypes > 0 {
		j.findings("observations", st.Needs(), strings.Join(st.Text(), "; "))
	}
}

// findings adds the count of what was found, its words, and what to do about
// the first.
func (j *judge) findings(key string, list []reception.Finding, none string) {
	words := make([]string, len(list))
	for i, f := range list {
		words[i] = f.Seen + ": " + f.Do
	}
	sure := none
	if len(list) > 0 {
		sure = strings.Join(words, "; ")
	}
	j.add(key, float64(len(list)), 0, sure)
}
