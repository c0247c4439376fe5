package uncertainty_test

import (
	"fmt"
	"log"

	"github.com/evenbench/evenbench/internal/metrology/uncertainty"
)

// The bulk density of green coffee: a mass weighed five times, in a measure of 500 mL
// that may be off by 2 mL.
func Example() {
	mass, err := uncertainty.OfReadings([]float64{341.2, 340.6, 341.9, 341.0, 340.9}) // g
	if err != nil {
		log.Fatal(err)
	}
	inputs, err := uncertainty.NewInputs([]uncertainty.Input{
		{Name: "mass", Estimate: mass},
		{Name: "volume", Estimate: uncertainty.Rectangular(0.500, 0.002)}, // L
	})
	if err != nil {
		log.Fatal(err)
	}
	density, err := inputs.Propagate(func(x []float64) float64 { return x[0] / x[1] }, nil)
	if err != nil {
		log.Fatal(err)
	}
	u, k, err := density.Expanded(0.95)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.1f ± %.1f g/L (k = %.2f)\n", density.Value, u, k)
	for _, c := range density.Budget {
		fmt.Printf("%-6s %.2f g/L\n", c.Name, c.Standard)
	}
	// Output:
	// 682.2 ± 3.2 g/L (k = 1.96)
	// mass   0.44 g/L
	// volume 1.58 g/L
}
