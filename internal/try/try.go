// Package try shows a person what an instrument sends and what a sheet makes of
// it, before anything is configured or recorded. It runs the drivers themselves,
// so that what is shown is what the hub would get.
package try

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/evenbench/evenbench/internal/link"
	"github.com/evenbench/evenbench/internal/problem"
	"github.com/evenbench/evenbench/internal/transcript"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/iio"
	"github.com/evenbench/evenbench/plugins/keyed"
	"github.com/evenbench/evenbench/plugins/modbus"
	"github.com/evenbench/evenbench/plugins/mqtt"
	"github.com/evenbench/evenbench/plugins/opcua"
	"github.com/evenbench/evenbench/plugins/scpi"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
)

// ErrNothingRead says that the trial gave no reading.
var ErrNothingRead = errors.New("nothing could be read")

// Trial is what to try.
type Trial struct {
	// File names the sheet in problems; Sheet is its text.
	File  string
	Sheet []byte
	// Link says how to reach the device, as a lab file would.
	Link map[string]any
	// For is how long to try; 0: until the context ends.
	For time.Duration
	// Tap is told what passes over the link; nil: nobody is.
	Tap link.Tap
	// Hex shows everything that comes in hexadecimal too, and not only its beginning.
	Hex bool
	// Limit ends the trial after so many frames or requests; 0: no limit.
	Limit int
}

// drivers are those whose sheets can be tried.
var drivers = sheet.Drivers{
	"ascii":  {Sheet: ascii.Check, Link: ascii.CheckLink},
	"modbus": {Sheet: modbus.Check, Link: modbus.CheckLink},
	"keyed":  {Sheet: keyed.Check},
	"scpi":   {Sheet: scpi.Check, Link: scpi.CheckLink},
	"iio":    {Sheet: iio.Check, Link: iio.CheckLink},
	"mqtt":   {Sheet: mqtt.Check, Link: mqtt.CheckLink},
	"opcua":  {Sheet: opcua.Check, Link: opcua.CheckLink},
}

// others are drivers that show what they hand to the hub, and nothing else.
var others = map[string]func() sdk.Driver{
	"scpi": scpi.Driver, "iio": iio.Driver, "mqtt": mqtt.Driver, "opcua": opcua.Driver,
}

// Run tries a sheet on a device and writes what happens to w, line by line. A
// sheet or link that cannot be used is a problem.List; a trial without a single
// reading ends with ErrNothingRead.
func Run(ctx context.Context, w io.Writer, t Trial) error {
	s, problems := sheet.Parse(t.File, t.Sheet, drivers)
	if err := problems.Err(); err != nil {
		return err
	}
	if s.Driver == "keyed" {
		return explainKeyed(w, s)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if t.For > 0 {
		ctx, cancel = context.WithTimeout(ctx, t.For)
		defer cancel()
	}
	p := newPaper(w, s, t.Limit, cancel)
	p.hex = t.Hex
	settings := sdk.Settings{Instrument: "try", Sheet: s.Raw, Link: t.Link}
	var device sdk.Device
	var out sdk.Out = p
	var err error
	tap := t.Tap
	if driver, ok := others[s.Driver]; ok {
		device, err = driver().Open(ctx, settings)
		out, tap = plain{p}, bytesShown{p, t.Tap}
	} else {
		device, err = open(settings, s.Driver, p)
	}
	if err != nil {
		return err
	}
	if tap != nil {
		ctx = link.WithTap(ctx, tap)
	}
	p.heading(t)
	if err := device.Run(ctx, out); err != nil {
		return fmt.Errorf("try %s: %w", t.File, err)
	}
	return p.summary()
}

// checked returns what is wrong with a sheet.
func checked(file, text string) problem.List {
	_, problems := sheet.Parse(file, []byte(text), drivers)
	return problems
}

// Heading returns what a transcript of a trial says of itself. Where is the link as a
// person wrote it.
func Heading(t Trial, where string, at time.Time) []transcript.Note {
	s, _ := sheet.Parse(t.File, t.Sheet, drivers) // its mistakes are Run's to tell
	var out []transcript.Note
	for _, n := range []transcript.Note{
		{Word: "sheet", Text: s.Name},
		{Word: "driver", Text: s.Driver},
		{Word: "link", Text: where},
		{Word: "taken", Text: at.UTC().Format(time.RFC3339)},
	} {
		if n.Text != "" {
			out = append(out, n)
		}
	}
	return out
}

func open(s sdk.Settings, driver string, p *paper) (sdk.Device, error) {
	var device sdk.Device
	var err error
	switch driver {
	case "ascii":
		var d *ascii.Device
		if d, err = ascii.Open(s, frames{p}); err == nil {
			p.explain = d.Sheet().Explain
			device = d
		}
	default:
		var d *modbus.Device
		if d, err = modbus.Open(s, requests{p}); err == nil {
			p.register = d.Register
			device = d
		}
	}
	var list problem.List
	if err != nil && !errors.As(err, &list) {
		err = fmt.Errorf("open device: %w", err)
	}
	return device, err
}

func explainKeyed(w io.Writer, s *sheet.Sheet) error {
	_, err := fmt.Fprintf(w, "%s (%s) has no device: a person types its values.\n", s.Name, s.Title)
	for _, c := range s.Channels {
		_, err = fmt.Fprintf(w, "  %-20s %s %s\n", c.Name, c.Quantity, c.Unit)
	}
	return err
}
