// Package scaffold writes what somebody starts a sheet or a driver of their own from.
// The starts are whole: each passes the checks before anything in it is changed.
package scaffold

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/evenbench/evenbench/internal/document"
)

//go:embed sheet.yaml
var own embed.FS

// Start is files to be written, and what to do with them then.
type Start struct {
	Files []File
	// Next are commands, one a line.
	Next []string
}

// File is one file; its path is relative.
type File struct {
	Path, Text string
	// Program: it can be run.
	Program bool
}

// Sheet begins a sheet.
func Sheet(name string) (Start, error) {
	text, err := renamed(own, "sheet.yaml", "my-instrument", name)
	path := name + ".yaml"
	return Start{
		Files: []File{{Path: path, Text: text}},
		Next:  []string{"evenbench check " + path, "evenbench try " + path + " --link serial:/dev/ttyUSB0,baud=9600"},
	}, err
}

// renamed returns a file in which one name stands for another.
func renamed(files fs.FS, path, from, to string) (string, error) {
	if !document.IsName(to, '-') {
		return "", fmt.Errorf("%q cannot be a name: use lower case letters, digits and '-', such as my-meter", to)
	}
	text, err := fs.ReadFile(files, path)
	return strings.ReplaceAll(string(text), from, to), err
}

// Write writes the files into a folder. Where one is there already nothing is written.
func (s Start) Write(folder string) error {
	for _, f := range s.Files {
		path := filepath.Join(folder, f.Path)
		if _, err := os.Lstat(path); err == nil {
			return fmt.Errorf("write %s: it is there already, and is left as it is: choose another name", path)
		}
	}
	for _, f := range s.Files {
		path, mode := filepath.Join(folder, f.Path), os.FileMode(0o644)
		if f.Program {
			mode = 0o755
		}
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return fmt.Errorf("write %s: %w", path, err)
		}
		file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
		if err != nil {
			return fmt.Errorf("write %s: %w", path, err)
		}
		_, err = file.WriteString(f.Text)
		if err := errors.Join(err, file.Close()); err != nil {
			return fmt.Errorf("write %s: %w", path, err)
		}
	}
	return nil
}
