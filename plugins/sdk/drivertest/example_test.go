package drivertest_test

import (
	"context"
	"fmt"

	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/sdk/drivertest"
)

// A driver in its own test. As a process it would be
// drivertest.Command("./my-driver").
func ExampleRun() {
	lines, err := drivertest.NewLines(func(n int) string { return fmt.Sprintf("%d.02 g\n", 150+n%9) })
	if err != nil {
		fmt.Println(err)
		return
	}
	defer lines.Close()
	report := drivertest.Run(context.Background(), drivertest.InProcess(ascii.Driver()), drivertest.Options{
		Sheet: map[string]any{
			"talk":     map[string]any{"mode": "listen"},
			"frame":    map[string]any{"line": "\n"},
			"read":     []any{map[string]any{"match": `^(?P<mass>[.0-9]+) g$`}},
			"channels": map[string]any{"mass": map[string]any{"quantity": "mass", "unit": "g"}},
		},
		Device: lines.Device(),
		Fill:   1_000,
		Slack:  5, // for a machine that is busy
	})
	fmt.Println(report.Driver, report.Err())
	// Output: ascii <nil>
}

func ExampleSample() {
	line, err := drivertest.Sample(`^(?P<status>STEADY|MOVING) (?P<mass>[-+] *[.0-9]+) (?P<unit>g|kg)$`)
	fmt.Printf("%q %v\n", line, err)
	// Output: "STEADY +1 g" <nil>
}
