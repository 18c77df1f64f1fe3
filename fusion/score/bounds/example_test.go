package bounds_test

import (
	"fmt"

	"kerbline/fusion/score/bounds"
)

// A clean day of two hours proves little: what it bounds, and how much longer
// to drive before a smaller claim holds.
func ExampleMoreExposure() {
	fmt.Printf("fewer than %.2f an hour\n", bounds.PoissonUpper(0, 0.95)/2)
	fmt.Printf("%.0f h more to claim fewer than 0.1 an hour\n", bounds.MoreExposure(0, 2, 0.1, 0.95))
	// Output:
	// fewer than 1.50 an hour
	// 28 h more to claim fewer than 0.1 an hour
}

func ExampleBinomialUpper() {
	fmt.Printf("0 of 100 missed: at most %.1f %%\n", 100*bounds.BinomialUpper(0, 100, 0.95))
	// Output: 0 of 100 missed: at most 3.0 %
}
