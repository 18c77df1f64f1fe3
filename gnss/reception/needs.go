package reception

import (
	"fmt"
	"math"
	"strings"

	"kerbline/gnss/satellite"
)

// Finding is something about the observations that a person can act on.
type Finding struct {
	Seen string // what was found, with its number
	Do   string // what to change
}

const (
	leastRate   = 1.0  // epochs a second that time differences can live with
	leastCommon = 5    // satellites for differences between rover and base
	fewSats     = 7    // satellites below which one that is off is not found
	slipsMany   = 6.0  // a minute at the base: a good place has none
	weakBase    = 38.0 // dB-Hz, mean on the first carrier, of a base in the open
	halfMany    = 0.1  // share of the phases
)

// carriers names the bands of a system as the trade does, in their order.
var carriers = [...]struct {
	system satellite.System
	band   int
	name   string
}{
	{satellite.GPS, 1, "L1"}, {satellite.GPS, 2, "L2"}, {satellite.GPS, 5, "L5"}, {satellite.GLONASS, 1, "G1"}, {satellite.GLONASS, 2, "G2"},
	{satellite.Galileo, 1, "E1"}, {satellite.Galileo, 5, "E5a"}, {satellite.Galileo, 7, "E5b"}, {satellite.Galileo, 8, "E5"}, {satellite.Galileo, 6, "E6"},
	{satellite.BeiDou, 2, "B1I"}, {satellite.BeiDou, 1, "B1C"}, {satellite.BeiDou, 5, "B2a"}, {satellite.BeiDou, 7, "B2I"}, {satellite.BeiDou, 6, "B3I"},
}

// Carriers lists the carriers that a side observes, such as "L1 L2 E1 E5b".
func (s *Side) Carriers() string {
	var list []string
	for _, c := range carriers {
		if s.Bands[c.system][c.band] {
			list = append(list, c.name)
		}
	}
	return strings.Join(list, " ")
}

// Constellations lists the systems in a side's last epoch with their satellites.
func (s *Side) Constellations() string {
	var list []string
	for sys, n := range s.Systems {
		if n > 0 {
			list = append(list, fmt.Sprintf("%v %d", satellite.System(sys), n))
		}
	}
	return strings.Join(list, ", ")
}

// Rate is how many epochs a second a side observes, NaN while unknown.
func (s *Side) Rate() float64 { return 1 / s.Interval }

// Messages lists the message types on the rover's port.
func (s *State) Messages() string {
	var list []string
	for _, t := range s.Types[:s.NTypes] {
		list = append(list, fmt.Sprint(t.Number))
	}
	return strings.Join(list, " ")
}

// Needs lists what the rover's port lacks for carrier phases to be used, and
// what the base lacks for the differences between both; empty when nothing.
func (s *State) Needs() (list []Finding) {
	add := func(holds bool, do, seen string, args ...any) {
		if holds {
			list = append(list, Finding{fmt.Sprintf(seen, args...), do})
		}
	}
	r := &s.Rover
	if r.Epochs == 0 {
		what := "the rover's observation port sent no frame"
		if s.NTypes > 0 {
			what = "the rover's observation port sends " + s.Messages() + ", no observations"
		}
		add(true, "switch on MSM7 (1077, 1097, 1127; 1087 if wanted) there, 1 Hz or more", "%s", what)
		return list
	}
	add(s.LeastMSM > 0 && s.LeastMSM < 4, "set MSM7, or MSM4 where the port is slow", "the rover sends MSM%d: ranges without their whole milliseconds", s.LeastMSM)
	add(!r.Phases, "set MSM7 or MSM4", "the rover's observations hold no carrier phase")
	add(r.Rate() < 0.95*leastRate, "set 1 Hz or more", "the rover observes every %.1f s", r.Interval)
	add(s.RoverSets+s.BaseSets == 0, "switch on 1019, 1042, 1046 (and 1020 with GLONASS) on the same port, or at the base", "no ephemerides on either stream")
	add(s.RoverSets+s.BaseSets > 0 && s.Without > r.Satellites/3, "let the ephemerides of all systems be sent, at least once a minute", "no ephemerides for %d of %d satellites", s.Without, r.Satellites)
	add(r.Satellites < fewSats, "clear the sky, or switch on further systems", "the rover observes %d satellites", r.Satellites)
	add(r.Half > halfMany, "nothing to set: they count as half as good until resolved", "the half cycle of %.0f %% of the phases is open", 100*r.Half)
	add(r.Dual < leastCommon, "switch on L2, L5 or E5 where the receiver has them", "the rover observes %d satellites on two carriers (%s): integers of our own need them", r.Dual, r.Carriers())
	if s.Base.Epochs > 0 {
		add(s.Common < leastCommon, "compare the systems and signals of base and rover", "base and rover have %d satellites in common", s.Common)
	}
	return list
}

