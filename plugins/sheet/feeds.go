package sheet

import (
	"slices"

	"github.com/evenbench/evenbench/internal/document"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Fed is a channel as far as a driver needs to know it: the rest is the hub's to know,
// and is checked where sheets are read.
type Fed struct {
	Name, Quantity, Unit string
	// Code: a reading is a text, and no number.
	Code bool
	// Moment: a reading is a finished measurement, or a scan, of one moment. One that
	// was there before the hub came belongs to what was on the station then.
	Moment bool
	// Broken are the texts that mean a broken sensor.
	Broken []string
}

// Announced is how a driver tells the hub of its channels.
func Announced(channels []Fed) []*pb.Channel {
	out := make([]*pb.Channel, len(channels))
	for i, c := range channels {
		out[i] = &pb.Channel{Name: c.Name, DeviceUnit: c.Unit}
	}
	return out
}

// Feeds are the channels of a sheet, while a driver reads in its own sections what feeds
// each of them.
type Feeds struct {
	Channels []Fed

	by     string
	places []*document.Node
	fed    []bool
}

// ReadFeeds reads the channels of a sheet. By is what feeds a channel in the words of the
// driver, such as "node".
func ReadFeeds(sheet *document.Node, by string) *Feeds {
	f := &Feeds{by: by}
	for _, e := range sheet.Field("channels").Entries() {
		c := Fed{Name: e.Key}
		if n := e.Value; n.Kind() == document.Map {
			c.Quantity, c.Unit, c.Broken = n.Field("quantity").Text(""), n.Field("unit").Text(""), n.Field("broken").Texts()
			kind := n.Field("kind").Text("")
			c.Code = c.Quantity == "code" || kind == "code"
			c.Moment = c.Code || kind == "spot"
		}
		f.Channels = append(f.Channels, c)
		f.places = append(f.places, e.Place)
	}
	f.fed = make([]bool, len(f.Channels))
	return f
}

// Find returns the channel that n names; -1 for none, which is a problem of n.
func (f *Feeds) Find(n *document.Node) int {
	name := n.Text("")
	if name == "" {
		return -1 // said already
	}
	i := slices.IndexFunc(f.Channels, func(c Fed) bool { return c.Name == name })
	if i < 0 {
		n.Problem("there is no channel %q%s", name, f.Meant(name))
	}
	return i
}

// Meant says which channel may have been meant by a name that none has.
func (f *Feeds) Meant(name string) string {
	names := make([]string, len(f.Channels))
	for i, c := range f.Channels {
		names[i] = c.Name
	}
	return document.Meant(name, names)
}

// Feed is Find for a channel that may have been found by nothing before.
func (f *Feeds) Feed(n *document.Node) int {
	i := f.Find(n)
	switch {
	case i < 0:
	case f.fed[i]:
		n.Problem("channel %s is fed already: one channel has one %s", f.Channels[i].Name, f.by)
	default:
		f.fed[i] = true
	}
	return i
}

// End records the channels that nothing feeds. Section is where it would be written.
func (f *Feeds) End(section string) {
	for i, place := range f.places {
		if !f.fed[i] {
			place.Problem("no %s feeds this channel: add one under %s, or remove the channel", f.by, section)
		}
	}
}
