package sheet

import (
	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/metrology/thermocouple"
	"github.com/evenbench/evenbench/internal/units"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Thermocouple says how a temperature is made of the voltage that a device says. In
// such a channel the unit, the resolution and the uncertainty are those of the voltage;
// the range, the rate and what is said of rest are those of the temperature, in Cel.
type Thermocouple struct {
	Type *thermocouple.Type
	// Class of the tolerance as delivered, 1 to 3; 0: not known.
	Class thermocouple.Class
	// Junction is the channel that measures the cold junction; empty: it is at Cold,
	// Cel, with a standard uncertainty of ColdUncertainty, K.
	Junction              string
	Cold, ColdUncertainty float64
}

// DeviceQuantity is the quantity that the device says: voltage for a thermocouple.
func (c *Channel) DeviceQuantity() string {
	if c.Thermocouple != nil {
		return "voltage"
	}
	return c.Quantity
}

// By says in words by what the quantity is measured, where the device says another: " by
// a type K thermocouple"; empty otherwise.
func (c *Channel) By() string {
	if c.Thermocouple == nil || c.Thermocouple.Type == nil {
		return ""
	}
	return " by a type " + c.Thermocouple.Type.Letter() + " thermocouple"
}

// readThermocouple reads the section of a channel that turns a voltage into a
// temperature; nil if there is none.
func readThermocouple(n *document.Node) *Thermocouple {
	out := &Thermocouple{}
	switch {
	case n == nil:
		return nil
	case !n.Expect(document.Map):
		return out // its channel is still one of a voltage
	}
	letter := n.Require("type", "the letter of its type: B, E, J, K, N, R, S or T")
	if letter != nil {
		var err error
		if out.Type, err = thermocouple.Lookup(letter.Text("")); err != nil && letter.Text("") != "" {
			letter.Problem("%v", err)
		}
	}
	class := n.Field("class")
	out.Class = thermocouple.Class(class.Int(0, int(thermocouple.Best), int(thermocouple.Worst)))
	if out.Type != nil && out.Class != 0 {
		if _, _, err := out.Type.ToleranceRange(out.Class); err != nil {
			class.Problem("%v", err)
			out.Class = 0
		}
	}
	readJunction(n.Require("cold_junction", "where its wires end: the name of the channel that measures the temperature there, or {at: 25, uncertainty: 1}, or {at: 0} if the device adds it itself"), out)
	return out
}

func readJunction(n *document.Node, out *Thermocouple) {
	switch n.Kind() {
	case document.Null:
	case document.Map:
		at := n.Require("at", "its temperature in Cel")
		out.Cold = at.Number(0)
		u := n.Field("uncertainty")
		out.ColdUncertainty = u.Positive(0)
		if out.Cold != 0 && u == nil {
			n.Problem("uncertainty is missing: write how well it is known, as a standard uncertainty in K; it adds to that of every temperature")
		}
		if out.Type != nil {
			if _, err := out.Type.Voltage(0, out.Cold); err != nil {
				at.Problem("%v", err)
			}
		}
	default:
		out.Junction = n.Text("")
	}
}

// checkThermocouples holds what is said of thermocouples against the rest of the
// sheet.
func checkThermocouples(channels *document.Node, s *Sheet) {
	for i := range s.Channels {
		if c := &s.Channels[i]; c.Thermocouple != nil {
			n := channels.Field(c.Name)
			checkMeasured(n, c)
			s.checkJunction(n.Field("thermocouple").Field("cold_junction"), c)
		}
	}
}

// checkMeasured makes sure that the channel is one that a thermocouple can have.
func checkMeasured(n *document.Node, c *Channel) {
	if _, known := units.Lookup(c.Quantity); known && c.Quantity != "temperature" {
		n.Field("thermocouple").Problem("makes a temperature of a voltage, and the channel measures %s: write quantity: temperature, and the unit of the voltage", c.Quantity)
	}
	if c.Thermocouple.Class != 0 && n.Field("range") == nil {
		n.Field("thermocouple").Field("class").Problem("is for some temperatures only: add range: with those that the channel may have, in Cel")
	}
	c.CheckRange(n.Field("range"))
}

// CheckRange records at n what is wrong with the range of a channel: a thermocouple must
// be able to measure it, and its class must have a tolerance there.
func (c *Channel) CheckRange(n *document.Node) {
	t := c.Thermocouple
	if t == nil || t.Type == nil || c.Low == 0 && c.High == 0 {
		return
	}
	if low, high := t.Type.Measurable(); c.Low < low || c.High > high {
		n.Problem("type %s measures from %g to %g Cel; the range is in Cel, whatever the unit of the voltage", t.Type.Letter(), low, high)
		return
	}
	if t.Class == 0 {
		return
	}
	if low, high, err := t.Type.ToleranceRange(t.Class); err == nil && (c.Low < low || c.High > high) {
		n.Problem("class %d of type %s is from %g to %g Cel: narrow the range, or leave the class out and state an uncertainty", t.Class, t.Type.Letter(), low, high)
	}
}

// checkJunction makes sure that another channel measures the cold junction, in a way
// that it can be relied on.
func (s *Sheet) checkJunction(n *document.Node, c *Channel) {
	name := c.Thermocouple.Junction
	if name == "" {
		return
	}
	at, ok := s.Channel(name)
	switch {
	case !ok:
		n.Problem("there is no channel %q%s", name, document.Meant(name, s.ChannelNames()))
	case at.Thermocouple != nil:
		n.Problem("%q is a thermocouple itself: name the channel of a sensor at the terminals", name)
	case at.Quantity != "temperature" || at.Kind != pb.ChannelKind_CHANNEL_KIND_CONTINUOUS:
		n.Problem("%q must be a continuous temperature to be a cold junction", name)
	case at.Cadence == 0:
		n.Problem("%q needs a cadence to be a cold junction: without, nobody knows when its last reading is too old", name)
	}
}
