package sheets_test

import (
	"testing"

	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/iio"
	"github.com/evenbench/evenbench/plugins/keyed"
	"github.com/evenbench/evenbench/plugins/modbus"
	"github.com/evenbench/evenbench/plugins/mqtt"
	"github.com/evenbench/evenbench/plugins/opcua"
	"github.com/evenbench/evenbench/plugins/scpi"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheets"
)

func TestEverySheetIsSound(t *testing.T) {
	drivers := sheet.Drivers{
		"ascii":  {Sheet: ascii.Check, Link: ascii.CheckLink},
		"modbus": {Sheet: modbus.Check, Link: modbus.CheckLink},
		"mqtt":   {Sheet: mqtt.Check, Link: mqtt.CheckLink},
		"iio":    {Sheet: iio.Check, Link: iio.CheckLink},
		"scpi":   {Sheet: scpi.Check, Link: scpi.CheckLink},
		"opcua":  {Sheet: opcua.Check, Link: opcua.CheckLink},
		"keyed":  {Sheet: keyed.Check},
	}
	names := sheets.Names()
	if len(names) < 8 {
		t.Fatalf("only %d sheets are embedded: %v", len(names), names)
	}
	for _, name := range names {
		t.Run(name, func(t *testing.T) {
			data, ok := sheets.Find(name)
			if !ok {
				t.Fatal("not found by its own name")
			}
			s, problems := sheet.Parse(name+".yaml", data, drivers)
			if err := problems.Err(); err != nil {
				t.Fatal(err)
			}
			if s.Name != name {
				t.Errorf("the file is named %q, the sheet %q", name, s.Name)
			}
		})
	}
	if _, ok := sheets.Find("no-such-sheet"); ok {
		t.Error("a sheet was found that there is not")
	}
}
