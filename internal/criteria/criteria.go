// Package criteria holds what is known of a sample, or of one of its roasts, against
// windows that others have set, and says how each value lies to its window.
//
// The windows are data: they are read from the lab file, and are in the record with the
// verdicts that were given by them.
package criteria

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// OfRoasted are the properties that are measured of roasted coffee: they belong to a
// roast, and not to the green sample.
var OfRoasted = map[string]bool{
	"roasted_mass": true, "roasted_moisture": true, "roasted_bulk_density": true, "colour_whole": true, "colour_ground": true,
}

// Findings are the findings that a window can be on, each with its quantity.
var Findings = map[string]string{
	"total_time":                    "duration",
	"time_to_turning_point":         "duration",
	"time_to_greatest_rate_of_rise": "duration",
	"drying_time":                   "duration",
	"browning_time":                 "duration",
	"development_time":              "duration",
	"drying_share":                  "fraction",
	"browning_share":                "fraction",
	"development_ratio":             "fraction",

	"bean_at_charge":        "temperature",
	"bean_at_turning_point": "temperature",
	"bean_at_yellowing":     "temperature",
	"bean_at_first_crack":   "temperature",
	"bean_at_drop":          "temperature",

	"bean_at_greatest_rate_of_rise": "temperature",

	"greatest_rate_of_rise":       "temperature_rate",
	"rate_of_rise_at_yellowing":   "temperature_rate",
	"rate_of_rise_at_first_crack": "temperature_rate",
	"rate_of_rise_at_drop":        "temperature_rate",
	"time_temperature_area":       "temperature_time",

	"loss_in_mass":          "loss",
	"dry_matter_loss":       "loss",
	"colour_difference":     "colour",
	"time_to_colour_whole":  "duration",
	"time_to_colour_ground": "duration",
}

// Digest returns the SHA-256 of a set, hexadecimal, whatever its digest is.
func Digest(set *pb.Criteria) string {
	plain := proto.CloneOf(set)
	plain.Digest = ""
	// There are no maps in it, so that its bytes are the same each time.
	bytes, err := proto.MarshalOptions{Deterministic: true}.Marshal(plain)
	if err != nil {
		panic(err) // only text that is not UTF-8, which no lab file has
	}
	sum := sha256.Sum256(bytes)
	return hex.EncodeToString(sum[:])
}

// Identity is what decides which windows a sample has.
type Identity interface {
	GetKind() pb.SampleKind
	GetProcess() string
}

// Applies tells whether a window is for such a sample.
func Applies(w *pb.Window, to Identity) bool {
	kind := len(w.GetKinds()) == 0 || slices.Contains(w.GetKinds(), to.GetKind())
	process := len(w.GetProcesses()) == 0 || slices.ContainsFunc(w.GetProcesses(), func(p string) bool {
		return strings.EqualFold(strings.TrimSpace(p), strings.TrimSpace(to.GetProcess()))
	})
	return kind && process
}

// OfRoast tells whether a window is on a roast, and not on the green sample. A
// requirement in words is taken to be on the roast.
func OfRoast(w *pb.Window) bool {
	return w.GetProperty() == "" || OfRoasted[w.GetProperty()]
}

// Name returns what a window is on: the name of a finding or property, or its
// requirement.
func Name(w *pb.Window) string {
	switch {
	case w.GetFinding() != "":
		return w.GetFinding()
	case w.GetProperty() != "":
		return w.GetProperty()
	}
	return w.GetRequirement()
}
