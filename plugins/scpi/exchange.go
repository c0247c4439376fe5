package scpi

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"
)

const (
	identityQuery = "*IDN?"
	errorQuery    = "SYST:ERR?"
	// mostErrors are read from the queue in one go. Queues hold a few tens; one
	// that never ends is no queue.
	mostErrors = 100
	// mostStale answers are let go by while the one to *IDN? is waited for.
	mostStale = 16
)

// errSilent says that no answer came in time. The answer may still come.
var errSilent = errors.New("no answer")

// linkError is a failure after which the connection is of no use.
type linkError struct{ error }

func (e linkError) Unwrap() error { return e.error }

// linkOnly returns err if it means that the connection is of no use.
func linkOnly(err error) error {
	var l linkError
	if errors.As(err, &l) {
		return err
	}
	return nil
}

// ask sends a question and returns the answer. After a question that was not
// answered in time it first lets the late answer go by, and reads the errors that
// this has left: they belong to no reading.
func (d *Device) ask(ctx context.Context, question string) (message, error) {
	late := !d.inStep
	if err := d.step(ctx); err != nil {
		return message{}, err
	}
	if late {
		if _, err := d.errors(ctx); err != nil {
			return message{}, err
		}
	}
	return d.exchange(ctx, question)
}

// exchange is ask with whatever errors there may be.
func (d *Device) exchange(ctx context.Context, question string) (message, error) {
	if err := d.step(ctx); err != nil {
		return message{}, err
	}
	if err := d.send(question); err != nil {
		return message{}, err
	}
	m, err := d.next(ctx)
	if err != nil {
		d.inStep = false
		return m, fmt.Errorf("ask %q of %v: %w", question, d.link, err)
	}
	return m, nil
}

// next waits for the next message.
func (d *Device) next(ctx context.Context) (message, error) {
	timer := time.NewTimer(d.sheet.timeout)
	defer timer.Stop()
	select {
	case m, ok := <-d.messages:
		if !ok {
			return m, linkError{d.failed}
		}
		return m, nil
	case <-timer.C:
		return message{}, fmt.Errorf("%w within %v", errSilent, d.sheet.timeout)
	case <-ctx.Done():
		return message{}, linkError{ctx.Err()}
	}
}

func (d *Device) send(text string) error {
	if c, ok := d.conn.(interface{ SetWriteDeadline(time.Time) error }); ok {
		if err := c.SetWriteDeadline(time.Now().Add(d.sheet.timeout)); err != nil {
			return linkError{fmt.Errorf("send %q to %v: %w", text, d.link, err)}
		}
	}
	if _, err := d.conn.Write([]byte(text + d.sheet.end)); err != nil {
		return linkError{fmt.Errorf("send %q to %v: %w", text, d.link, err)}
	}
	return nil
}

// step makes sure that the next answer is that to the next question. A socket has
// no device clear. But an instrument answers in order: what comes before its answer
// to *IDN?, which is known, belongs to earlier questions, and is dropped.
func (d *Device) step(ctx context.Context) error {
	select {
	case m, ok := <-d.messages:
		if !ok {
			return linkError{d.failed}
		}
		d.drop(m)
		d.inStep = false
	default:
	}
	if d.inStep {
		return nil
	}
	if err := d.send(identityQuery); err != nil {
		return err
	}
	for range mostStale {
		m, err := d.next(ctx)
		if err != nil {
			return linkError{fmt.Errorf("get back in step with %v, whose answer to %s must be next: %w", d.link, identityQuery, err)}
		}
		if m.text == d.identity {
			d.inStep = true
			return nil
		}
		d.drop(m)
	}
	return linkError{fmt.Errorf("get back in step with %v: %d answers came, and none is its own to %s", d.link, mostStale, identityQuery)}
}

// drop lets a message go by that answers no question of now. It is counted, and
// shown in the log.
func (d *Device) drop(m message) {
	d.out.Unreadable([]byte(m.text))
	d.out.Log("warn", fmt.Sprintf("an answer that came late, or that nobody asked for, was dropped: %.80q", m.text))
}

// identify asks who the instrument is. Before its answer there may be what is left
// of an earlier connection or a greeting; so it is asked twice, and the identity is
// what is said twice in a row.
func (d *Device) identify(ctx context.Context) error {
	d.identity, d.inStep = "", false
	for range 2 {
		if err := d.send(identityQuery); err != nil {
			return err
		}
	}
	last := ""
	for range mostStale {
		m, err := d.next(ctx)
		if err != nil {
			return linkError{fmt.Errorf("ask %q of %v, to know which instrument it is: %w", identityQuery, d.link, err)}
		}
		if m.text == last && isIdentity(m) {
			d.identity, d.inStep = m.text, true
			d.out.Identity(m.text)
			return nil
		}
		if last != "" {
			d.out.Log("info", fmt.Sprintf("before the answer to %s came %.80q", identityQuery, last))
		}
		last = m.text
	}
	return linkError{fmt.Errorf("ask %q of %v: no two of %d answers are alike, the last is %.80q", identityQuery, d.link, mostStale, last)}
}

// isIdentity tells whether a message may answer *IDN?: text, and neither a number
// nor an entry of an error queue. The standard wants four fields (IEEE 488.2, 10.14,
// from memory); not every instrument keeps to it.
func isIdentity(m message) bool {
	if m.text == "" || m.block || m.tooLong {
		return false
	}
	if _, err := parseError(m); err == nil {
		return false
	}
	parts, err := split(m.text)
	return err == nil && (len(parts) > 1 || math.IsNaN(readElement(parts[0]).value))
}

// errors reads the error queue until it is empty, and returns its entries as they
// came. Each is in the log and in the state that is said next.
func (d *Device) errors(ctx context.Context) ([]string, error) {
	var said []string
	for range mostErrors {
		m, err := d.exchange(ctx, errorQuery)
		if err != nil {
			return said, err
		}
		e, err := parseError(m)
		if err != nil {
			d.inStep = false
			d.out.Unreadable([]byte(m.text))
			return said, fmt.Errorf("read the answer to %q: %w", errorQuery, err)
		}
		if e.code == 0 {
			return said, nil
		}
		d.out.Log("warn", "the instrument reports error "+e.text)
		said = append(said, e.text)
		d.told = append(d.told, "error "+e.text)
	}
	return said, fmt.Errorf("read the error queue: it is not empty after %d entries, the last is %s", mostErrors, said[len(said)-1])
}

// tell sends a command and makes sure that the instrument took it: an error in the
// queue afterwards is its refusal.
func (d *Device) tell(ctx context.Context, command string) error {
	if err := d.step(ctx); err != nil {
		return err
	}
	if err := d.send(command); err != nil {
		return err
	}
	said, err := d.errors(ctx)
	if err != nil {
		return fmt.Errorf("tell %q: %w", command, err)
	}
	if len(said) > 0 {
		return fmt.Errorf("the instrument refused %q: error %s", command, said[0])
	}
	return nil
}
