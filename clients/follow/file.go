package follow

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// File is a Store in one small JSON file. A new file replaces the old one as a
// whole, so that a crash or a loss of power leaves one or the other.
type File struct{ path string }

// NewFile returns a store at path. The file need not exist; its folder must.
func NewFile(path string) File { return File{path} }

// Load implements Store.
func (f File) Load(context.Context) (Position, bool, error) {
	text, err := os.ReadFile(f.path)
	if errors.Is(err, fs.ErrNotExist) {
		return Position{}, false, nil
	}
	if err != nil {
		return Position{}, false, err
	}
	var p Position
	if err := json.Unmarshal(text, &p); err != nil {
		return Position{}, false, fmt.Errorf("read %s: %w; delete the file to begin again", f.path, err)
	}
	if p.RecordID == "" {
		return Position{}, false, fmt.Errorf("read %s: record_id is missing; delete the file to begin again", f.path)
	}
	return p, true, nil
}

// Save implements Store.
func (f File) Save(_ context.Context, p Position) error {
	text, err := json.Marshal(p)
	if err != nil {
		return err
	}
	folder := filepath.Dir(f.path)
	next, err := os.CreateTemp(folder, filepath.Base(f.path)+".*")
	if err != nil {
		return err
	}
	defer os.Remove(next.Name()) // fails once it has been renamed, as it should
	_, err = next.Write(append(text, '\n'))
	if err := errors.Join(err, next.Sync(), next.Close()); err != nil {
		return err
	}
	if err := os.Rename(next.Name(), f.path); err != nil {
		return err
	}
	return syncFolder(folder)
}

// syncFolder makes a rename in the folder durable.
func syncFolder(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
