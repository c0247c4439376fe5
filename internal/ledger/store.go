package ledger

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// store is the stream that holds the entries, in a server of this process or on
// an external one. Everything goes through a NATS connection, so that the two
// differ only in how the connection is made.
type store struct {
	conn   *nats.Conn
	stream string
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
}

// openStore connects to the stream and creates it if it is not there. It returns
// how far it goes.
func openStore(ctx context.Context, o Options, journal *serverLog) (_ *store, end position, err error) {
	s := &store{stream: o.Stream}
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	replicas := o.Replicas
	reach := []nats.Option{nats.MaxReconnects(-1)}
	if o.URL == "" {
		replicas = 1
		if s.embedded, err = startEmbedded(o.Dir, o.Stream, journal); err != nil {
			return nil, position{}, err
		}
		reach = []nats.Option{nats.InProcessServer(s.embedded.server), nats.NoReconnect()}
	}
	if s.conn, err = nats.Connect(o.URL, append(reach, nats.Name("ledger writer"))...); err == nil {
		s.reading, err = nats.Connect(o.URL, append(reach, nats.Name("ledger reader"))...)
	}
	if err != nil {
		return nil, position{}, fmt.Errorf("connect to the record's store: %w", err)
	}
	s.history = newHistory(s.reading, o.Stream)
	if end, err = s.openStream(ctx, replicas); err != nil {
		return nil, position{}, err
	}
	if s.embedded != nil {
		s.shelf = newShelf(o.Dir, o.Stream)
		err = s.embedded.settleAll()
	}
	return s, end, err
}

// shortestDuplicates is the shortest time for which the server remembers messages by
// their ids, which ours do not have.
const shortestDuplicates = 100 * time.Millisecond

func (s *store) openStream(ctx context.Context, replicas int) (position, error) {
	// The client's own patience is 5 s, and a store that was written just before it was
	// killed can need longer on a slow machine.
	js, err := jetstream.New(s.conn, jetstream.WithDefaultTimeout(startTimeout))
	if err != nil {
		return position{}, fmt.Errorf("open the record's stream: %w", err)
	}
	stream, err := js.Stream(ctx, s.stream)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		stream, err = js.CreateStream(ctx, jetstream.StreamConfig{
			Name:               s.stream,
			Description:        "evenbench record: append-only, hash-chained; never delete or compact",
			Subjects:           []string{s.stream + ".>"},
			Storage:            jetstream.FileStorage,
			Replicas:           replicas,
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
		})
	}
	if err != nil {
		return position{}, fmt.Errorf("open the record's stream %q: %w", s.stream, err)
	}
	state := stream.CachedInfo().State
	return position{state.LastSeq, state.Msgs}, nil
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
