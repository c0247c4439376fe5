package transcript

import (
	"io"
	"sync"
	"time"
)

// Recorder writes a transcript while it happens, so that one that is broken off is
// whole up to there. Its methods may be called from any goroutine.
type Recorder struct {
	mu      sync.Mutex
	w       io.Writer
	started time.Time // with the first event
	last    time.Duration
	line    []byte
	err     error
}

// NewRecorder begins a transcript on w. Its times count from the first event.
func NewRecorder(w io.Writer, notes ...Note) *Recorder {
	_, err := w.Write(appendHeading(nil, notes))
	return &Recorder{w: w, err: err}
}

// Received records what the device said.
func (r *Recorder) Received(b []byte) { r.record(Event{Kind: Device, Bytes: b}) }

// Sent records what was said to the device.
func (r *Recorder) Sent(b []byte) { r.record(Event{Kind: Host, Bytes: b}) }

// Closed records that the device ended the connection.
func (r *Recorder) Closed() { r.record(Event{Kind: Closed}) }

func (r *Recorder) record(e Event) {
	if e.Kind != Closed && len(e.Bytes) == 0 {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	now := time.Now()
	if r.started.IsZero() {
		r.started = now
	}
	// To the microsecond: no serial line is faster, and the file stays readable.
	e.At = max(r.last, now.Sub(r.started).Truncate(time.Microsecond))
	r.last = e.At
	if r.err == nil {
		r.line = appendEvent(r.line[:0], &e)
		_, r.err = r.w.Write(r.line)
	}
}

// Err returns the first error of writing, if there was one.
func (r *Recorder) Err() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err
}
