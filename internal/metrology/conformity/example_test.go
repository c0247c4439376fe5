package conformity_test

import (
	"fmt"
	"log"

	"github.com/evenbench/evenbench/internal/metrology/conformity"
	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
)

// A roast must last 8 to 12 minutes; its end is known to 5 s.
func Example() {
	window := conformity.Window{Low: 8, High: 12}
	for _, minutes := range []float64{10.5, 11.95, 12.4} {
		d, err := conformity.Decide(uncertainty.Estimate{Value: minutes, Standard: 5.0 / 60}, window, 0.05)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%.2f min: %s, %.0f %% likely to be in the window\n", minutes, d.Verdict, 100*d.Probability)
	}
	// Output:
	// 10.50 min: inside, 100 % likely to be in the window
	// 11.95 min: undecided, 73 % likely to be in the window
	// 12.40 min: outside, 0 % likely to be in the window
}
