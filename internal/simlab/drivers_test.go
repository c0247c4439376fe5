package simlab

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/keyed"
	"github.com/evenbench/evenbench/plugins/modbus"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheets"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

var drivers = map[string]sdk.Driver{"ascii": ascii.Driver(), "modbus": modbus.Driver(), "keyed": keyed.Driver()}

// loaded is the lab's own lab file, read as the hub reads it.
func loaded(t *testing.T, l *Lab) *lab.Lab {
	t.Helper()
	path := filepath.Join(t.TempDir(), "lab.yaml")
	if err := os.WriteFile(path, []byte(l.LabFile("record", "127.0.0.1:0", "")), 0o600); err != nil {
		t.Fatal(err)
	}
	read, problems := lab.Load(path, lab.Options{
		Drivers: sheet.Drivers{
			"ascii":  {Sheet: ascii.Check, Link: ascii.CheckLink},
			"modbus": {Sheet: modbus.Check, Link: modbus.CheckLink},
			"keyed":  {Sheet: keyed.Check},
		},
		Sheet: sheets.Find, SheetNames: sheets.Names(),
	})
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return read
}

// heard is what a driver made of an instrument.
type heard struct {
	mu         sync.Mutex
	changed    chan struct{} // closed and replaced with every change
	readings   []sdk.Reading
	state      pb.DeviceState
	identity   string
	unreadable []string
}

func (h *heard) change(f func()) {
	h.mu.Lock()
	defer h.mu.Unlock()
	f()
	close(h.changed)
	h.changed = make(chan struct{})
}

func (h *heard) Readings(_ time.Time, r ...sdk.Reading) {
	h.change(func() { h.readings = append(h.readings, r...) })
}
func (h *heard) State(s pb.DeviceState, _ string) { h.change(func() { h.state = s }) }
func (h *heard) Identity(id string)               { h.change(func() { h.identity = id }) }
func (h *heard) Unreadable(b []byte) {
	h.change(func() { h.unreadable = append(h.unreadable, string(b)) })
}
func (h *heard) Log(string, string) {}

// wait waits until ok holds of what was heard; it gives up with the test.
func (h *heard) wait(t *testing.T, what string, ok func(h *heard) bool) {
	t.Helper()
	late := time.NewTimer(20 * time.Second)
	defer late.Stop()
	for {
		h.mu.Lock()
		changed, done := h.changed, ok(h)
		h.mu.Unlock()
		if done {
			return
		}
		select {
		case <-changed:
		case <-late.C:
			h.mu.Lock()
			defer h.mu.Unlock()
			t.Fatalf("%s: did not come; state %v, unreadable %q, last readings %+v",
				what, h.state, h.unreadable, h.readings[max(0, len(h.readings)-5):])
		}
	}
}

// says waits for a reading of a channel that fulfils ok.
func (h *heard) says(t *testing.T, channel string, ok func(r sdk.Reading) bool) {
	t.Helper()
	h.wait(t, channel, func(h *heard) bool {
		return slices.ContainsFunc(h.readings, func(r sdk.Reading) bool { return r.Channel == channel && ok(r) })
	})
}

func near(want, within float64) func(sdk.Reading) bool {
	return func(r sdk.Reading) bool { return math.Abs(r.Value-want) <= within }
}

// attach runs the first-party driver of every instrument of the lab file.
func attach(t *testing.T, l *Lab) (map[string]*heard, map[string]sdk.Device) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	var work sync.WaitGroup
	t.Cleanup(func() {
		cancel()
		work.Wait()
	})
	ears, devices := map[string]*heard{}, map[string]sdk.Device{}
	for _, i := range loaded(t, l).Instruments {
		d, err := drivers[i.Driver].Open(ctx, sdk.Settings{
			Instrument: i.Name, Sheet: i.Sheet.Raw, Link: i.Link, Clock: l.Clock(),
		})
		if err != nil {
			t.Fatalf("%s: %v", i.Name, err)
		}
		h := &heard{changed: make(chan struct{})}
		ears[i.Name], devices[i.Name] = h, d
		work.Go(func() {
			if err := d.Run(ctx, h); err != nil {
				t.Errorf("%s: %v", i.Name, err)
			}
		})
	}
	return ears, devices
}

