package try

import (
	"time"

	"github.com/evenbench/evenbench/internal/link"
	"github.com/evenbench/evenbench/plugins/sdk"
)

// plain writes down what a driver hands to the hub, for one that shows nothing else.
type plain struct{ *paper }

// Readings implements sdk.Out.
func (p plain) Readings(at time.Time, readings ...sdk.Reading) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if at.IsZero() {
		at = time.Now()
	}
	p.line(at, "the driver hands on")
	p.values(readings)
	p.one(&p.count.read)
}

// Unreadable implements sdk.Out.
func (p plain) Unreadable(input []byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.rows("NOT READ ", textRows(input, mostShown))
	p.one(&p.count.failed)
}

// bytesShown writes down what passes over a link, and passes it on to another tap.
type bytesShown struct {
	*paper
	next link.Tap // nil: none
}

// Received implements link.Tap.
func (b bytesShown) Received(chunk []byte) {
	b.mu.Lock()
	b.received(time.Now(), chunk)
	b.mu.Unlock()
	if b.next != nil {
		b.next.Received(chunk)
	}
}

// Sent implements link.Tap.
func (b bytesShown) Sent(chunk []byte) {
	b.mu.Lock()
	b.text(time.Now(), "sent", chunk)
	b.mu.Unlock()
	if b.next != nil {
		b.next.Sent(chunk)
	}
}

// Closed implements link.Tap; the driver says it too.
func (b bytesShown) Closed() {
	if b.next != nil {
		b.next.Closed()
	}
}
