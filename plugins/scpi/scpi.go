// Package scpi is the driver for instruments that are asked in SCPI over IEEE
// 488.2 messages: on a TCP port, a Unix socket or a serial line. It asks queries at
// their cadence, and reads the error queue of the instrument after each.
//
// An answer passes through two pure steps: cutter (message.go) finds the end of a
// response message, parse (answer.go) reads its elements. Device keeps question
// and answer in step.
package scpi

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
		Name:    "scpi",
		Version: "1",
		Actions: []pb.Action{pb.Action_ACTION_TARE, pb.Action_ACTION_ZERO, pb.Action_ACTION_MEASURE},
		Open: func(_ context.Context, s sdk.Settings) (sdk.Device, error) {
			return Open(s)
		},
	}
}

// CheckLink records what is wrong with the link section of an instrument that
// this driver serves.
func CheckLink(n *document.Node) { readLink(n) }

func readLink(n *document.Node) link.Link {
	return link.Read(n, link.TCP, link.Serial, link.Unix)
}

// Open checks the settings and returns the device that they describe.
func Open(s sdk.Settings) (*Device, error) {
	sheet := document.From("sheet", s.Sheet)
	way := document.From("link", s.Link)
	d := &Device{
		sheet: ReadSheet(sheet.Node), link: readLink(way.Node), clock: s.Clock,
		requests: make(sdk.Requests),
	}
	if problems := append(sheet.Problems, way.Problems...); len(problems) > 0 {
		return nil, problems
	}
	for _, q := range d.sheet.queries {
		d.polls = append(d.polls, poll{query: q})
	}
	return d, nil
}
