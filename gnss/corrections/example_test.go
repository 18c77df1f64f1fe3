package corrections_test

import (
	"fmt"

	"kerbline/gnss/corrections"
)

func ExampleDecide() {
	f := corrections.Tapped | corrections.LinkHealthy | corrections.AgeGrew
	fmt.Println(f)
	fmt.Println(corrections.Decide(f))
	fmt.Println(corrections.Decide(f &^ corrections.Tapped))
	// Output:
	// the link is tapped, a healthy link, a growing correction age
	// receiver_not_using
	// unknown
}

func ExampleLink() {
	l := corrections.New(corrections.DefaultConfig())
	l.Bytes(100.0, 226) // host s, bytes
	l.Tick(102.0)
	fmt.Println(l.State().Condition)
	l.Tick(102.6)
	fmt.Println(l.State().Condition)
	// Output:
	// flowing
	// silent
}
