// Package sdk makes a driver out of a device: it serves the driver contract, and
// numbers, holds, sends and lets go of the readings.
//
// A driver is a Driver value and a main function that calls Serve.
package sdk

import (
	"context"
	"errors"
	"time"

	"github.com/evenbench/evenbench/internal/clock"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Driver describes a driver: what it is called and how it reaches a device.
type Driver struct {
	// Name: lower case letters, digits and '-'.
	Name, Version string
	// Actions that Device.Act knows.
	Actions []pb.Action
	// Hold is what the driver keeps for a hub that is away; zero fields take
	// DefaultHold's.
	Hold Hold
	// Open checks the settings and returns the device they describe. It does
	// not wait for the device: connecting is Device.Run's. An error says which
	// setting is wrong, with its value, and what it should be.
	Open func(ctx context.Context, s Settings) (Device, error)
}

// Hold bounds what a driver keeps for a hub that is away.
type Hold struct {
	// Readings and Bytes (an estimate of their size in memory) held at most until
	// the hub has them on disk; beyond, the oldest go first.
	Readings uint64
	Bytes    int
	// Time that the driver lives without a Session, in real time.
	Time time.Duration
}

// DefaultHold keeps five hours and a half of a device that sends ten readings a
// second, through a hub that is away for ten minutes at most.
var DefaultHold = Hold{Readings: 200_000, Bytes: 32 << 20, Time: 10 * time.Minute}

// ErrUnsupported says that a device cannot do what it was asked.
var ErrUnsupported = errors.New("the device cannot do this")

// Settings are what the hub says about one instrument.
type Settings struct {
	Instrument string
	// Sheet and Link as their YAML reads: maps, lists, strings, float64s, bools.
	Sheet, Link map[string]any
	Clock       clock.Clock
}

// Device is one instrument, connected or not.
type Device interface {
	// Channels says what the device will send. Names are required; the rest as
	// far as the device knows it.
	Channels() []*pb.Channel
	// Run connects, measures, and connects again whenever the link fails, until
	// ctx ends; then it closes the link and returns nil. It is called once. An
	// error ends the driver process, and the hub starts it again.
	Run(ctx context.Context, out Out) error
	// Act does what the hub asks; called while Run runs. It returns
	// ErrUnsupported for what the device cannot do.
	Act(ctx context.Context, a Act) (answer string, err error)
}

// Act is one thing that the hub asks of a device.
type Act struct {
	Action pb.Action
	// For ACTION_ENTER.
	Channel, Text string
}

// Reading is one value of one channel, as the device said it.
type Reading struct {
	Channel string
	// Value that the device said, in Unit; NaN if it said none.
	Value float64
	// Text that the value was read from; for registers their hexadecimal.
	Text string
	// Unit as a UCUM code, if the device states it; else empty.
	Unit string
	// Status is the device's own word on the reading; see Marked for the driver's.
	Status string
	// DeviceTime is the device's own time, as it said it.
	DeviceTime string
}

// Words of a driver on a reading, for what it knows without the sheet. They mean
// the same with every driver.
const (
	// StatusBroken: the sensor is open, shorted or has failed.
	StatusBroken = "broken"
	// StatusStale: the value is from before, and nobody knows from when.
	StatusStale = "stale"
	// StatusDoubtful: the device itself says that the value may be wrong.
	StatusDoubtful = "doubtful"
)

// Marked returns a status with a word of the driver before the device's own, which
// may be empty.
func Marked(word, device string) string {
	if device == "" {
		return word
	}
	return word + ": " + device
}

// Out takes what a device says. Its methods may be called from any goroutine and
// never wait for the hub.
type Out interface {
	// Readings records values taken at one moment, on the settings' clock. The
	// zero time means now.
	Readings(at time.Time, r ...Reading)
	// State says how the link to the device is. Repeating it costs nothing.
	State(s pb.DeviceState, detail string)
	// Identity says what the device says it is. It holds for the readings after the
	// call; empty: not known any more.
	Identity(id string)
	// Unreadable counts input that could not be read, and keeps a sample of it.
	Unreadable(input []byte)
	// Log writes a line to the hub's log. Level is debug, info, warn or error.
	Log(level, text string)
}
