package command

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"

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
