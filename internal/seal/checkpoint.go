package seal

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

func (c Checkpoint) check() error {
	if c.Origin == "" || strings.ContainsAny(c.Origin, "\n\r") {
		return fmt.Errorf("make a checkpoint: the origin is %q; name the record in one line", c.Origin)
	}
	if c.Size < 1 {
		return fmt.Errorf("make a checkpoint: it is of %d entries; at least 1", c.Size)
	}
	return nil
}

func (c Checkpoint) text() string {
	return fmt.Sprintf("%s\n%d\n%s\n", c.Origin, c.Size, c.Root)
}

// Sign returns a checkpoint as a note that the keys have signed, the lab's first. It is
// an error if there is none.
func Sign(c Checkpoint, keys ...note.Signer) (string, error) {
	if err := c.check(); err != nil {
		return "", err
	}
	if len(keys) == 0 {
		return "", fmt.Errorf("sign a checkpoint: no key is given")
	}
	text, err := note.Sign(&note.Note{Text: c.text()}, keys...)
	if err != nil {
		return "", fmt.Errorf("sign a checkpoint: %w", err)
	}
	return string(text), nil
}

// Cosign adds a signature to a signed checkpoint that Open takes by the keys given:
// whoever signs says that it saw this state of the record.
func Cosign(signed string, known []note.Verifier, key note.Signer) (string, error) {
	n, err := open(signed, known)
	if err != nil {
		return "", fmt.Errorf("cosign a checkpoint: %w", err)
	}
	text, err := note.Sign(n, key)
	if err != nil {
		return "", fmt.Errorf("cosign a checkpoint: %w", err)
	}
	return string(text), nil
}

// Open reads a signed checkpoint and returns it with the names of those who signed.
//
// It is an error unless every signature on it is of one of the keys and holds, the first
// of them of the first key, the lab's. So a signature that nobody checked never looks as
// if it counted.
func Open(signed string, keys []note.Verifier) (Checkpoint, []string, error) {
	n, err := open(signed, keys)
	if err != nil {
		return Checkpoint{}, nil, fmt.Errorf("open a checkpoint: %w", err)
	}
	c, err := parse(n.Text)
	if err != nil {
		return Checkpoint{}, nil, fmt.Errorf("open a checkpoint: %w", err)
	}
	var names []string
	for _, s := range n.Sigs {
		names = append(names, s.Name)
	}
	return c, names, nil
}

func open(signed string, keys []note.Verifier) (*note.Note, error) {
	if len(keys) == 0 {
		return nil, fmt.Errorf("no key is given to check it by")
	}
	n, err := note.Open([]byte(signed), note.VerifierList(keys...))
	var unverified *note.UnverifiedNoteError
	switch {
	case errors.As(err, &unverified):
		n = unverified.Note
	case err != nil:
		return nil, fmt.Errorf("%w: its text or its signature was changed", err)
	}
	if len(n.UnverifiedSigs) > 0 {
		s := n.UnverifiedSigs[0]
		return nil, fmt.Errorf("it is signed by %s+%08x, a key that was not given", s.Name, s.Hash)
	}
	if s := n.Sigs[0]; s.Name != keys[0].Name() || s.Hash != keys[0].KeyHash() {
		return nil, fmt.Errorf("it is signed by %s before %s, the lab", s.Name, keys[0].Name())
	}
	return n, nil
}

func parse(text string) (Checkpoint, error) {
	lines := strings.Split(text, "\n")
	if len(lines) != 4 || lines[3] != "" {
		return Checkpoint{}, fmt.Errorf("it has %d lines; a checkpoint has three", len(lines)-1)
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil {
		return Checkpoint{}, fmt.Errorf("its size %q is no number", lines[1])
	}
	root, err := tlog.ParseHash(lines[2])
	if err != nil {
		return Checkpoint{}, fmt.Errorf("its root %q is no hash", lines[2])
	}
	c := Checkpoint{Origin: lines[0], Size: size, Root: root}
	if err := c.check(); err != nil {
		return Checkpoint{}, err
	}
	if c.text() != text {
		return Checkpoint{}, fmt.Errorf("its size %q or root is not written as a checkpoint writes it", lines[1])
	}
	return c, nil
}
