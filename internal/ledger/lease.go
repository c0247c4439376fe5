package ledger

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
)

// Holder is the hub that writes a record on a cluster.
type Holder struct {
	// Place is the data folder that the hub has for itself, on its machine: a hub that
	// starts there knows that the one before it has ended.
	Place string `json:"place"`
	// Life is one life of a hub.
	Life       string    `json:"life"`
	Host       string    `json:"host"`
	Process    int       `json:"process"`
	Since      time.Time `json:"since"`
	HubVersion string    `json:"hub_version"`
	// LeaseTime is how long the lease lasts without a sign of life.
	LeaseTime time.Duration `json:"lease_ns"`
	// Left says that the hub ended in order.
	Left bool `json:"left,omitempty"`
}

func (h Holder) String() string {
	return fmt.Sprintf("the hub on %s (process %d, since %s)", h.Host, h.Process, h.Since.Local().Format(time.DateTime))
}

// HeldByError says that another hub has the record. It is an ErrInUse for a hub that
// starts, and an ErrFenced for one that runs.
type HeldByError struct {
	Holder Holder
	// Running says that this hub had the record until the other one took it.
	Running bool
}

func (e *HeldByError) Error() string {
	if e.Running {
		return fmt.Sprintf("%v has taken this record over, because this one gave no sign of life: this one must end; nothing that it answered is lost, and it can write nothing more", e.Holder)
	}
	return fmt.Sprintf("%v writes this record: stop that one first, or give this lab a stream of its own; if it is dead, this one takes over when it has given no sign of life for %v", e.Holder, e.Holder.LeaseTime)
}

func (e *HeldByError) Unwrap() error {
	if e.Running {
		return ErrFenced
	}
	return ErrInUse
}

// lease keeps a second hub from a record on a cluster. It is a courtesy, so that the
// second one is told before it has read everything and the first one when it has been
// replaced: what keeps the record whole is the expected last sequence of every
// publication. The holder is the one message of a stream of its own, replaced only by who
// knows which one it replaces. No clock is compared with another machine's: who waits
// measures how long the message has not changed.
type lease struct {
	conn    *nats.Conn
	js      jetstream.JetStream
	config  jetstream.StreamConfig
	subject string
	self    Holder
	// sequence of the own message.
	sequence uint64
}

const (
	// A lease is renewed so often while it lasts, and looked at so often by who waits.
	leaseRenewals = 3
	leaseLooks    = 10
	placeFile     = "place"
)

func newLease(ctx context.Context, o Options) (_ *lease, err error) {
	place, err := readPlace(o.Dir)
	if err != nil {
		return nil, err
	}
	host, err := os.Hostname()
	if err != nil {
		return nil, fmt.Errorf("take the record: %w", err)
	}
	name := o.stream() + "-holder"
	l := &lease{
		subject: name,
		self: Holder{Place: host + " " + place, Life: rand.Text(), Host: host, Process: os.Getpid(), Since: time.Now().UTC(),
			HubVersion: o.HubVersion, LeaseTime: o.LeaseTime},
		config: jetstream.StreamConfig{
			Name: name, Description: "evenbench: which hub writes the record", Subjects: []string{name},
			Storage: jetstream.FileStorage, Replicas: o.Cluster.Replicas, MaxMsgsPerSubject: 1,
		},
	}
	if l.conn, err = o.Cluster.connect("ledger lease"); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			l.conn.Close()
		}
	}()
	if l.js, err = jetstream.New(l.conn, jetstream.WithDefaultTimeout(clusterTimeout)); err != nil {
		return nil, err
	}
	return l, l.acquire(ctx, o.Log)
}

// readPlace returns the name of the ledger's directory, which is given once.
func readPlace(dir string) (string, error) {
	file := filepath.Join(dir, placeFile)
	b, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(b) == 0 {
		b = []byte(rand.Text())
		err = errors.Join(writeSynced(file, b), syncDir(dir))
	}
	if err != nil {
		return "", fmt.Errorf("name the folder of this hub: %w", err)
	}
	return strings.TrimSpace(string(b)), nil
}

