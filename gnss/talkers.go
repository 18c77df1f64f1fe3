package gnss

// talkerFilter separates the sentences of the receiver from those of a second one on the
// same wire, by their talkers. A receiver may change its talker as
// constellations come and go, so another talker is foreign only once both have
// given a position for the same time, or turn about several times.
type talkerFilter struct {
	main    [2]byte
	heard   bool
	mainT   float64 // host time of its last GGA
	every   float64 // s, usual spacing of them
	rivals  [4]rival
	nRivals int
}

type rival struct {
	talker [2]byte
	turns  int  // times in a row it came between two of main
	since  bool // has come since main's last
}

const (
	enoughTurns = 3
	minSilence  = 0.35 // s, and 2.5 epochs: then main is gone
)

// fix notes a GGA of talker at host time t. taken says that the open epoch has
// the same time and holds a GGA already, of talker by; the result says that
// the new one is to replace it.
func (v *talkerFilter) fix(t float64, talker [2]byte, taken bool, by [2]byte) (replace bool) {
	if !v.heard || talker != v.main && v.gone(t) {
		*v = talkerFilter{main: talker, heard: true, mainT: t}
		return false
	}
	if talker != v.main {
		r := v.rival(talker)
		r.since = true
		if taken && by == v.main {
			r.turns = enoughTurns
		}
		return false
	}
	for i := range v.rivals[:v.nRivals] {
		r := &v.rivals[i]
		if taken && by == r.talker {
			r.turns, replace = enoughTurns, true
		} else if r.since {
			r.turns++
		} else if r.turns < enoughTurns {
			r.turns = 0
		}
		r.since = false
	}
	if dt := t - v.mainT; dt > 0 && dt < 2 {
		if v.every == 0 {
			v.every = dt
		}
		v.every += 0.1 * (dt - v.every)
	}
	v.mainT = t
	return replace
}

// gone reports whether main has fallen silent.
func (v *talkerFilter) gone(t float64) bool {
	return t-v.mainT > max(minSilence, 2.5*v.every) || t < v.mainT-1
}

// foreign reports whether talker is another receiver's.
func (v *talkerFilter) foreign(t float64, talker [2]byte) bool {
	for i := range v.rivals[:v.nRivals] {
		if r := &v.rivals[i]; r.talker == talker {
			return r.turns >= enoughTurns && !v.gone(t)
		}
	}
	return false
}

func (v *talkerFilter) rival(talker [2]byte) *rival {
	for i := range v.rivals[:v.nRivals] {
		if v.rivals[i].talker == talker {
			return &v.rivals[i]
		}
	}
	if v.nRivals < len(v.rivals) {
		v.nRivals++
	}
	r := &v.rivals[v.nRivals-1]
	*r = rival{talker: talker}
	return r
}
