// Package supervise starts, watches, restarts and re-attaches the driver
// processes, one for each instrument, and hands what they say to the record in
// order: whatever a driver does, readings and gaps of a run are exactly 1 … N,
// and only its own instrument is hurt.
//
// It is the only package that knows go-plugin.
package supervise

import (
	"context"
	"errors"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/internal/clock"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Spec is one instrument of the lab file, with everything its driver needs.
type Spec struct {
	// Instrument: lower case letters, digits and '-'. It names a directory.
	Instrument, Station string
	// Argv starts the driver; Argv[0] is an absolute path.
	Argv []string
	// Pin is the SHA-256 that Argv[0] must have, as sha256: and hexadecimal digits;
	// empty: any.
	Pin string
	// Sheet and SheetDigest name the sheet in the record; Raw and Link are handed
	// to the driver.
	Sheet, SheetDigest string
	Raw, Link          map[string]any
	// Channels, completed from the sheet and the lab file. The driver must offer
	// exactly these, by name.
	Channels []*pb.Channel
	Clock    clock.Clock
	// Fingerprint changes whenever anything above does; it decides whether a
	// reload restarts the instrument, and whether a living driver may be kept.
	Fingerprint string
}

// Recorder puts what the drivers say into the record. For one instrument its
// methods are called from one goroutine at a time, in order; for different
// instruments at the same time.
//
// OpenRun, Gap and CloseRun return when the entry is on disk. An error means
// that nothing was recorded; the caller tries again.
type Recorder interface {
	OpenRun(ctx context.Context, run *pb.RunOpened) error
	// Accounted says up to which number the run's readings and gaps are on disk,
	// and whether the run is open in the record.
	Accounted(instrument, run string) (last uint64, open bool)
	// Record takes over the batch, and waits while the record cannot take more.
	// Stored is called once everything up to a number is on disk, from any
	// goroutine, perhaps once for several batches; it returns at once. After an
	// error the batch is not recorded; those before it are.
	Record(ctx context.Context, batch *pb.ReadingBatch, stored func(number uint64)) error
	Gap(ctx context.Context, gap *pb.Gap) error
	CloseRun(ctx context.Context, run *pb.RunClosed) error
	// Identified says which device takes the readings that are recorded after it;
	// empty: it is not known.
	Identified(instrument, run, identity string)
	// Changed and ClockStepped are recorded some time later, in order.
	Changed(change *pb.InstrumentChanged)
	ClockStepped(step *pb.ClockStepped)
	// DriverLog is for the hub's log, not for the record.
	DriverLog(instrument string, line *pb.LogLine)
}

// Options are what all instruments share.
type Options struct {
	// Dir holds a directory for each instrument: socket, log, attach.json.
	Dir      string
	Recorder Recorder
	// Log may be nil.
	Log *zap.Logger
}

var (
	// ErrUnknown: the lab has no instrument of that name.
	ErrUnknown = errors.New("no such instrument")
	// ErrAway: the instrument's driver cannot be asked now.
	ErrAway = errors.New("the instrument is away")
)
