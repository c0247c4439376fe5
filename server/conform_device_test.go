package main_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/simlab/cable"
	"github.com/evenbench/evenbench/internal/simlab/device"
	"github.com/evenbench/evenbench/plugins/sdk/drivertest"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// measureNow has a driver measure n times at once, when it has found its device.
func measureNow(ctx context.Context, driver pb.DriverServiceClient, n int) error {
	for range n {
		for {
			_, err := driver.Act(ctx, &pb.ActRequest{Action: pb.Action_ACTION_MEASURE})
			if err == nil {
				break
			}
			select {
			case <-time.After(10 * time.Millisecond):
			case <-ctx.Done():
				return errors.Join(err, ctx.Err())
			}
		}
	}
	return nil
}

// onThermometer is the simulated bench thermometer, asked in SCPI.
func onThermometer(t *testing.T) drivertest.Options {
	var connected atomic.Int32
	thermometer := must(device.NewThermometer(func(serve cable.Serve) (cable.Cable, error) {
		return cable.TCP(func(conn io.ReadWriter) {
			connected.Add(1)
			defer connected.Add(-1)
			serve(conn)
		})
	}))
	wire := thermometer.Cable()
	t.Cleanup(wire.Close)
	return drivertest.Options{
		Sheet: map[string]any{
			"talk": map[string]any{"every": "200ms", "timeout": "1s"},
			"queries": []any{map[string]any{
				"ask": "MEAS:TEMP?", "gives": []any{"probe", "-"},
			}},
			"channels": map[string]any{"probe": map[string]any{"quantity": "temperature", "unit": "Cel"}},
		},
		Device: drivertest.Device{
			// The cable's link is written as in a lab file: {tcp: "address"}.
			Link: map[string]any{"tcp": strings.Split(wire.Link(), `"`)[1]},
			Most: 1_000,
			Say:  measureNow,
			Garble: func(context.Context) error {
				wire.Say([]byte("\x00garbage\xff\n")) // which nobody has asked for
				return nil
			},
			Unplug:    wire.Unplug,
			Plug:      wire.Plug,
			Connected: func() int { return int(connected.Load()) },
		},
	}
}

// onChip is a tree of files such as the kernel shows of a chip.
func onChip(t *testing.T) drivertest.Options {
	root := t.TempDir()
	chip, away := filepath.Join(root, "iio:device0"), filepath.Join(root, "away")
	write := func(name, text string) error {
		// Whole or not at all, as the kernel's files are.
		next := filepath.Join(root, "next")
		if err := os.WriteFile(next, []byte(text+"\n"), 0o600); err != nil {
			return err
		}
		return os.Rename(next, filepath.Join(chip, name))
	}
	if err := errors.Join(os.Mkdir(chip, 0o755), write("name", "hdc3020"), write("in_temp_input", "21500")); err != nil {
		t.Fatal(err)
	}
	return drivertest.Options{
		Sheet: map[string]any{
			"talk":     map[string]any{"every": "200ms"},
			"inputs":   []any{map[string]any{"channel": "air", "attribute": "in_temp"}},
			"channels": map[string]any{"air": map[string]any{"quantity": "temperature", "unit": "Cel"}},
		},
		Device: drivertest.Device{
			Link: map[string]any{"name": "hdc3020", "root": root},
			Most: 1_000,
			Say: func(ctx context.Context, driver pb.DriverServiceClient, n int) error {
				if err := write("in_temp_input", fmt.Sprint(21000+n)); err != nil {
					return err
				}
				return measureNow(ctx, driver, n)
			},
			Garble: func(context.Context) error { return write("in_temp_input", "\x00garbage\xff") },
			Unplug: func() { _ = os.Rename(chip, away) },
			Plug:   func() error { return os.Rename(away, chip) },
		},
	}
}
