package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// embedded is a NATS server of this process that nobody else can reach.
type embedded struct {
	server *server.Server
	// Directory of the stream's block files, and the number of the newest one
	// whose name is known to be durable.
	blocks string
	newest uint32
	// writing is the newest one's file, which must be synced; nil: there is none yet.
	writing *os.File
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

// connect connects within the process.
func (e *embedded) connect(_ *Cluster, name string) (*nats.Conn, error) {
	return nats.Connect("", nats.InProcessServer(e.server), nats.NoReconnect(), nats.Name(name))
}

func (e *embedded) stop() {
	e.server.Shutdown()
	e.server.WaitForShutdown()
	if e.writing != nil {
		e.writing.Close()
	}
}

// sync makes durable what the server has written since the last call. The server could
// sync by itself, but only each entry for itself or a batch that it has written twice;
// and never the directory when it begins a block. It writes an entry to the file before
// it answers; a full block it compresses into a new file, which it syncs before it
// renames it over the old one.
//
// The file is held open from when it is first seen, so that no error of writing it back
// can go unseen between two calls.
func (e *embedded) sync() error {
	if e.writing != nil {
		if err := e.writing.Sync(); err != nil {
			return fmt.Errorf("sync block %d: %w", e.newest, err)
		}
	}
	grown := false
	for {
		next, err := os.OpenFile(filepath.Join(e.blocks, blockName(e.newest+1)), os.O_RDWR, 0)
		if errors.Is(err, fs.ErrNotExist) {
			break
		}
		if err != nil {
			// There may be one, and neither it nor its name may be durable.
			return fmt.Errorf("look for a new block: %w", err)
		}
		if e.writing != nil {
			e.writing.Close()
		}
		e.writing = next
		e.newest++
		grown = true
		if err := next.Sync(); err != nil {
			return fmt.Errorf("sync block %d: %w", e.newest, err)
		}
	}
	if !grown {
		return nil
	}
	return syncDir(e.blocks)
}

// settleAll makes every name on the way to the blocks durable, from the ledger's
// directory on. The newest block is found by its name, not by counting: nothing says that
// the server leaves no number out.
func (e *embedded) settleAll() error {
	dir := e.blocks
	for range 6 {
		if err := syncDir(dir); err != nil {
			return err
		}
		dir = filepath.Dir(dir)
	}
	numbers, err := (&blocks{dir: e.blocks}).list()
	if err != nil {
		return err
	}
	if len(numbers) > 0 {
		e.newest = numbers[len(numbers)-1] - 1 // the newest is looked for, and opened
	}
	return e.sync()
}
