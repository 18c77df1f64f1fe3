// Package bus carries what a monitor knows to any number of watchers over NATS:
// from a server inside the program, or over one that the team runs.
//
//	kerbline.v1.CAR.verdict   a published verdict line, as package publish sends it
//	kerbline.v1.CAR.event     an event line
//	kerbline.v1.CAR.link      the correction link, once a second, as JSON
//	kerbline.v1.CAR.whole     the whole snapshot, for the screens of this program
//	kerbline.v1.BASE.base     whether a base sends, twice a second, as JSON
//	kerbline.v1.CAR.recent    ask here: verdicts and link of the last five minutes, one a
//	                          second, and the last events, one a line
//
// Units and times are those of package lines. Sending never waits: what the
// network does not take is dropped, oldest first, and counted. A controller that
// reads verdicts here follows [kerbline/cmd/kerbline/internal/publish.Rule] as it
// would by UDP; the sender is the subject. Who may send and who may only watch is
// said by a file of users; a server that other computers reach has one.
//
// Start at [Serve] and [Connect], then [NewPublisher] and [Watch].
package bus

import (
	"fmt"
	"regexp"
	"strings"
)

// prefix of every subject.
const prefix = "kerbline.v1."

// What stands behind the car in a subject.
const (
	subVerdict = "verdict"
	subEvent   = "event"
	subLink    = "link"
	subWhole   = "whole"
	subRecent  = "recent"
	subBase    = "base"
)

var carName = regexp.MustCompile(`^[A-Za-z0-9_-]{1,32}$`)

// CheckCar says what is wrong with the name of a car.
func CheckCar(name string) error {
	if !carName.MatchString(name) {
		return fmt.Errorf("bus: car %q, want up to 32 letters, digits, - and _", name)
	}
	return nil
}

// subject of a car; "" for any car.
func subject(car, what string) string {
	if car == "" {
		car = "*"
	}
	return prefix + car + "." + what
}

// carOf returns the car and what stands behind it in a subject.
func carOf(subject string) (car, what string) {
	car, what, _ = strings.Cut(strings.TrimPrefix(subject, prefix), ".")
	return car, what
}
