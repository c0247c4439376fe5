package lab

import (
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/normalize"
	"github.com/evenbench/evenbench/internal/units"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// correction is a calibration as the lab file states it: in the unit of the
// channel's sheet, which is the one on the display.
type correction struct {
	id            string
	slope, offset float64
	uncertainty   float64
	until         time.Time
}

// readChannels completes the channels of a sheet with what the lab file says of
// them.
func readChannels(n *document.Node, s *sheet.Sheet) ([]normalize.Channel, []ChannelCheck) {
	own := map[string]*document.Node{}
	for _, e := range n.Field("channels").Entries() {
		if _, ok := s.Channel(e.Key); !ok {
			e.Place.Problem("sheet %s has no channel %q%s", s.Name, e.Key, document.Meant(e.Key, s.ChannelNames()))
			e.Value.Value()
			continue
		}
		own[e.Key] = e.Value
	}
	var out []normalize.Channel
	var checks []ChannelCheck
	for _, c := range s.Channels {
		correct := override(own[c.Name], &c)
		wanted := readChecks(own[c.Name].Field("checks"), &c)
		if done, ok := complete(c, correct); ok {
			out = append(out, done)
			checks = append(checks, inUnitOf(done, wanted)...)
		}
	}
	return out, checks
}

// override replaces what the sheet says by what the lab file says.
func override(n *document.Node, c *sheet.Channel) *correction {
	if n == nil || !n.Expect(document.Map) {
		return nil
	}
	if p := n.Field("property"); p != nil {
		c.Property = p.Text("")
		sheet.CheckProperty(p, c.Property, c.Quantity, c.Kind)
	}
	c.Uncertainty = n.Field("uncertainty").Positive(c.Uncertainty)
	c.Cadence = n.Field("cadence").Duration(c.Cadence)
	if low, high, ok := n.Field("range").Range(); ok {
		c.Low, c.High = low, high
		c.CheckRange(n.Field("range"))
	}
	return readCorrection(n.Field("correct"), c)
}

func readCorrection(n *document.Node, c *sheet.Channel) *correction {
	if n == nil || !n.Expect(document.Map) {
		return nil
	}
	if c.Kind == pb.ChannelKind_CHANNEL_KIND_CODE {
		n.Problem("a code cannot be corrected: leave this out")
	}
	until := n.Field("until").Date()
	if !until.IsZero() {
		until = until.AddDate(0, 0, 1) // valid through that day
	}
	return &correction{
		id:          n.Require("id", "a name for the calibration, which readings made with it will bear").Text(""),
		slope:       n.Field("slope").Positive(1),
		offset:      n.Field("offset").Number(0),
		uncertainty: n.Field("uncertainty").Positive(0),
		until:       until,
	}
}

// complete puts everything into the canonical unit. It is false for a channel
// that its sheet does not describe well enough, which has been said there.
func complete(c sheet.Channel, correct *correction) (normalize.Channel, bool) {
	q, ok := units.Lookup(c.Quantity)
	if !ok {
		return normalize.Channel{}, false
	}
	way, err := stated(q, c)
	if err != nil {
		return normalize.Channel{}, false
	}
	out := normalize.Channel{
		Channel: &pb.Channel{
			Name: c.Name, Quantity: c.Quantity, Basis: c.Basis, Unit: q.Unit, DeviceUnit: c.Unit,
			Property: c.Property, Kind: c.Kind, Role: c.Role,
		},
		Resolution:  way.Slope * c.Resolution,
		Uncertainty: way.Slope * c.Uncertainty,
		Rate:        way.Slope * c.Rate,
		Broken:      c.Broken,
		Unsettled:   c.Unsettled,
		Doubtful:    c.Doubtful,
		Calibration: correct.calibration(way),
	}
	if c.Thermocouple != nil && !ofVoltage(&out, c) {
		return normalize.Channel{}, false
	}
	if c.Low != 0 || c.High != 0 {
		low, high := way.Apply(c.Low), way.Apply(c.High)
		out.Low, out.High = &low, &high
	}
	if c.Cadence > 0 {
		out.Cadence = durationpb.New(c.Cadence)
	}
	if c.Settled != nil {
		out.Spread, out.Rest = way.Slope*c.Settled.Spread, c.Settled.Time
	}
	return out, true
}

// stated returns the way from the unit in which a sheet states what it says of a
// channel's values to the canonical one.
func stated(q units.Quantity, c sheet.Channel) (units.Linear, error) {
	if q.Unit == "" || c.Thermocouple != nil {
		return units.Same, nil // what is said of a thermocouple's temperatures is in Cel
	}
	return q.From(c.Unit)
}

// ofVoltage makes the channel one whose device says a voltage. It is false if the sheet
// does not say enough for it, which has been said there.
func ofVoltage(out *normalize.Channel, c sheet.Channel) bool {
	voltage, _ := units.Lookup("voltage")
	way, err := voltage.From(c.Unit)
	t := c.Thermocouple
	if err != nil || t.Type == nil || c.Quantity != "temperature" {
		return false
	}
	out.Thermocouple = &normalize.Thermocouple{
		Type: t.Type, Class: t.Class,
		Junction: t.Junction, Cold: t.Cold, ColdUncertainty: t.ColdUncertainty,
		Uncertainty: way.Slope * c.Uncertainty, Resolution: way.Slope * c.Resolution,
	}
	out.Uncertainty, out.Resolution = 0, 0
	out.Channel.Thermocouple = &pb.Thermocouple{
		Type: t.Type.Letter(), ToleranceClass: uint32(t.Class), ColdJunction: t.Junction, ColdJunctionCel: t.Cold,
	}
	return true
}

// calibration states the correction in the canonical unit. With canonical =
// a·x + b, the corrected value a·(slope·x + offset) + b is
// slope·canonical + a·offset + b·(1 − slope).
func (c *correction) calibration(way units.Linear) *normalize.Calibration {
	if c == nil {
		return nil
	}
	return &normalize.Calibration{
		ID:          c.id,
		Slope:       c.slope,
		Offset:      way.Slope*c.offset + way.Offset*(1-c.slope),
		Uncertainty: way.Slope * c.uncertainty,
		Until:       c.until,
	}
}