// AtBase lists what the observations of the base say of its place and its
// coordinates.
func (s *State) AtBase() (list []Finding) {
	b := &s.Base
	if b.Epochs == 0 {
		return nil
	}
	if s.Elsewhere() {
		list = append(list, Finding{fmt.Sprintf("the base broadcasts coordinates %s from where its own observations place it (mean of %d positions, %v)", far(s.BaseOff), s.BasePlaces, s.BaseModel),
			"enter the coordinates of the point it stands on: those sent are of another place"})
	}
	if b.SlipRate >= slipsMany {
		list = append(list, Finding{fmt.Sprintf("%.0f cycle slips a minute at the base, the last of %v", b.SlipRate, b.SlipWorst),
			"look for metal, trees and cables beside the base's antenna; a good place has none"})
	}
	if b.CN0 < weakBase && b.Fall == 0 {
		list = append(list, Finding{fmt.Sprintf("mean C/N0 at the base %.0f dB-Hz, usual in the open is above %.0f", b.CN0, weakBase),
			"raise the antenna, check its cable, ground plane and supply"})
	}
	if s.NLacking > 0 {
		list = append(list, Finding{fmt.Sprintf("the base lacks %s, which the rover observes", s.Lacks()),
			"compare the systems switched on at the base, and its view of the sky"})
	}
	return list
}

// Lacks names what the base lacks: whole systems by their name, the rest one by
// one.
func (s *State) Lacks() string {
	var of [satellite.NSystems]int
	for _, id := range s.Lacking[:s.NLacking] {
		of[id.System]++
	}
	var list []string
	for sys, n := range of {
		if n > 0 && s.Base.Systems[sys] == 0 {
			list = append(list, fmt.Sprintf("all of %v", satellite.System(sys)))
		}
	}
	for _, id := range s.Lacking[:s.NLacking] {
		if s.Base.Systems[id.System] > 0 {
			list = append(list, id.String())
		}
	}
	return strings.Join(list, ", ")
}

// far writes a distance.
func far(m float64) string {
	if m >= 10000 {
		return fmt.Sprintf("%.0f km", m/1000)
	}
	if m >= 1000 {
		return fmt.Sprintf("%.1f km", m/1000)
	}
	return fmt.Sprintf("%.0f m", math.Round(m))
}

// Text lists in lines what rover and base receive, for a report.
func (s *State) Text() (lines []string) {
	side := func(name string, x *Side) {
		if x.Epochs == 0 {
			return
		}
		lines = append(lines, fmt.Sprintf("%s: %.3g Hz, %s on %s, mean C/N0 %.0f dB-Hz, %d cycle slips", name, x.Rate(), x.Constellations(), x.Carriers(), x.CN0, x.Slips))
	}
	side("rover", &s.Rover)
	side("base", &s.Base)
	if s.NTypes > 0 {
		lines = append(lines, fmt.Sprintf("rover's port: messages %s; ephemerides %d there, %d on the link", s.Messages(), s.RoverSets, s.BaseSets))
	}
	if s.BasePlaces >= placeLeast && !math.IsNaN(s.BaseOff) {
		lines = append(lines, fmt.Sprintf("base: its own observations place it %s from the coordinates it broadcasts (%v)", far(s.BaseOff), s.BaseModel))
	}
	return lines
}
