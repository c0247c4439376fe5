package command

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// line writes a message as one line of JSON.
func line(w io.Writer, m proto.Message) error {
	text, err := protojson.Marshal(m)
	if err != nil {
		return err
	}
	// protojson varies its spaces on purpose; a line for programs should not.
	var b bytes.Buffer
	if err := json.Compact(&b, text); err != nil {
		return err
	}
	b.WriteByte('\n')
	_, err = w.Write(b.Bytes())
	return err
}

// lines writes messages as JSON, one a line.
func lines[M proto.Message](w io.Writer, list []M) error {
	for _, m := range list {
		if err := line(w, m); err != nil {
			return err
		}
	}
	return nil
}

// done prints the answer to a write: as JSON, or as a sentence.
func (p *program) done(answer proto.Message, format string, args ...any) error {
	if p.json {
		return line(p.Out, answer)
	}
	_, err := fmt.Fprintf(p.Out, format+"\n", args...)
	return err
}

// print prints a message: as JSON, or as text for people.
func (p *program) print(m proto.Message, text func(io.Writer) error) error {
	if p.json {
		return line(p.Out, m)
	}
	return text(p.Out)
}

// toFile writes a file that everybody may read. It appears only when it is whole; a device
// or a pipe is written as it comes.
func toFile(path, doing string, write func(io.Writer) error) error {
	return toFileOf(path, doing, 0o644, write)
}

func toFileOf(path, doing string, mode fs.FileMode, write func(io.Writer) error) error {
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			return fmt.Errorf("%s: %w", doing, err)
		}
		return errors.Join(write(f), f.Close())
	}
	f, err := os.CreateTemp(filepath.Dir(path), "."+doing+"-*")
	if err != nil {
		return fmt.Errorf("%s: %w", doing, err)
	}
	defer os.Remove(f.Name()) // fails once it has been renamed, as it should
	err = write(f)
	if err := errors.Join(err, f.Chmod(mode), f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("%s to %s: %w", doing, path, err)
	}
	return os.Rename(f.Name(), path)
}

// readAtMost reads a file that may not be longer than so many bytes.
func readAtMost(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(text)) > most {
		err = fmt.Errorf("read %s: it has more than %d bytes", path, most)
	}
	return text, err
}