// The emulators speak what the built-in sheets describe, and the drivers read it,
// over the links that the lab file names.
func TestDriversReadTheLab(t *testing.T) {
	l, err := Start(t.Context(), Options{Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Stop()
	ears, devices := attach(t, l)
	for name, h := range ears {
		if name != handCount {
			h.wait(t, name+" connected", func(h *heard) bool { return h.state == pb.DeviceState_DEVICE_STATE_CONNECTED })
		}
	}

	for _, r := range l.roasters {
		h := ears[r.station+"-probes"]
		h.says(t, "bean", near(200, 15))
		h.says(t, "drum_air", near(211, 15))
		h.says(t, "inlet_air", near(232, 15))
		r.reader.Break(true)
		h.says(t, "bean", func(r sdk.Reading) bool { return r.Text == "OPEN" || r.Text == "0x7FFF" || r.Text == "7FFF" })
		r.reader.Break(false)
	}
	ears["room-climate"].says(t, "pressure", near(871.5, 2))
	ears["room-climate"].says(t, "temperature", near(21.5, 2))
	ears["room-climate"].says(t, "relative_humidity", near(54, 4))

	for name, scale := range map[string]interface{ Load(float64) }{
		"reception-scale": l.receptionScale, "batch-scale": l.batchScale,
	} {
		h := ears[name]
		h.says(t, "mass", func(r sdk.Reading) bool { return r.Status == "STEADY" && near(0, 0.05)(r) })
		scale.Load(350.2)
		h.says(t, "mass", func(r sdk.Reading) bool { return r.Status == "MOVING" })
		h.says(t, "mass", func(r sdk.Reading) bool { return r.Status == "STEADY" && r.Unit == "g" && near(350.2, 0.05)(r) })
		if _, err := devices[name].Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_TARE}); err != nil {
			t.Errorf("%s: tare: %v", name, err)
		}
		scale.Load(0)
		h.says(t, "mass", func(r sdk.Reading) bool { return r.Status == "STEADY" && near(-350.2, 0.05)(r) })
		scale.Load(5000)
		h.says(t, "mass", func(r sdk.Reading) bool { return r.Text == "OVER" })
	}

	l.scanner.Scan("EB4101")
	ears["bench-scanner"].says(t, "code", func(r sdk.Reading) bool { return r.Text == "EB4101" })

	l.moistureMeter.Pour(11.4, 22)
	ears["moisture-meter"].says(t, "moisture", near(11.4, 0.5))
	ears["moisture-meter"].says(t, "bean_temperature", near(22, 0.1))

	colour := ears["colour-meter"]
	colour.wait(t, "identity", func(h *heard) bool { return h.identity == "CB100-0731" })
	l.colourMeter.Fill(58, false)
	l.colourMeter.Press()
	colour.says(t, "whole", near(58, 1.5))
	l.colourMeter.Fill(63, true)
	if _, err := devices["colour-meter"].Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_MEASURE}); err != nil {
		t.Errorf("measure colour: %v", err)
	}
	colour.says(t, "ground", near(63, 1.5))
	l.colourMeter.Empty()
	l.colourMeter.Press()
	colour.says(t, "ground", func(r sdk.Reading) bool { return r.Text == "--.-" })

	if _, err := devices[handCount].Act(t.Context(), sdk.Act{Action: pb.Action_ACTION_ENTER, Channel: "bulk_density", Text: "698"}); err != nil {
		t.Errorf("enter density: %v", err)
	}
	ears[handCount].says(t, "bulk_density", near(698, 0))

	for name, h := range ears {
		if h.unreadable != nil {
			t.Errorf("%s said what its sheet cannot read: %q", name, h.unreadable)
		}
	}
}

// A cable that is pulled shows as lost, and the driver finds the device again.
func TestDriversComeBack(t *testing.T) {
	l, err := Start(t.Context(), Options{Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Stop()
	ears, _ := attach(t, l)
	for _, i := range l.instruments {
		h := ears[i.name]
		connected := func(h *heard) bool { return h.state == pb.DeviceState_DEVICE_STATE_CONNECTED }
		h.wait(t, i.name+" connected", connected)
		i.device.Cable().Unplug()
		h.wait(t, i.name+" lost", func(h *heard) bool { return !connected(h) })
		if err := i.device.Cable().Plug(); err != nil {
			t.Fatal(err)
		}
		h.wait(t, i.name+" back", connected)
	}
}
