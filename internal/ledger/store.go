package ledger

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
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
	// embedded is nil with an external server.
	embedded *embedded
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
		err = s.embedded.settleAll()
	}
	return s, end, err
}

func (s *store) openStream(ctx context.Context, replicas int) (position, error) {
	js, err := jetstream.New(s.conn)
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

func (s *store) close() {
	for _, c := range []*nats.Conn{s.conn, s.reading} {
		if c != nil {
			c.Close()
		}
	}
	if s.embedded != nil {
		s.embedded.stop()
	}
}

// embedded is a NATS server of this process that nobody else can reach.
type embedded struct {
	server *server.Server
	// Directory of the stream's block files, and the number of the newest one
	// whose name is known to be durable.
	blocks string
	newest uint32
}

// blocksDir is where the server keeps the block files of a stream.
func blocksDir(dir, stream string) string {
	return filepath.Join(dir, storeFolder, "$G", "streams", stream, "msgs")
}

const (
	startTimeout = time.Minute
	// What the server calls its own folder of a directory.
	storeFolder = "jetstream"
)

func startEmbedded(dir, stream string, journal *serverLog) (*embedded, error) {
	s, err := server.NewServer(&server.Options{
		ServerName:            "ledger",
		DontListen:            true,
		NoSigs:                true,
		NoSystemAccount:       true,
		DisableShortFirstPing: true,
		MaxPayload:            MaxEntryBytes + 4096,
		JetStream:             true,
		StoreDir:              dir,
		SyncAlways:            true,
		// The disk itself is the limit; the default would be three quarters of
		// what happens to be free when the hub starts.
		JetStreamMaxStore:  1 << 60,
		JetStreamMaxMemory: 1 << 20,
	})
	if err != nil {
		return nil, fmt.Errorf("start the record's store in %s: %w", dir, err)
	}
	s.SetLoggerV2(journal, false, false, false)
	s.Start()
	e := &embedded{
		server: s,
		blocks: blocksDir(dir, stream),
	}
	if !s.ReadyForConnections(startTimeout) || !s.JetStreamEnabled() {
		e.stop()
		return nil, fmt.Errorf("start the record's store in %s: %w", dir, journal.orElse("it did not become ready"))
	}
	return e, nil
}

func (e *embedded) stop() {
	e.server.Shutdown()
	e.server.WaitForShutdown()
}

// settle makes the names of new block files durable. The server syncs what it
// writes into a block file, but not the directory when it begins a new one, so
// that a loss of power could take the whole file. It costs one failing stat
// where there is none.
func (e *embedded) settle() error {
	grown := false
	for {
		if _, err := os.Lstat(filepath.Join(e.blocks, blockName(e.newest+1))); err != nil {
			break
		}
		e.newest++
		grown = true
	}
	if !grown {
		return nil
	}
	return syncDir(e.blocks)
}

// settleAll makes every name on the way to the blocks durable.
func (e *embedded) settleAll() error {
	dir := e.blocks
	for range 5 {
		if err := syncDir(dir); err != nil {
			return err
		}
		dir = filepath.Dir(dir)
	}
	return e.settle()
}

// serverLog passes what the server has to say to the hub's log, and keeps its
// last complaint to explain an error with.
type serverLog struct {
	log  *zap.Logger
	last lastError
}

func (l *serverLog) Noticef(string, ...any) {}
func (l *serverLog) Debugf(string, ...any)  {}
func (l *serverLog) Tracef(string, ...any)  {}

func (l *serverLog) Warnf(format string, args ...any) {
	l.log.Warn("store", zap.String("says", fmt.Sprintf(format, args...)))
}

func (l *serverLog) Errorf(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	l.last.set(errors.New(text))
	l.log.Error("store", zap.String("says", text))
}

func (l *serverLog) Fatalf(format string, args ...any) { l.Errorf(format, args...) }

// orElse returns the server's last complaint, or text if it had none.
func (l *serverLog) orElse(text string) error {
	if err := l.last.get(); err != nil {
		return err
	}
	return errors.New(text)
}
