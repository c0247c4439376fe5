package sheet

import (
	"maps"
	"slices"

	"github.com/evenbench/evenbench/internal/document"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// properties are what a measurement can say of a sample, each with its quantity.
var properties = map[string]string{
	"received_mass": "mass",
	"charge_mass":   "mass",
	"roasted_mass":  "mass",
	// Beside a roaster: the charge before the drop, the roasted mass after it.
	"batch_mass": "mass",

	"moisture":         "moisture",
	"roasted_moisture": "moisture",
	// Of a meter for both: green before the drop, roasted after it.
	"batch_moisture": "moisture",

	"water_activity":       "water_activity",
	"bulk_density":         "bulk_density",
	"roasted_bulk_density": "bulk_density",
	"volume":               "volume",
	"bean_temperature":     "temperature",

	// Of 350 g; full_defects are full-defect equivalents.
	"full_defects": "count",
	"quakers":      "count",

	// Share retained by screen n (n/64 inch) and those above it.
	"screen_above_12": "fraction",
	"screen_above_13": "fraction",
	"screen_above_14": "fraction",
	"screen_above_15": "fraction",
	"screen_above_16": "fraction",
	"screen_above_17": "fraction",
	"screen_above_18": "fraction",
	"screen_above_19": "fraction",
	"screen_above_20": "fraction",
	"mean_screen":     "length",

	"colour_whole":  "colour",
	"colour_ground": "colour",
	"score":         "score",
}

// Properties returns what a measurement can say of a sample, sorted.
func Properties() []string {
	return slices.Sorted(maps.Keys(properties))
}

// QuantityOf returns the quantity of a property; false for an unknown one.
func QuantityOf(property string) (quantity string, ok bool) {
	quantity, ok = properties[property]
	return quantity, ok
}

// CheckProperty records at n what is wrong with a property for a channel of a
// quantity and kind.
func CheckProperty(n *document.Node, property, quantity string, kind pb.ChannelKind) {
	want, ok := properties[property]
	switch {
	case property == "":
	case !ok:
		n.Problem("there is no property %q%s", property, document.Meant(property, Properties()))
	case want != quantity:
		n.Problem("%s is of quantity %s, but the channel measures %s", property, want, quantity)
	case kind == pb.ChannelKind_CHANNEL_KIND_CONTINUOUS:
		n.Problem("a continuous channel is a trace, no measurement of %s: make its kind spot or settling, or leave the property out", property)
	}
}