// acquire takes the lease, or says who has it. It waits for the end of one whose holder
// gives no sign of life.
func (l *lease) acquire(ctx context.Context, log *zap.Logger) error {
	var seen uint64
	var since time.Time
	for {
		holder, sequence, err := l.holder(ctx)
		if err != nil {
			return fmt.Errorf("ask who writes the record: %w", err)
		}
		switch free := sequence == 0 || holder.Left || holder.Place == l.self.Place; {
		case free || sequence == seen && time.Since(since) >= holder.LeaseTime:
			if !free {
				log.Warn("the lease of the record has ended", zap.Stringer("holder", holder))
			}
			if taken, err := l.put(ctx, sequence, l.self); err != nil || taken {
				return err
			}
			continue // somebody was faster
		case seen != 0 && sequence != seen:
			return &HeldByError{Holder: holder}
		case seen == 0:
			log.Info("waiting whether the holder of the record gives a sign of life", zap.Stringer("holder", holder), zap.Duration("lease", holder.LeaseTime))
			seen, since = sequence, time.Now()
		}
		if !pause(ctx, max(holder.LeaseTime/leaseLooks, time.Millisecond)) {
			return ctx.Err()
		}
	}
}

// holder returns who has the lease, and where that stands; 0: nobody.
func (l *lease) holder(ctx context.Context) (h Holder, sequence uint64, err error) {
	stream, err := l.js.Stream(ctx, l.config.Name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		stream, err = l.js.CreateStream(ctx, l.config)
	}
	if err != nil {
		return Holder{}, 0, err
	}
	m, err := stream.GetLastMsgForSubject(ctx, l.subject)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return Holder{}, 0, nil
	}
	if err != nil {
		return Holder{}, 0, err
	}
	if err := json.Unmarshal(m.Data, &h); err != nil {
		return Holder{}, 0, fmt.Errorf("read the holder %q: %w", m.Data, err)
	}
	return h, m.Sequence, nil
}

// put replaces the message at a position, and says whether it was still that one.
func (l *lease) put(ctx context.Context, replaces uint64, h Holder) (bool, error) {
	b, err := json.Marshal(h)
	if err != nil {
		return false, err
	}
	ack, err := l.js.Publish(ctx, l.subject, b, jetstream.WithExpectLastSequencePerSubject(replaces))
	var wrong *jetstream.APIError
	if errors.As(err, &wrong) && wrongLast(int(wrong.ErrorCode)) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	l.sequence = ack.Sequence
	return true, nil
}

// renew gives a sign of life. An error that is a *HeldByError is for ever.
func (l *lease) renew(ctx context.Context) error {
	kept, err := l.put(ctx, l.sequence, l.self)
	if kept || err != nil {
		return err
	}
	// An earlier sign of life was stored, and its answer lost; or another hub is there.
	holder, sequence, err := l.holder(ctx)
	switch {
	case err != nil:
		return err
	case sequence == 0 || holder.Life == l.self.Life:
		l.sequence = sequence
		return nil
	}
	return &HeldByError{Holder: holder, Running: true}
}

// keep renews the lease until it is lost, or ctx ends; then it is let go. The ledger is
// told when the cluster does not answer.
func (l *lease) keep(ctx context.Context, lost, away func(error)) {
	defer l.conn.Close()
	every := l.self.LeaseTime / leaseRenewals
	for pause(ctx, every) {
		within, cancel := context.WithTimeout(ctx, max(every, clusterTimeout))
		err := l.renew(within)
		cancel()
		var other *HeldByError
		switch {
		case errors.As(err, &other):
			lost(err)
			return
		case ctx.Err() == nil:
			away(err)
		}
	}
	left := l.self
	left.Left = true
	within, cancel := context.WithTimeout(context.Background(), clusterTimeout)
	defer cancel()
	_, _ = l.put(within, l.sequence, left) // else it ends by itself
}
