// Package satellite names what is observed: a satellite by system and number
// ("G05"), a signal by its RINEX observation code ("1C"), and the carrier
// frequency of a signal in Hz.
//
// Numbers are those of RINEX 3: PRN for GPS, Galileo and BeiDou, slot for
// GLONASS, PRN - 100 for SBAS, PRN - 192 for QZSS. Sources: RINEX 3.04, tables
// 4 to 10 (from memory, checked against the files in the tests); carriers from
// the interface documents of the systems (from memory). Start at [ID].
package satellite

import "fmt"

// System is a satellite constellation, numbered as the MSM messages number it.
type System uint8

const (
	GPS System = iota
	GLONASS
	Galileo
	SBAS
	QZSS
	BeiDou
	NavIC
	NSystems
	NoSystem System = 0xff // not an observation message
)

// String returns the system's name.
func (s System) String() string {
	if s < NSystems {
		return systemNames[s]
	}
	return "none"
}

var systemNames = [NSystems]string{"GPS", "GLONASS", "Galileo", "SBAS", "QZSS", "BeiDou", "NavIC"}

// letters are the system characters of RINEX 3.
const letters = "GRESJCI"

// Letter returns the system's character in RINEX, '?' for none.
func (s System) Letter() byte {
	if s < NSystems {
		return letters[s]
	}
	return '?'
}

// SystemOf returns the system of a RINEX character, NoSystem for any other.
func SystemOf(letter byte) System {
	for i := range len(letters) {
		if letters[i] == letter {
			return System(i)
		}
	}
	return NoSystem
}

// MaxNumber is the largest satellite number that any system uses.
const MaxNumber = 64

// ID is one satellite. It is comparable; the zero value is none.
type ID struct {
	System System
	Number uint8 // 1 to MaxNumber
}

// String returns the satellite as RINEX writes it, "G05".
func (id ID) String() string { return fmt.Sprintf("%c%02d", id.System.Letter(), id.Number) }

// Valid reports whether id can be a satellite.
func (id ID) Valid() bool { return id.System < NSystems && id.Number >= 1 && id.Number <= MaxNumber }

// Index returns a dense index of id, 0 to NumIndices-1; id must be valid.
func (id ID) Index() int { return int(id.System)*MaxNumber + int(id.Number) - 1 }

// NumIndices is how many indices [ID.Index] has.
const NumIndices = int(NSystems) * MaxNumber

// Parse returns the satellite that RINEX writes as s ("G05", "R 9").
func Parse(s string) (ID, error) {
	if len(s) == 3 {
		tens, ones := s[1], s[2]
		if tens == ' ' {
			tens = '0'
		}
		if tens >= '0' && tens <= '9' && ones >= '0' && ones <= '9' {
			id := ID{SystemOf(s[0]), (tens-'0')*10 + ones - '0'}
			if id.Valid() {
				return id, nil
			}
		}
	}
	return ID{}, fmt.Errorf("satellite: %q, want a system character of %s and a number of two digits", s, letters)
}
