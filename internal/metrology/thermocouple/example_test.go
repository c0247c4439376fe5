package thermocouple_test

import (
	"fmt"
	"log"

	"github.com/evenbench/evenbench/internal/metrology/thermocouple"
)

// A reader measures 7.42 mV with an uncertainty of 4 µV; its terminals are at 25.0 °C.
func Example() {
	k, err := thermocouple.Lookup("K")
	if err != nil {
		log.Fatal(err)
	}
	celsius, err := k.Temperature(7.42, 25.0)
	if err != nil {
		log.Fatal(err)
	}
	slope, err := k.Sensitivity(celsius)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.2f ± %.2f °C\n", celsius, 0.004/slope)
	// Output: 207.04 ± 0.10 °C
}
