// Package ascii is the driver for instruments that send text: over a serial
// line, a TCP connection or a Unix socket; by themselves or when asked.
//
// What comes in passes through three steps, each a file: framer (frame.go) cuts
// the stream into frames, Reader (reader.go) matches frames with the sheet's
// rules, Device (device.go) keeps the connection. The first two are pure.
package ascii

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
		Name:    "ascii",
		Version: "1",
		Actions: []pb.Action{pb.Action_ACTION_TARE, pb.Action_ACTION_ZERO, pb.Action_ACTION_MEASURE},
		Open: func(_ context.Context, s sdk.Settings) (sdk.Device, error) {
			return Open(s, nil)
		},
	}
}

// CheckLink records what is wrong with the link section of an instrument that
// this driver serves.
func CheckLink(n *document.Node) { readLink(n) }

func readLink(n *document.Node) link.Link {
	return link.Read(n, link.Serial, link.TCP, link.Unix)
}

// Open checks the settings and returns the device that they describe. Watch may
// be nil.
func Open(s sdk.Settings, watch Watch) (*Device, error) {
	sheet := document.From("sheet", s.Sheet)
	way := document.From("link", s.Link)
	d := &Device{sheet: ReadSheet(sheet.Node), link: readLink(way.Node), clock: s.Clock, watch: watch}
	if problems := append(sheet.Problems, way.Problems...); len(problems) > 0 {
		return nil, problems
	}
	if d.watch == nil {
		d.watch = nobody{}
	}
	return d, nil
}
