package hub

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"go.uber.org/zap"

	"github.com/evenbench/evenbench/internal/seal"
)

// labKeyFile is in the data folder: the private key by which the lab signs its record.
// Whoever has it signs as the lab, so that it is in no entry, no backup and no log.
const labKeyFile = "lab.key"

// labKey reads the key of a lab, or makes one where there is none.
func labKey(data, lab string, log *zap.Logger) (seal.Key, error) {
	path := filepath.Join(data, labKeyFile)
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return makeLabKey(path, lab, log)
	}
	if err != nil {
		return seal.Key{}, fmt.Errorf("read the lab's key: %w", err)
	}
	info, err := os.Stat(path)
	if err != nil {
		return seal.Key{}, fmt.Errorf("read the lab's key: %w", err)
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 && runtime.GOOS != "windows" {
		return seal.Key{}, fmt.Errorf("read the lab's key: others on this machine can read %s (mode %o), and sign as the lab: chmod 600 it", path, mode)
	}
	key, err := seal.ParseKey(strings.TrimSpace(string(text)))
	if err != nil {
		return seal.Key{}, fmt.Errorf("%s: %w: put the file back as it was; without it move it away, and the hub makes another key, which the lab's buyers must be told", path, err)
	}
	return key, nil
}

func makeLabKey(path, lab string, log *zap.Logger) (seal.Key, error) {
	key, err := seal.NewKey(rand.Reader, seal.Name(lab))
	if err != nil {
		return seal.Key{}, err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return seal.Key{}, fmt.Errorf("make the lab's key: %w", err)
	}
	// Under another name first, so that a file of that name is always whole.
	f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return seal.Key{}, fmt.Errorf("make the lab's key: %w", err)
	}
	_, err = f.WriteString(key.Private + "\n")
	if err := errors.Join(err, f.Chmod(0o600), f.Sync(), f.Close()); err != nil {
		return seal.Key{}, fmt.Errorf("make the lab's key: %w", err)
	}
	if err := errors.Join(os.Rename(f.Name(), path), syncFolder(filepath.Dir(path))); err != nil {
		return seal.Key{}, fmt.Errorf("make the lab's key: %w", err)
	}
	log.Info("made the key by which the lab signs its record: keep a copy of it where you keep the keys of the house", zap.String("file", path), zap.String("public", key.Public))
	return key, nil
}

// syncFolder makes the name of a new file last: what was signed or committed to with a key
// that is lost with the power nobody can take up any more.
func syncFolder(path string) error {
	if runtime.GOOS == "windows" {
		return nil // it keeps names by itself
	}
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
