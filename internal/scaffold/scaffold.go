// Package scaffold writes what somebody starts a sheet or a driver of their own from.
// The starts are whole: each passes the checks before anything in it is changed.
package scaffold

import (
	"embed"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/examples"
)

//go:embed sheet.yaml
var own embed.FS

// Languages in which a driver can be begun.
var Languages = []string{"go"}

// Start is files to be written, and what to do with them then.
type Start struct {
	Files []File
	// Next are commands, one a line.
	Next []string
}

// File is one file; its path is relative.
type File struct{ Path, Text string }

// Sheet begins a sheet.
func Sheet(name string) (Start, error) {
	text, err := renamed(own, "sheet.yaml", "my-instrument", name)
	path := name + ".yaml"
	return Start{
		Files: []File{{path, text}},
		Next:  []string{"evenbench check " + path, "evenbench try " + path + " --link serial:/dev/ttyUSB0,baud=9600"},
	}, err
}

// Driver begins a driver in one of the Languages, in a folder of its name.
func Driver(name, language string) (Start, error) {
	if language != "go" {
		return Start{}, fmt.Errorf("there is no start in %q%s", language, document.Meant(language, Languages))
	}
	const called = "plain-scale"
	program, err := renamed(examples.Go, "go/main.go", called, name)
	sheet, sheetErr := renamed(examples.Go, "go/driver.yaml", called, name)
	return Start{
		Files: []File{{filepath.Join(name, "main.go"), program}, {filepath.Join(name, name+".yaml"), sheet}},
		Next: []string{
			"cd " + name,
			"go mod init " + name,
			"go mod edit -replace github.com/evenbench/evenbench=../evenbench    # a clone of it",
			"go mod tidy && go build",
			"evenbench check " + name + ".yaml",
		},
	}, errors.Join(err, sheetErr)
}

// renamed returns a file in which one name stands for another.
func renamed(files embed.FS, path, from, to string) (string, error) {
	if !document.IsName(to, '-') {
		return "", fmt.Errorf("%q cannot be a name: use lower case letters, digits and '-', such as my-meter", to)
	}
	text, err := files.ReadFile(path)
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
		path := filepath.Join(folder, f.Path)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return fmt.Errorf("write %s: %w", path, err)
		}
		file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
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
