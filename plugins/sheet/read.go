package sheet

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/problem"
	"github.com/evenbench/evenbench/internal/units"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Driver is what sheets and lab files need to know of a driver: how to check what
// is written for it. Every key that a check asks for is a known key.
type Driver struct {
	// Sheet reads the sections that the driver adds to a sheet; nil if they
	// cannot be read here.
	Sheet func(*document.Node)
	// Link reads how to reach one device; nil if that cannot be read here.
	Link func(*document.Node)
	// Over says in a few words what the driver reaches a device over, such as "TCP";
	// empty if it reaches none.
	Over string
}

// Drivers are the drivers that a sheet may name.
type Drivers map[string]Driver

// Parse reads a sheet and reports everything that is wrong with it, in the order
// of the file. The sheet is never nil; it is to be used only if there are no
// problems. File names the sheet in problems.
//
// With nil drivers any driver may be named. What the sections of a driver without
// a check say is not looked at.
func Parse(file string, data []byte, drivers Drivers) (*Sheet, problem.List) {
	root := document.Parse(file, data)
	s := Read(root)
	digest := sha256.Sum256(data)
	s.Digest = hex.EncodeToString(digest[:])
	s.Raw = root.PlainMap()
	checkDriver(root, s, drivers)
	root.Problems.Sort()
	return s, root.Problems
}

func checkDriver(root *document.Root, s *Sheet, drivers Drivers) {
	driver, ok := drivers[s.Driver]
	if !ok && drivers != nil && s.Driver != "" {
		var names []string
		for name := range drivers {
			names = append(names, name)
		}
		meant := document.Meant(s.Driver, names)
		if !strings.HasSuffix(meant, "?") {
			meant += "; a driver of your own is named as executable in the lab file, which is then what to check"
		}
		root.Field("driver").Problem("there is no driver %q%s", s.Driver, meant)
	}
	if driver.Sheet == nil {
		root.Misspelled()
		return
	}
	driver.Sheet(root.Node)
	root.Unknown()
}

// Read reads the part of a sheet that all drivers share, from a file or as it
// reaches a driver process.
func Read(root *document.Root) *Sheet {
	s := &Sheet{
		Name:   root.Require("sheet", "the name of the sheet").Name(),
		Title:  root.Require("title", "in a line what the instrument is").Text(""),
		Driver: root.Require("driver", "the name of the driver that speaks to it").Name(),
	}
	root.Field("about").Text("")
	channels := root.Require("channels", "what the instrument measures")
	for _, e := range channels.Entries() {
		s.Channels = append(s.Channels, readChannel(e))
	}
	if channels != nil && len(s.Channels) == 0 {
		channels.Problem("must have at least one channel")
	}
	checkRoles(channels, s.Channels)
	checkThermocouples(channels, s)
	return s
}

// Channel returns the channel of a name.
func (s *Sheet) Channel(name string) (*Channel, bool) {
	i := slices.IndexFunc(s.Channels, func(c Channel) bool { return c.Name == name })
	if i < 0 {
		return nil, false
	}
	return &s.Channels[i], true
}

// ChannelNames returns the names of the channels, in the order of the sheet.
func (s *Sheet) ChannelNames() []string {
	out := make([]string, len(s.Channels))
	for i, c := range s.Channels {
		out[i] = c.Name
	}
	return out
}

// kinds are the channel kinds as sheets write them.
var kinds = map[string]pb.ChannelKind{
	"continuous": pb.ChannelKind_CHANNEL_KIND_CONTINUOUS,
	"spot":       pb.ChannelKind_CHANNEL_KIND_SPOT,
	"settling":   pb.ChannelKind_CHANNEL_KIND_SETTLING,
	"code":       pb.ChannelKind_CHANNEL_KIND_CODE,
}

// roles are the parts that channels play in a roast.
var roles = []string{"bean", "drum_air", "inlet_air"}

func readChannel(e document.Entry) Channel {
	n := e.Value
	c := Channel{Name: e.Key}
	if !document.IsName(c.Name, '_') {
		e.Place.Problem("cannot be the name of a channel: use lower case letters, digits and '_', at most 63")
	}
	c.Thermocouple = readThermocouple(n.Field("thermocouple"))
	q, known := readQuantity(n, &c)
	c.Kind = readKind(n, c.Quantity)
	c.Low, c.High, _ = n.Field("range").Range()
	c.Cadence = n.Field("cadence").Duration(0)
	c.Resolution = n.Field("resolution").Positive(0)
	c.Uncertainty = n.Field("uncertainty").Positive(0)
	c.Rate = n.Field("rate").Positive(0)
	c.Broken = n.Field("broken").Texts()
	c.Unsettled = n.Field("unsettled").Texts()
	c.Doubtful = n.Field("doubtful").Texts()
	c.Settled = readSettled(n.Field("settled"))
	c.Role = readRole(n.Field("role"), c)
	if p := n.Field("property"); p != nil {
		c.Property = p.Text("")
		if known {
			CheckProperty(p, c.Property, q.Name, c.Kind)
		}
	}
	checkKind(n, c)
	return c
}

