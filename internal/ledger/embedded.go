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

// connect connects within the process.
func (e *embedded) connect(_ *Cluster, name string) (*nats.Conn, error) {
	return nats.Connect("", nats.InProcessServer(e.server), nats.NoReconnect(), nats.Name(name))
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
		_, err := os.Lstat(filepath.Join(e.blocks, blockName(e.newest+1)))
		if errors.Is(err, fs.ErrNotExist) {
			break
		}
		if err != nil {
			// There may be one, and its name may not be durable.
			return fmt.Errorf("look for a new block: %w", err)
		}
		e.newest++
		grown = true
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
		e.newest = numbers[len(numbers)-1]
	}
	return e.settle()
}
