package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// subscriber is a process that follows the record and writes down each entry that
// it was given: a line with the cursor and a digest of the entry. Started anew it
// goes on after its last whole line.
type subscriber struct {
	self, hub, file string
	command         *exec.Cmd
}

func (s *subscriber) start() error {
	s.command = exec.Command(s.self, "follow", "-hub", s.hub, "-file", s.file)
	s.command.Stderr = os.Stderr
	s.command.SysProcAttr = alone()
	if err := s.command.Start(); err != nil {
		return fmt.Errorf("start a subscriber: %w", err)
	}
	return nil
}

func (s *subscriber) kill() {
	_ = s.command.Process.Kill()
	_ = s.command.Wait()
}

// seen is an entry as a subscriber had it.
type seen struct {
	cursor uint64
	digest string
}

// read returns what the process has written down, whole lines only.
func (s *subscriber) read() (record string, list []seen, err error) {
	b, err := os.ReadFile(s.file)
	if err != nil {
		return "", nil, nil // it has not begun
	}
	b = b[:bytes.LastIndexByte(b, '\n')+1]
	for line := range strings.Lines(string(b)) {
		if record == "" {
			record = strings.TrimSpace(line)
			continue
		}
		var e seen
		if _, err := fmt.Sscanf(line, "%d %s\n", &e.cursor, &e.digest); err != nil {
			return "", nil, fmt.Errorf("read line %q of %s: %w", line, s.file, err)
		}
		list = append(list, e)
	}
	return record, list, nil
}

// digest tells an entry from any other.
func digest(e *pb.Entry) string {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(e)
	if err != nil {
		return err.Error()
	}
	sum := sha256.Sum256(b)
	return fmt.Sprintf("%x", sum[:8])
}

// followHub is the subscriber's process.
func followHub(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("follow", flag.ContinueOnError)
	hub := flags.String("hub", "", "address of the hub")
	file := flags.String("file", "", "file to write down what comes")
	if err := flags.Parse(args); err != nil {
		return err
	}
	s := subscriber{file: *file}
	record, had, err := s.read()
	if err != nil {
		return err
	}
	position := follow.Position{RecordID: record}
	if len(had) > 0 {
		position.Cursor = had[len(had)-1].cursor
	}
	out, err := openWhole(*file)
	if err != nil {
		return err
	}
	defer out.Close()
	conn, err := follow.Dial(*hub)
	if err != nil {
		return err
	}
	defer conn.Close()
	f := follow.New(conn, follow.Options{From: position})
	for m, err := range f.Messages(ctx) {
		if err != nil {
			return err
		}
		var lines []byte
		if record == "" {
			record = f.Position().RecordID
			lines = fmt.Appendln(lines, record)
		}
		for _, e := range m.GetEntries() {
			lines = fmt.Appendln(lines, e.GetCursor(), digest(e))
		}
		if _, err := out.Write(lines); err != nil {
			return err
		}
	}
	return nil
}

// openWhole opens a file to append to, without the line that a kill cut short.
func openWhole(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR|os.O_APPEND, 0o600)
	if err != nil {
		return nil, err
	}
	b, err := os.ReadFile(path)
	if err == nil {
		err = f.Truncate(int64(bytes.LastIndexByte(b, '\n') + 1))
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}
