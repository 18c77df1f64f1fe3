package tune_test

import (
	"fmt"

	"kerbline/fusion/tune"
)

func ExampleParseAxis() {
	a, err := tune.ParseAxis("limits.risk=1e-6..1e-4/3log")
	fmt.Println(a.Key, a.Values, err)
	// Output: limits.risk [1e-06 1e-05 0.0001] <nil>
}
