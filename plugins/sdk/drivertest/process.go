package drivertest

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
)

const (
	// Lines that are read in search of the handshake line.
	mostLines = 100
	// The handshake line: 1|1|unix|/path|grpc, and more fields that may follow.
	handshakeFields = 5
	// Bytes of standard error that are kept.
	lastWords = 400
)

// process is a driver process.
type process struct {
	cmd              *exec.Cmd
	dir, nonce       string
	network, address string
	stdout, stderr   *os.File
	// Closed when the process has ended, and when nothing more is read of it.
	exited  chan struct{}
	reading sync.WaitGroup

	mu    sync.Mutex
	words []byte
}

// launch starts the process of a driver in a folder of its own, with what the hub
// gives it in its environment.
func launch(argv []string, nonce string, more ...string) (*process, error) {
	dir, err := os.MkdirTemp("", "ebt")
	if err != nil {
		return nil, err
	}
	p := &process{dir: dir, nonce: nonce, exited: make(chan struct{})}
	path, err := exec.LookPath(argv[0])
	if err == nil {
		path, err = filepath.Abs(path)
	}
	if err != nil {
		_ = os.RemoveAll(dir)
		return nil, fmt.Errorf("start the driver: %w", err)
	}
	p.cmd = &exec.Cmd{Path: path, Args: argv, Dir: dir, SysProcAttr: &syscall.SysProcAttr{Setpgid: true}}
	p.cmd.Env = append(environment(dir, nonce), more...)
	if err := p.run(); err != nil {
		_ = os.RemoveAll(dir)
		return nil, fmt.Errorf("start the driver: %w", err)
	}
	return p, nil
}

func environment(dir, nonce string) []string {
	env := []string{
		sdk.NonceVariable + "=" + nonce, "TMPDIR=" + dir, "HOME=" + dir,
		"PLUGIN_UNIX_SOCKET_DIR=" + dir, "PLUGIN_MIN_PORT=0", "PLUGIN_MAX_PORT=0",
		fmt.Sprintf("PLUGIN_PROTOCOL_VERSIONS=%d", sdk.ProtocolVersion),
	}
	for _, name := range []string{"PATH", "LANG", "LC_ALL", "TZ"} {
		if v, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+v)
		}
	}
	return env
}

// run starts the process and reads its standard error. Pipes of our own are not
// waited for: a child that outlives the driver may hold them.
func (p *process) run() error {
	out, outEnd, err := os.Pipe()
	if err != nil {
		return err
	}
	defer func() { _ = outEnd.Close() }()
	bad, badEnd, err := os.Pipe()
	if err != nil {
		_ = out.Close()
		return err
	}
	defer func() { _ = badEnd.Close() }()
	p.stdout, p.stderr = out, bad
	p.cmd.Stdout, p.cmd.Stderr = outEnd, badEnd
	if err := p.cmd.Start(); err != nil {
		p.hangUp()
		return err
	}
	go func() {
		_ = p.cmd.Wait()
		close(p.exited)
	}()
	p.reading.Go(func() { _, _ = io.Copy(wordKeeper{p}, p.stderr) })
	return nil
}

// wordKeeper keeps the end of what is written to it.
type wordKeeper struct{ p *process }

func (k wordKeeper) Write(b []byte) (int, error) {
	k.p.mu.Lock()
	defer k.p.mu.Unlock()
	k.p.words = append(k.p.words, b...)
	k.p.words = k.p.words[max(0, len(k.p.words)-lastWords):]
	return len(b), nil
}

// said returns the last words of standard error, to be put behind a sentence.
func (p *process) said() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.words) == 0 {
		return ""
	}
	return fmt.Sprintf("; standard error ends with %q", strings.TrimSpace(string(p.words)))
}

// hangUp closes the reading ends of standard output and error, as the death of a
// hub does.
func (p *process) hangUp() {
	_ = p.stdout.Close()
	_ = p.stderr.Close()
}

