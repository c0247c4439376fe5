package lab

import (
	"time"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/normalize"
	"github.com/evenbench/evenbench/internal/units"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ChannelCheck is something known that a channel is to be held against from time to time. Its
// numbers are in the channel's canonical unit.
type ChannelCheck struct {
	Channel, Name string
	Unit          string
	// Reference is what the channel should read, Uncertainty its standard uncertainty, and
	// Limit the most that the reading may be off.
	Reference, Uncertainty, Limit float64
	// Every is how often; 0: whenever somebody likes.
	Every time.Duration
}

// readChecks reads the checks of a channel. They are written in the unit of its sheet, which
// is the one on the display.
func readChecks(n *document.Node, c *sheet.Channel) []ChannelCheck {
	var list []ChannelCheck
	for _, item := range n.Items() {
		if !item.Expect(document.Map) {
			continue
		}
		name := item.Require("name", "what the channel is held against, such as weight 100 g")
		reference := item.Require("reference", "what the channel should read")
		limit := item.Require("limit", "the most that it may be off")
		check := ChannelCheck{
			Channel: c.Name, Name: name.Text(""), Reference: reference.Number(0), Limit: limit.Positive(0),
			Uncertainty: item.Field("uncertainty").Positive(0), Every: item.Field("every").Duration(0),
		}
		for _, other := range list {
			if other.Name == check.Name && check.Name != "" {
				name.Problem("there is a check %q of %s already: each needs a name of its own", check.Name, c.Name)
			}
		}
		if check.Limit > 0 && check.Uncertainty >= check.Limit {
			item.Field("uncertainty").Problem("is %g, and the limit %g: no check could ever be good; take a better reference, or a wider limit", check.Uncertainty, check.Limit)
		}
		if (c.Low != 0 || c.High != 0) && (check.Reference < c.Low || check.Reference > c.High) {
			reference.Problem("is %g, outside the range of %s, %g to %g", check.Reference, c.Name, c.Low, c.High)
		}
		list = append(list, check)
	}
	if len(list) > 0 && c.Kind == pb.ChannelKind_CHANNEL_KIND_CODE {
		n.Problem("a code cannot be checked: leave this out")
	}
	return list
}

// inUnitOf puts checks into the canonical unit of their channel.
func inUnitOf(channel normalize.Channel, checks []ChannelCheck) []ChannelCheck {
	q, _ := units.Lookup(channel.GetQuantity())
	way, err := q.From(channel.GetDeviceUnit())
	if err != nil {
		way = units.Same // the device says something else, such as a voltage
	}
	for i := range checks {
		c := &checks[i]
		c.Unit = channel.GetUnit()
		c.Reference, c.Uncertainty, c.Limit = way.Apply(c.Reference), way.Slope*c.Uncertainty, way.Slope*c.Limit
	}
	return checks
}
