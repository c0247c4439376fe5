// Package modbus is the driver for instruments that speak Modbus, over TCP or
// (RTU) over a serial line. It reads holding and input registers, and writes
// none.
package modbus

import (
	"context"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/link"
	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Driver returns the driver.
func Driver() sdk.Driver {
	return sdk.Driver{
		Name:    "modbus",
		Version: "1",
		Actions: []pb.Action{pb.Action_ACTION_MEASURE},
		Open: func(_ context.Context, s sdk.Settings) (sdk.Device, error) {
			return Open(s, nil)
		},
	}
}

// CheckLink records what is wrong with the link section of an instrument that
// this driver serves.
func CheckLink(n *document.Node) { readLink(n) }

func readLink(n *document.Node) link.Link {
	return link.Read(n, link.RTU, link.TCP)
}

// Open checks the settings and returns the device that they describe. Watch may
// be nil.
func Open(s sdk.Settings, watch Watch) (*Device, error) {
	sheet := document.From("sheet", s.Sheet)
	way := document.From("link", s.Link)
	d := &Device{
		sheet: ReadSheet(sheet.Node), link: readLink(way.Node), clock: s.Clock, watch: watch,
		requests: make(sdk.Requests),
	}
	if problems := append(sheet.Problems, way.Problems...); len(problems) > 0 {
		return nil, problems
	}
	for _, b := range d.sheet.blocks() {
		d.polls = append(d.polls, poll{block: b})
	}
	if d.watch == nil {
		d.watch = nobody{}
	}
	return d, nil
}
