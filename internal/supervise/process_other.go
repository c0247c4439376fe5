//go:build !linux

package supervise

import (
	"errors"
	"sync"
	"syscall"
)

// process is a child of this process. Without Linux's /proc and pidfd a process
// that somebody else started cannot be told from another that got its pid:
// drivers are not re-attached here.
type process struct {
	pid     int
	started uint64
	exited  chan struct{}
	left    chan struct{}

	mu   sync.Mutex
	gone bool
}

func findProcess(pid int) (*process, error) {
	return &process{pid: pid, exited: make(chan struct{}), left: make(chan struct{})}, nil
}

func (p *process) watch(reap func()) {
	reap()
	p.mu.Lock()
	p.gone = true
	p.mu.Unlock()
	close(p.exited)
}

func (p *process) letGo() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.gone {
		p.gone = true
		close(p.left)
	}
}

func (p *process) wait() {
	select {
	case <-p.exited:
	case <-p.left:
	}
}

func (p *process) signal(sig syscall.Signal) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.gone {
		_ = syscall.Kill(-p.pid, sig)
	}
}

func (p *process) killGroup() {}

func startTime(int) (uint64, error) {
	return 0, errors.New("start times are only known on Linux")
}

func bootID() string { return "" }
