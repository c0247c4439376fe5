// Package sheet reads instrument sheets: YAML files that describe one model of
// instrument, how to talk to it and what its values mean.
//
// The part that every driver shares is read here. How to talk to the device
// (the sections a driver adds) is the driver's to read and to check.
package sheet

import (
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Sheet is one sheet, as far as all drivers share it.
type Sheet struct {
	// Name: lower case letters, digits and '-'.
	Name string
	// Title says in a line what the instrument is.
	Title string
	// Driver that reads the sheet.
	Driver string
	// Channels in the order of the file.
	Channels []Channel
	// Digest is the SHA-256 of the file, hexadecimal.
	Digest string
	// Raw is the whole sheet as its YAML reads.
	Raw map[string]any
}

// Channel is what a sheet says of one channel.
type Channel struct {
	Name     string
	Quantity string
	Basis    string
	// Unit in which the device speaks where it does not say so itself; UCUM.
	Unit string
	// Thermocouple makes the temperature of a voltage; nil if the device says the
	// quantity itself.
	Thermocouple *Thermocouple
	Kind         pb.ChannelKind
	Role         string
	// Property of the sample that a measurement sets; the lab file may say
	// another.
	Property string
	// Low and High bound the plausible values, in Unit; both 0: not known.
	Low, High float64
	// Cadence is the longest time between two readings; 0: on demand.
	Cadence time.Duration
	// Resolution and Uncertainty (standard) in Unit; 0: not known.
	Resolution, Uncertainty float64
	// Rate is the fastest plausible change, in Unit per second; 0: not known.
	Rate float64
	// Broken are device texts, statuses or values (as text) that mean an open or
	// shorted sensor.
	Broken []string
	// Settled says when a value has come to rest; nil if the device says so
	// itself in its status, or the channel does not settle.
	Settled *Settled
	// Unsettled are device statuses that mean the value is still moving.
	Unsettled []string
	// Doubtful are device statuses that mean the value is not to be relied on for
	// another reason.
	Doubtful []string
}

// Settled is a rule for a value at rest: over Time the readings spread by at most
// Spread, in the channel's unit.
type Settled struct {
	Spread float64
	Time   time.Duration
}
