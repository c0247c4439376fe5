// Package iio is the driver for sensors that Linux knows by itself: chips on I²C or
// SPI whose values the kernel shows as files, its industrial I/O. It reads, and writes
// nothing.
//
// The names and units are those of the kernel's Documentation/ABI/testing/
// sysfs-bus-iio.
package iio

import (
	"context"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Driver returns the driver.
func Driver() sdk.Driver {
	return sdk.Driver{
		Name:    "iio",
		Version: "1",
		Actions: []pb.Action{pb.Action_ACTION_MEASURE},
		Open: func(_ context.Context, s sdk.Settings) (sdk.Device, error) {
			return Open(s)
		},
	}
}

// CheckLink records what is wrong with the link section of an instrument that
// this driver serves.
func CheckLink(n *document.Node) { readAddress(n) }

// Open checks the settings and returns the device that they describe.
func Open(s sdk.Settings) (*Device, error) {
	sheet := document.From("sheet", s.Sheet)
	way := document.From("link", s.Link)
	d := &Device{
		sheet: ReadSheet(sheet.Node), address: readAddress(way.Node), clock: s.Clock,
		read: readAttribute, requests: make(sdk.Requests),
	}
	if problems := append(sheet.Problems, way.Problems...); len(problems) > 0 {
		return nil, problems
	}
	return d, nil
}
