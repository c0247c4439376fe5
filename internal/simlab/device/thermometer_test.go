package device_test

import (
	"testing"

	"github.com/evenbench/evenbench/internal/simlab/cable"
	"github.com/evenbench/evenbench/internal/simlab/device"
)

func TestThermometerSpeaksSCPI(t *testing.T) {
	m, err := device.NewThermometer(cable.TCP)
	r := onBench(t, m, err)
	r.ask("*IDN?\n", device.ThermometerIdentity(device.ThermometerSerial)+"\n")
	m.Dip(0, 100)
	r.ask(":measure:temperature?\n", `\+(1\.000\d+E\+02|9\.99\d+E\+01),\+2\.1\d+E\+01\n`)
	r.ask("unit:temp F;:MEAS:TEMP?\n", `\+2\.1[12]\d+E\+02,\+7\.0\d+E\+01\n`)
	m.Break(1)
	r.ask("UNIT:TEMP K;FOO?;*OPC?;:MEAS:TEMP?\n", `1;\+3\.73\d+E\+02,\+9\.91000E\+37\n`)
	r.ask("SYSTEM:ERROR?;SYST:ERR?\n", `-113,"Undefined header";0,"No error"\n`)
	r.ask("UNIT:TEMP X;SYST:ERR?\n", `-224,"Illegal parameter value"\n`)
	for range 20 {
		r.conn.Write([]byte("NONSENSE\n"))
	}
	for range 15 {
		r.ask("SYST:ERR?\n", `-113,"Undefined header"\n`)
	}
	r.ask("SYST:ERR?\n", `-350,"Queue overflow"\n`)
	r.ask("SYST:ERR?\n", `0,"No error"\n`)
}
