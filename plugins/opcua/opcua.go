// Package opcua is the driver for instruments behind an OPC UA server. It subscribes
// to the nodes that a sheet names, and writes none.
package opcua

import (
	"context"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sdk"
)

// Driver returns the driver.
func Driver() sdk.Driver {
	return sdk.Driver{
		Name:    "opcua",
		Version: "1",
		Open:    open,
	}
}

// CheckLink records what is wrong with the link section of an instrument that
// this driver serves.
func CheckLink(n *document.Node) { readServer(n) }

func open(_ context.Context, s sdk.Settings) (sdk.Device, error) {
	text := document.From("sheet", s.Sheet)
	way := document.From("link", s.Link)
	d := &Device{sheet: ReadSheet(text.Node), server: readServer(way.Node), clock: s.Clock}
	if problems := append(text.Problems, way.Problems...); len(problems) > 0 {
		return nil, problems
	}
	d.last = make([]last, len(d.sheet.nodes))
	return d, nil
}
