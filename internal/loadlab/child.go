package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"syscall"
	"time"
)

// task is what a process of the bench is told.
type task struct {
	Address string        // of a server
	Dir     string        // to keep its files in
	File    string        // of kept entries
	Gate    string        // to wait at before it begins
	Load    load          // to put
	Limit   time.Duration // to wait for them; 0: as long as it takes
	Until   int           // readings to wait for; 0: without end

	Subscribers int  // connections that each wait for all of them
	Copy        bool // rows by COPY and not one by one
}

// child is a process that the bench has started.
type child struct {
	command *exec.Cmd
	out     *bufio.Reader
	stderr  *bytes.Buffer
	ended   bool
}

// start starts a process; out says whether it is listened to.
func start(c *exec.Cmd, out bool) (_ *child, err error) {
	p := &child{command: c, stderr: new(bytes.Buffer)}
	c.Stderr = p.stderr
	if out {
		pipe, err := c.StdoutPipe()
		if err != nil {
			return nil, err
		}
		p.out = bufio.NewReader(pipe)
	}
	if err := c.Start(); err != nil {
		return nil, fmt.Errorf("start %s: %w", c.Path, err)
	}
	return p, nil
}

// role starts this program in another of its roles, and returns once it is ready.
func (b *bench) role(ctx context.Context, name string, t task) (*child, error) {
	text, err := json.Marshal(t)
	if err != nil {
		return nil, err
	}
	p, err := start(exec.CommandContext(ctx, b.self, "role", name, string(text)), true)
	if err != nil {
		return nil, err
	}
	var ready struct{ Ready bool }
	if err := p.read(&ready); err != nil || !ready.Ready {
		return nil, errors.Join(fmt.Errorf("%s is not ready", name), err, p.stop())
	}
	return p, nil
}

// read reads a line of JSON that the process prints.
func (p *child) read(v any) error {
	line, err := p.out.ReadBytes('\n')
	if err != nil {
		return errors.Join(fmt.Errorf("it ended without an answer: %w", err), p.stop())
	}
	return json.Unmarshal(line, v)
}

func (p *child) saw() (s seen, err error) { return s, p.read(&s) }

// patience is how long a process may take to end before it is killed.
const patience = 30 * time.Second

// stop ends the process and waits for it, once.
func (p *child) stop() error { return p.end(syscall.SIGTERM) }

func (p *child) end(signal os.Signal) error {
	if p == nil || p.ended {
		return nil
	}
	p.ended = true
	if err := p.command.Process.Signal(signal); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	kill := time.AfterFunc(patience, func() { p.command.Process.Kill() })
	defer kill.Stop()
	if err := p.command.Wait(); err != nil {
		return fmt.Errorf("%s: %w\n%s", p.command.Path, err, p.stderr)
	}
	return nil
}

func (p *child) pid() int { return p.command.Process.Pid }

// say prints a line for the bench.
func say(w io.Writer, v any) error { return json.NewEncoder(w).Encode(v) }

// sayReady tells the bench that Put may come.
func sayReady() error { return say(os.Stdout, struct{ Ready bool }{true}) }

// report takes readings until a tally has enough or the limit has passed, and tells
// the bench what it saw.
func report(ctx context.Context, t task, l *tally, take func(context.Context) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if t.Limit > 0 {
		end := time.AfterFunc(t.Limit, cancel)
		defer end.Stop()
	}
	failed := make(chan error, 1)
	go func() { failed <- take(ctx) }()
	select {
	case <-l.enough:
	case <-ctx.Done():
	case err := <-failed:
		select {
		case <-l.enough:
		case <-ctx.Done():
		default:
			return errors.Join(errors.New("no more readings come"), err)
		}
	}
	return say(os.Stdout, l.seen())
}
