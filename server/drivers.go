package main

import (
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/iio"
	"github.com/evenbench/evenbench/plugins/keyed"
	"github.com/evenbench/evenbench/plugins/modbus"
	"github.com/evenbench/evenbench/plugins/mqtt"
	"github.com/evenbench/evenbench/plugins/opcua"
	"github.com/evenbench/evenbench/plugins/scpi"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheets"
)

// own are the drivers that are part of this program.
var own = map[string]struct {
	driver func() sdk.Driver
	checks sheet.Driver
}{
	"ascii":  {ascii.Driver, sheet.Driver{Sheet: ascii.Check, Link: ascii.CheckLink, Over: "a serial line, TCP or a Unix socket"}},
	"iio":    {iio.Driver, sheet.Driver{Sheet: iio.Check, Link: iio.CheckLink, Over: "files of the Linux kernel"}},
	"keyed":  {keyed.Driver, sheet.Driver{Sheet: keyed.Check}},
	"modbus": {modbus.Driver, sheet.Driver{Sheet: modbus.Check, Link: modbus.CheckLink, Over: "a serial line (RTU) or TCP"}},
	"mqtt":   {mqtt.Driver, sheet.Driver{Sheet: mqtt.Check, Link: mqtt.CheckLink, Over: "an MQTT broker"}},
	"opcua":  {opcua.Driver, sheet.Driver{Sheet: opcua.Check, Link: opcua.CheckLink, Over: "an OPC UA server"}},
	"scpi":   {scpi.Driver, sheet.Driver{Sheet: scpi.Check, Link: scpi.CheckLink, Over: "TCP or a serial line"}},
}

// labOptions are what lab files may refer to.
func labOptions() lab.Options {
	o := lab.Options{Drivers: sheet.Drivers{}, Sheet: sheets.Find, SheetNames: sheets.Names()}
	for name, d := range own {
		o.Drivers[name] = d.checks
	}
	return o
}

// settled is how long after its start a driver measures as it will from then on.
const settled = 10 * time.Second

// driverCommand runs one of the program's own drivers; the hub calls it. Its flags are
// for whoever tries a driver: with little to hold, it can be filled and outlived.
func driverCommand() *cobra.Command {
	var hold int
	var readings uint64
	c := &cobra.Command{
		Use:    "driver NAME",
		Short:  "Run a driver; the hub does this by itself",
		Hidden: true,
		Args:   exactly(1, "driver takes the name of one driver"),
		RunE: func(_ *cobra.Command, args []string) error {
			d, ok := own[args[0]]
			if !ok {
				return usageError{fmt.Errorf("there is no driver %q; there are %s", args[0],
					strings.Join(slices.Sorted(maps.Keys(own)), ", "))}
			}
			driver := d.driver()
			driver.Hold = sdk.Hold{Readings: readings, Time: time.Duration(hold) * time.Second}
			defer time.AfterFunc(settled, func() { _ = unmapStart() }).Stop() // it only takes more memory
			sdk.Serve(driver)
			return nil
		},
	}
	c.Flags().IntVar(&hold, "hold", 0, "seconds to live without a hub; 0: as long as always")
	c.Flags().Uint64Var(&readings, "readings", 0, "readings to hold at most; 0: as many as always")
	return c
}

// driverArgv returns the command that runs one of the program's own drivers.
func driverArgv(program string) func(string) []string {
	return func(name string) []string { return []string{program, "driver", name} }
}

// thisProgram returns the path of the running program.
func thisProgram() (string, error) {
	path, err := os.Executable()
	if err != nil {
		return "", fmt.Errorf("find this program, to run its drivers: %w", err)
	}
	return path, nil
}
