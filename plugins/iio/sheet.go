package iio

import (
	"strings"
	"time"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/units"
	"github.com/evenbench/evenbench/plugins/sheet"
)

const defaultEvery = time.Second

// Sheet is what a sheet says to this driver: which attributes to read, and how
// often.
type Sheet struct {
	every  time.Duration // in the lab's time
	inputs []input
}

// input is one attribute and the channel that it feeds.
type input struct {
	channel   string
	attribute string // such as in_temp, without _raw or _input
	unit      string
	// scale is for a kernel driver that departs from the ABI; else 1.
	scale float64
}

// Check records what is wrong with the sections of a sheet that this driver
// reads.
func Check(n *document.Node) { ReadSheet(n) }

// ReadSheet reads the sections of a sheet that this driver reads, and records
// what is wrong with them as problems of the document. The sheet may be used only
// if there are none.
func ReadSheet(n *document.Node) *Sheet {
	s := &Sheet{every: n.Field("talk").Field("every").Duration(defaultEvery)}
	feeds := sheet.ReadFeeds(n, "input")
	list := n.Require("inputs", "a list of attributes, each with channel and attribute")
	for _, item := range list.Items() {
		if item.Kind() != document.Map {
			item.Problem("must be a map with channel and attribute")
			continue
		}
		s.inputs = append(s.inputs, readInput(item, feeds))
	}
	if list != nil {
		feeds.End("inputs")
	}
	return s
}

func readInput(n *document.Node, feeds *sheet.Feeds) input {
	channel := n.Require("channel", "the name of the channel that it feeds")
	i := feeds.Feed(channel)
	in := input{
		channel:   channel.Text(""),
		attribute: n.Require("attribute", "the kernel's name without _raw or _input, such as in_temp").Text(""),
		scale:     n.Field("scale").Positive(1),
	}
	at := n.Field("attribute")
	_, k, known := kindOf(in.attribute)
	in.unit = k.unit
	bare := strings.TrimSuffix(strings.TrimSuffix(in.attribute, "_raw"), "_input")
	switch {
	case in.attribute == "":
	case bare != in.attribute:
		at.Problem("%q: write %s: whether the kernel has it raw or scaled is seen when it is read", in.attribute, bare)
	case !known:
		at.Problem("%q is of no type whose unit is known here: in_temp, in_humidityrelative, in_pressure, in_voltage, in_current, in_power or in_resistance, and what follows in its name", in.attribute)
	case strings.Trim(in.attribute, "abcdefghijklmnopqrstuvwxyz0123456789_-") != "":
		at.Problem("%q cannot be a name of the kernel's", in.attribute)
	}
	if i >= 0 && known {
		if q, ok := units.Lookup(feeds.Channels[i].Quantity); ok {
			if _, err := q.From(in.unit); err != nil {
				at.Problem("%s is in %s, and the channel measures %s: %v", in.attribute, in.unit, q.Name, err)
			}
		}
	}
	return in
}
