package supervise

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// attachment is what a hub must know to go on with a driver that an earlier hub
// started. It is written, without a run, before the device is opened, and with it
// before the run is recorded, so that every open run of the record has one; and
// removed after the run is closed.
type attachment struct {
	PID int `json:"pid"`
	// Started and Boot tell the process from a later one with its pid.
	Started uint64 `json:"started"`
	Boot    string `json:"boot"`
	// Executable is the SHA-256 of the driver's executable.
	Executable string `json:"executable"`
	Network    string `json:"network"`
	Address    string `json:"address"`
	Nonce      string `json:"nonce"`
	// Contract version; go-plugin forgets what it negotiated.
	Contract    uint32          `json:"contract"`
	Fingerprint string          `json:"fingerprint"`
	Run         json.RawMessage `json:"run"`

	opened *pb.RunOpened
}

// addr returns where the driver listens.
func (a *attachment) addr() (net.Addr, error) {
	if _, _, err := (translator{}).PluginToHost(a.Network, a.Address); err != nil {
		return nil, err
	}
	if a.Network == "unix" {
		return net.ResolveUnixAddr(a.Network, a.Address)
	}
	return net.ResolveTCPAddr(a.Network, a.Address)
}

// process returns the driver's process if it still is that one.
func (a *attachment) process() (*process, error) {
	if a.Boot == "" || a.Boot != bootID() {
		return nil, errors.New("the machine was started anew")
	}
	p, err := findProcess(a.PID)
	if err != nil {
		return nil, err
	}
	if p.started != a.Started {
		p.letGo()
		return nil, fmt.Errorf("process %d is another one now", a.PID)
	}
	return p, nil
}

// write puts the attachment on disk, whole or not at all.
func (a *attachment) write(path string) error {
	var err error
	if a.Run, err = protojson.Marshal(a.opened); err != nil {
		return err
	}
	b, err := json.MarshalIndent(a, "", "  ")
	if err != nil {
		return err
	}
	return replaceFile(path, b)
}

// readAttachment returns nil if there is none.
func readAttachment(path string) (*attachment, error) {
	b, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, nil
	case err != nil:
		return nil, err
	}
	a := &attachment{opened: &pb.RunOpened{}}
	if err := json.Unmarshal(b, a); err != nil {
		return nil, fmt.Errorf("read %s: %w", path, err)
	}
	if err := protojson.Unmarshal(a.Run, a.opened); err != nil {
		return nil, fmt.Errorf("read the run in %s: %w", path, err)
	}
	return a, nil
}

func removeAttachment(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// replaceFile writes a file so that after a power cut it is the old one or the
// new one.
func replaceFile(path string, content []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".")
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(f.Name()) }()
	_, err = f.Write(content)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// digests remembers the digests of executables: all first-party drivers are one
// file.
type digests struct {
	mu   sync.Mutex
	seen map[string]digest
}

type digest struct {
	size     int64
	modified time.Time
	hex      string
}

// of returns the SHA-256 of a file, read again only if it has changed.
func (d *digests) of(path string) (string, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer func() { _ = f.Close() }()
	i, err := f.Stat()
	if err != nil {
		return "", err
	}
	if s, ok := d.seen[path]; ok && s.size == i.Size() && s.modified.Equal(i.ModTime()) {
		return s.hex, nil
	}
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	sum := hex.EncodeToString(h.Sum(nil))
	if d.seen == nil {
		d.seen = map[string]digest{}
	}
	d.seen[path] = digest{i.Size(), i.ModTime(), sum}
	return sum, nil
}
