// Package mqtt is the driver for instruments that publish to an MQTT broker. It
// subscribes to the topics of one instrument, and publishes nothing.
package mqtt

import (
	"context"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sdk"
)

// Driver returns the driver.
func Driver() sdk.Driver {
	return sdk.Driver{
		Name:    "mqtt",
		Version: "1",
		Open:    open,
	}
}

// CheckLink records what is wrong with the link section of an instrument that
// this driver serves.
func CheckLink(n *document.Node) { readBroker(n) }

func open(_ context.Context, s sdk.Settings) (sdk.Device, error) {
	text := document.From("sheet", s.Sheet)
	way := document.From("link", s.Link)
	d := &Device{sheet: ReadSheet(text.Node), broker: readBroker(way.Node), clock: s.Clock}
	if problems := append(text.Problems, way.Problems...); len(problems) > 0 {
		return nil, problems
	}
	d.topics = d.sheet.under(d.broker.under)
	if a := d.sheet.availability; a != nil {
		d.availability = join(d.broker.under, a.topic)
	}
	return d, nil
}