// startProcess starts the driver and reads where it listens.
func (t *trial) startProcess(nonce string) (*process, error) {
	p, err := launch(t.subject.argv, nonce, sdk.CookieVariable+"="+sdk.CookieValue)
	if err != nil {
		t.broken = err
		return nil, err
	}
	if err := t.shakeHands(p); err != nil {
		p.kill()
		t.broken = err
		return nil, err
	}
	return p, nil
}

// shakeHands reads the handshake line, and decides what is about it. What is
// printed before it is passed over, so that the rest can be tried.
func (t *trial) shakeHands(p *process) error {
	limit := t.within(10 * time.Second)
	_ = p.stdout.SetReadDeadline(time.Now().Add(limit))
	lines := bufio.NewReader(p.stdout)
	for range mostLines {
		line, err := lines.ReadString('\n')
		if f := strings.Split(strings.TrimSpace(line), "|"); len(f) >= handshakeFields && f[4] == "grpc" {
			t.holds("EB-D-04", "the handshake line came first")
			t.holds("EB-D-09", "%s", strings.TrimSpace(line))
			return t.reach(p, lines, f)
		}
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			t.fails("EB-D-09", "no handshake line within %v%s", limit, p.said())
			return errors.New("the driver printed no handshake line")
		case err != nil:
			t.fails("EB-D-09", "standard output ended before the handshake line%s", p.said())
			return errors.New("the driver printed no handshake line")
		}
		t.fails("EB-D-04", "it printed %q first", strings.TrimSpace(line))
	}
	t.fails("EB-D-09", "no handshake line among %d lines", mostLines)
	return errors.New("the driver printed no handshake line")
}

// reach connects to where the driver says it listens.
func (t *trial) reach(p *process, rest io.Reader, f []string) error {
	_ = p.stdout.SetReadDeadline(time.Time{})
	p.reading.Go(func() { _, _ = io.Copy(io.Discard, rest) })
	p.network, p.address = f[2], f[3]
	host, _, _ := net.SplitHostPort(p.address)
	switch {
	case p.network == "unix", p.network == "tcp" && net.ParseIP(host).IsLoopback():
		t.holds("EB-D-08", "%s", p.network)
	default:
		t.fails("EB-D-08", "%s %s", p.network, p.address)
	}
	dial := func() bool {
		c, err := net.DialTimeout(p.network, p.address, t.o.Patience)
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	}
	if dial() {
		t.holds("EB-D-01", "a connection was taken at once")
		return nil
	}
	t.fails("EB-D-01", "a connection to %s %s was refused after the handshake line", p.network, p.address)
	if !t.eventually(dial) {
		return fmt.Errorf("the driver does not listen on %s %s", p.network, p.address)
	}
	return nil
}

// kill ends the process and all that it started.
func (p *process) kill() {
	_ = syscall.Kill(-p.cmd.Process.Pid, syscall.SIGKILL)
	<-p.exited
	for _, left := range p.left() {
		_ = syscall.Kill(left, syscall.SIGKILL)
	}
	p.hangUp()
	p.reading.Wait()
	_ = os.RemoveAll(p.dir)
}

// terminate asks the process to end, and reports whether it did so in time.
func (p *process) terminate(limit time.Duration) bool {
	_ = p.cmd.Process.Signal(syscall.SIGTERM)
	return p.ends(limit)
}

// ends reports whether the process ended in time.
func (p *process) ends(limit time.Duration) bool {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case <-p.exited:
		return true
	case <-timer.C:
		return false
	}
}

// left returns the processes that the driver started and left, by the nonce in
// their environment; none where there is no /proc.
func (p *process) left() (pids []int) {
	places, _ := filepath.Glob("/proc/[0-9]*/environ")
	for _, place := range places {
		var pid int
		if _, err := fmt.Sscanf(place, "/proc/%d/environ", &pid); err != nil || pid == os.Getpid() {
			continue
		}
		env, err := os.ReadFile(place)
		if err == nil && strings.Contains(string(env), sdk.NonceVariable+"="+p.nonce) {
			pids = append(pids, pid)
		}
	}
	return pids
}
