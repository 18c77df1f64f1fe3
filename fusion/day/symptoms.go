package day

import (
	"fmt"
	"math"
	"slices"

	"kerbline/fusion"
	"kerbline/fusion/symptoms"
)

// symptom returns what was seen last of a symptom, in any of the sessions.
func (j *judge) symptom(id symptoms.ID) (f symptoms.Finding, seen bool) {
	for _, s := range j.ss {
		if s.Symptoms[id].ID != symptoms.None {
			f, seen = s.Symptoms[id], true
		}
	}
	return f, seen
}

// first returns the most basic symptom of those that stop everything, or of the
// others.
func (j *judge) first(stops bool) (f symptoms.Finding, seen bool) {
	for id := symptoms.None + 1; id < symptoms.NumIDs; id++ {
		if symptoms.Of(id).Stops != stops {
			continue
		}
		if f, seen = j.symptom(id); seen {
			return f, true
		}
	}
	return f, false
}

// behind returns the symptom that a cause is, or that explains it.
func (j *judge) behind(cause string) (f symptoms.Finding, ok bool) {
	if f, ok = j.symptom(symptoms.ByCode(cause)); ok {
		return f, true
	}
	for id := symptoms.None + 1; id < symptoms.NumIDs; id++ {
		if f, ok = j.symptom(id); ok && id.IsCauseOf(cause) {
			return f, true
		}
	}
	return symptoms.Finding{}, false
}

// settingRows compares settings and inputs with what the drive showed, and reports
// whether an inertial sensor was heard.
func (j *judge) settingRows() (imu bool) {
	imu = slices.ContainsFunc(j.ss, func(s *Session) bool { return s.HasIMU })
	f, wrong := j.first(true)
	other, odd := j.first(false)
	v, sure := float64(j.events(fusion.EventUnit)), f.Text()
	switch {
	case wrong:
		v = math.Max(v, 1)
	case odd:
		v, sure = 0, "nothing that stops"
	case j.live:
		v, sure = math.NaN(), untold
	case !imu:
		v, sure = math.NaN(), "no inertial sensor was heard"
	default:
		sure = "specific force at rest, gyro against course, clocks, mounting, lever arm: nothing suspect"
	}
	j.add("units", v, 0, sure)
	if odd {
		j.add("inputs", 1, 0, other.Text())
	}
	return imu
}

// symptomReason tells a symptom as a reason; seen is what it cost.
func symptomReason(f *symptoms.Finding, cost string) Reason {
	r := Reason{What: symptoms.Of(f.ID).Was + ": " + f.Seen, Seen: cost, Do: f.Do()}
	if cost == "" {
		r.Seen = fmt.Sprintf("it looks like %s", symptoms.Of(f.ID).Mend)
	}
	return r
}
