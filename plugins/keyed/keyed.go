// Package keyed is the driver for values that a person types: what was counted
// by hand, or read off an instrument that has no plug. It has no link; a value
// comes in by an action, and is a reading like any other.
package keyed

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Driver returns the driver.
func Driver() sdk.Driver {
	return sdk.Driver{
		Name:    "keyed",
		Version: "1",
		Actions: []pb.Action{pb.Action_ACTION_ENTER},
		Open: func(_ context.Context, s sdk.Settings) (sdk.Device, error) {
			return Open(s)
		},
	}
}

// Open checks the settings and returns the device that they describe.
func Open(s sdk.Settings) (*Device, error) {
	sheet := document.From("sheet", s.Sheet)
	d := &Device{sheet: ReadSheet(sheet.Node)}
	if err := sheet.Problems.Err(); err != nil {
		return nil, err
	}
	return d, nil
}

// Device is a person with a keyboard.
type Device struct {
	sheet *Sheet
	mu    sync.Mutex
	out   sdk.Out // nil while Run does not run
}

// Channels implements sdk.Device.
func (d *Device) Channels() []*pb.Channel {
	out := make([]*pb.Channel, len(d.sheet.channels))
	for i := range d.sheet.channels {
		out[i] = &pb.Channel{Name: d.sheet.channels[i].name, DeviceUnit: d.sheet.channels[i].unit}
	}
	return out
}

// Run implements sdk.Device.
func (d *Device) Run(ctx context.Context, out sdk.Out) error {
	d.running(out)
	out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, "ready: values are typed")
	<-ctx.Done()
	d.running(nil)
	return nil
}

func (d *Device) running(out sdk.Out) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.out = out
}

// Act implements sdk.Device. The answer is the value as it was understood.
func (d *Device) Act(_ context.Context, a sdk.Act) (string, error) {
	if a.Action != pb.Action_ACTION_ENTER {
		return "", sdk.ErrUnsupported
	}
	c, err := d.sheet.find(a.Channel)
	if err != nil {
		return "", err
	}
	value, answer, err := c.read(a.Text)
	if err != nil {
		return "", fmt.Errorf("enter %s: %w", c.name, err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.out == nil {
		return "", errors.New("enter value: the instrument is not open")
	}
	d.out.Readings(time.Time{}, sdk.Reading{Channel: c.name, Value: value, Text: strings.TrimSpace(a.Text)})
	return answer, nil
}

// Sheet is what a sheet says to this driver.
type Sheet struct{ channels []channel }

type channel struct {
	name string
	// unit as a UCUM code, to be read and shown beside a number; empty if the
	// number has none ("1").
	unit string
	// code: any text, or one of the choices.
	code bool
	// whole: only whole numbers from zero can be counted.
	whole     bool
	low, high float64 // in unit; infinite if the sheet has no range
	choices   []string
}

// Check records what is wrong with the parts of a sheet that this driver reads.
func Check(n *document.Node) { ReadSheet(n) }

// ReadSheet reads the parts of a sheet that this driver reads, and records what is
// wrong with them as problems of the document.
func ReadSheet(n *document.Node) *Sheet {
	s := &Sheet{}
	for _, e := range n.Field("channels").Entries() {
		c := channel{name: e.Key, low: math.Inf(-1), high: math.Inf(1)}
		if e.Value.Kind() == document.Map {
			c.fill(e.Value)
		}
		s.channels = append(s.channels, c)
	}
	return s
}

func (c *channel) fill(n *document.Node) {
	if c.unit = n.Field("unit").Text(""); c.unit == "1" {
		c.unit = ""
	}
	c.code = n.Field("kind").Text("") == "code"
	c.whole = n.Field("quantity").Text("") == "count"
	if low, high, ok := n.Field("range").Range(); ok {
		c.low, c.high = low, high
	}
	choices := n.Field("choices")
	c.choices = choices.Texts()
	if choices == nil {
		return
	}
	for _, choice := range c.choices {
		if strings.TrimSpace(choice) != choice || choice == "" {
			choices.Problem("%q cannot be chosen: remove the spaces around it", choice)
		} else if !c.code {
			c.checkChoice(choices, choice)
		}
	}
}

func (c *channel) checkChoice(n *document.Node, choice string) {
	free := *c
	free.choices = nil
	if _, _, err := free.read(choice); err != nil {
		n.Problem("%v", err)
	}
}

func (s *Sheet) find(name string) (*channel, error) {
	names := make([]string, len(s.channels))
	for i := range s.channels {
		if names[i] = s.channels[i].name; names[i] == name {
			return &s.channels[i], nil
		}
	}
	return nil, fmt.Errorf("enter value: there is no channel %q%s", name, document.Meant(name, names))
}
