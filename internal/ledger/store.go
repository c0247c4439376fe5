package ledger

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// store is the stream that holds the entries, in a server of this process or on
// an external one. Everything goes through a NATS connection, so that the two
// differ only in how the connection is made.
type store struct {
	conn *nats.Conn
	// reading is a connection of its own, so that what is read does not stand
	// before the answers that the writer waits for.
	reading *nats.Conn
	history *history
	// embedded and shelf are nil with an external server.
	embedded *embedded
	shelf    *shelf
}

// position is how far a stream goes.
type position struct {
	// Position of the last message, and how many there are: the same number,
	// unless some are missing.
	last, entries uint64
	// Room that it takes, as the server counts.
	bytes uint64
}

// openStore connects to the stream and creates it if it is not there, but not on a cluster
// where a record is known to be. It returns how far it goes.
func openStore(ctx context.Context, o Options, journal *serverLog, known uint64) (_ *store, end position, err error) {
	s := &store{}
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	// The client's own patience is 5 s, and a store that was written just before it was
	// killed can need longer on a slow machine.
	connect, config, patience := (*Cluster).connect, streamConfig(o), clusterTimeout
	if o.Cluster == nil {
		if s.embedded, err = startEmbedded(o.Dir, o.stream(), journal); err != nil {
			return nil, position{}, err
		}
		connect, patience = s.embedded.connect, startTimeout
	}
	if s.conn, err = connect(o.Cluster, "ledger writer"); err == nil {
		s.reading, err = connect(o.Cluster, "ledger reader")
	}
	if err != nil {
		return nil, position{}, fmt.Errorf("connect to the record's store: %w", err)
	}
	s.history = newHistory(s.reading, o.stream(), o.Cluster != nil)
	if end, err = s.openStream(ctx, config, patience, known); err != nil {
		return nil, position{}, err
	}
	if s.embedded != nil {
		s.shelf = newShelf(o.Dir, o.stream())
		err = s.embedded.settleAll()
	}
	return s, end, err
}

// shortestDuplicates is the shortest time for which the server remembers messages by
// their ids, which ours do not have.
const shortestDuplicates = 100 * time.Millisecond

// streamConfig is how the record's stream is made.
func streamConfig(o Options) jetstream.StreamConfig {
	c := jetstream.StreamConfig{
		Name:               o.stream(),
		Description:        "evenbench record: append-only, hash-chained; never delete or compact",
		Subjects:           []string{o.stream() + ".>"},
		Storage:            jetstream.FileStorage,
		Replicas:           1,
		Discard:            jetstream.DiscardNew,
		DenyDelete:         true,
		DenyPurge:          true,
		AllowDirect:        true,
		AllowAtomicPublish: true,
		// The chain tells what is there twice. What the server remembers for that, it
		// reads again when it starts.
		Duplicates: shortestDuplicates,
		// Blocks are compressed once they are full: into a new file, which is
		// synced and then renamed over the old one, so that a crash leaves one
		// or the other. Small entries take a quarter of the room.
		Compression: jetstream.S2Compression,
	}
	if o.Cluster != nil {
		// A replica of a compressed stream was lost when its server was killed (2.15.2).
		c.Replicas, c.Compression = o.Cluster.Replicas, jetstream.NoCompression
	}
	return c
}

// openStream opens the stream, and creates it if it is not there. One that is there must
// be as it would be made.
func (s *store) openStream(ctx context.Context, config jetstream.StreamConfig, patience time.Duration, known uint64) (position, error) {
	fail := func(err error) (position, error) {
		return position{}, fmt.Errorf("open the record's stream %q: %w", config.Name, err)
	}
	js, err := jetstream.New(s.conn, jetstream.WithDefaultTimeout(patience))
	if err != nil {
		return fail(err)
	}
	stream, err := js.Stream(ctx, config.Name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		if s.embedded == nil && known > 0 {
			return fail(fmt.Errorf("%w, and it had %d entries: bring back the servers that have it, or a backup", err, known))
		}
		stream, err = js.CreateStream(ctx, config)
	}
	if err != nil {
		return fail(err)
	}
	info := stream.CachedInfo()
	if s.embedded == nil {
		if err := fit(info.Config, config); err != nil {
			return fail(err)
		}
	}
	return position{info.State.LastSeq, info.State.Msgs, info.State.Bytes}, nil
}

// lookAtStore connects to a stream that is there, to read it.
func lookAtStore(ctx context.Context, c *Cluster) (_ *store, end position, err error) {
	s := &store{}
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	if s.reading, err = c.connect("ledger audit"); err != nil {
		return nil, position{}, err
	}
	js, err := jetstream.New(s.reading, jetstream.WithDefaultTimeout(clusterTimeout))
	if err != nil {
		return nil, position{}, err
	}
	stream, err := js.Stream(ctx, c.Stream)
	if err != nil {
		return nil, position{}, err
	}
	s.history = newHistory(s.reading, c.Stream, true)
	state := stream.CachedInfo().State
	return s, position{state.LastSeq, state.Msgs, state.Bytes}, nil
}

// fit tells whether a stream that others may have made keeps everything, on as many
// servers as was asked for.
func fit(is, want jetstream.StreamConfig) error {
	var wrong []string
	check := func(ok bool, format string, args ...any) {
		if !ok {
			wrong = append(wrong, fmt.Sprintf(format, args...))
		}
	}
	check(is.Replicas == want.Replicas, "it has %d replicas, and the lab file asks for %d", is.Replicas, want.Replicas)
	check(slices.Equal(is.Subjects, want.Subjects), "it takes the subjects %q, and not %q", is.Subjects, want.Subjects)
	check(is.Storage == want.Storage, "it is kept in memory")
	check(is.Compression == want.Compression, "it is compressed")
	check(is.Retention == jetstream.LimitsPolicy && is.MaxMsgs <= 0 && is.MaxBytes <= 0 && is.MaxAge == 0 && is.MaxMsgsPerSubject <= 0,
		"it lets go of old entries")
	check(is.MaxMsgSize <= 0 || is.MaxMsgSize >= MaxEntryBytes, "it takes entries up to %d bytes only", is.MaxMsgSize)
	check(is.DenyDelete && is.DenyPurge, "entries can be deleted from it")
	check(is.AllowDirect && is.AllowAtomicPublish, "it knows no direct reads or no atomic batches")
	check(is.Mirror == nil && len(is.Sources) == 0, "it copies another stream")
	if len(wrong) > 0 {
		return &unfitError{fmt.Errorf("%s; give this lab a stream: of its own, or make that one anew", strings.Join(wrong, ", "))}
	}
	return nil
}

// read appends to space what the store has from a position on, up to last, as much as
// it gives at once.
func (s *store) read(ctx context.Context, from, last uint64, space []message) ([]message, error) {
	if s.shelf != nil {
		return s.shelf.read(ctx, from, last, space)
	}
	return s.history.read(ctx, from, space)
}

func (s *store) close() {
	for _, c := range []*nats.Conn{s.conn, s.reading} {
		if c != nil {
			c.Close()
		}
	}
	if s.shelf != nil {
		s.shelf.idle.Stop()
	}
	if s.embedded != nil {
		s.embedded.stop()
	}
}
