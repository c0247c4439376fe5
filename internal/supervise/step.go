package supervise

import (
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"github.com/evenbench/evenbench/internal/clock"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// A change of the wall clock against the monotonic clock that is told.
	smallestStep = 50 * time.Millisecond
	// Fastest that a kernel lets a clock be slewed, 500 ppm (adjtimex(2),
	// MAXFREQ): so much change between two batches is no step.
	slewPerSecond = 500 * time.Microsecond
)

// stepWatch finds steps of a driver's wall clock in its batches: start minus
// start_elapsed_us is the wall clock's idea of when the run was opened.
type stepWatch struct {
	clock  clock.Clock
	known  bool
	opened time.Time
	// Monotonic time of the batch before.
	elapsed time.Duration
}

// see returns by how much the wall clock was stepped before b; 0 if it was not.
func (w *stepWatch) see(b *pb.ReadingBatch) time.Duration {
	elapsed := time.Duration(b.GetStartElapsedUs()) * time.Microsecond
	opened := b.GetStart().AsTime().Add(-elapsed)
	step := opened.Sub(w.opened)
	passed := (elapsed - w.elapsed).Abs()
	first := !w.known
	w.known, w.opened, w.elapsed = true, opened, elapsed
	slew := time.Duration(passed.Seconds() * float64(slewPerSecond))
	if first || step.Abs() <= w.clock.Lab(smallestStep)+slew {
		return 0
	}
	return step
}

func (l *life) seeStep(b *pb.ReadingBatch) {
	if step := l.steps.see(b); step != 0 {
		l.recorder.ClockStepped(&pb.ClockStepped{
			Instrument: l.spec.Instrument,
			Run:        l.run.GetRun(),
			Step:       durationpb.New(step),
		})
	}
}