// readQuantity reads what is measured, in which unit and relative to what.
func readQuantity(n *document.Node, c *Channel) (units.Quantity, bool) {
	name := n.Require("quantity", "what is measured, such as temperature or mass")
	basis, unit := n.Field("basis"), n.Field("unit")
	c.Quantity, c.Basis, c.Unit = name.Text(""), basis.Text(""), unit.Text("")
	if name == nil {
		return units.Quantity{}, false
	}
	q, ok := units.Lookup(c.Quantity)
	if !ok {
		name.Problem("there is no quantity %q%s", c.Quantity, document.Meant(c.Quantity, units.Names()))
		return q, false
	}
	if err := q.CheckBasis(c.Basis); err != nil {
		first(basis, name).Problem("%v", err)
	}
	if c.Unit == "" && unit != nil {
		return q, true // not text: already said
	}
	if q.Unit == "" && c.Unit == "" {
		return q, true
	}
	said, _ := units.Lookup(c.DeviceQuantity())
	if _, err := said.From(c.Unit); err != nil {
		if c.Thermocouple != nil {
			err = fmt.Errorf("a thermocouple has a voltage: %w", err)
		}
		first(unit, name).Problem("%v", err)
	}
	return q, true
}

// first returns the first node that is there.
func first(nodes ...*document.Node) *document.Node {
	i := slices.IndexFunc(nodes, func(n *document.Node) bool { return n != nil })
	if i < 0 {
		return nil
	}
	return nodes[i]
}

func readKind(n *document.Node, quantity string) pb.ChannelKind {
	k := n.Field("kind")
	if quantity == "code" {
		k.OneOf("code")
		return pb.ChannelKind_CHANNEL_KIND_CODE
	}
	if k == nil {
		n.Require("kind", "continuous (a trace), spot (each reading is a finished measurement) or settling (measured when at rest)")
		return pb.ChannelKind_CHANNEL_KIND_UNSPECIFIED
	}
	kind := kinds[k.Text("")]
	switch kind {
	case pb.ChannelKind_CHANNEL_KIND_UNSPECIFIED:
		k.OneOf("continuous", "spot", "settling")
	case pb.ChannelKind_CHANNEL_KIND_CODE:
		k.Problem("a channel of kind code must have quantity: code")
	}
	return kind
}

func readSettled(n *document.Node) *Settled {
	if n == nil {
		return nil
	}
	return &Settled{
		Spread: n.Require("spread", "how far readings at rest may lie apart, in the channel's unit").Positive(0),
		Time:   n.Require("time", "for how long").Duration(0),
	}
}

func readRole(n *document.Node, c Channel) string {
	if n == nil {
		return ""
	}
	role := n.Text("")
	switch {
	case !slices.Contains(roles, role):
		n.Problem("there is no role %q%s", role, document.Meant(role, roles))
		return ""
	case c.Quantity != "temperature" || c.Kind != pb.ChannelKind_CHANNEL_KIND_CONTINUOUS:
		n.Problem("only a continuous temperature can play the part of %q", role)
	}
	return role
}

// checkRoles makes sure that no two probes claim the same part.
func checkRoles(channels *document.Node, all []Channel) {
	seen := map[string]string{}
	for _, c := range all {
		if c.Role == "" {
			continue
		}
		if other, ok := seen[c.Role]; ok {
			channels.Field(c.Name).Field("role").Problem("%q is the role of channel %q already: an instrument has one of each", c.Role, other)
		}
		seen[c.Role] = c.Name
	}
}

// checkKind makes sure that a channel says what its kind needs.
func checkKind(n *document.Node, c Channel) {
	settling := c.Kind == pb.ChannelKind_CHANNEL_KIND_SETTLING
	says := c.Settled != nil || len(c.Unsettled) > 0
	switch {
	case settling && !says:
		n.Field("kind").Problem("is settling, but nothing says when it is at rest: add settled: {spread: …, time: …}, or unsettled: with the device's words for a moving value")
	case !settling && c.Settled != nil:
		n.Field("settled").Problem("is only for a channel of kind settling")
	case c.Kind == pb.ChannelKind_CHANNEL_KIND_CODE && n.Field("range") != nil:
		n.Field("range").Problem("a code has no range: leave it out")
	}
}
