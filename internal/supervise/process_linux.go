package supervise

import (
	"bytes"
	"fmt"
	"os"
	"strconv"
	"strings"
	"sync"
	"syscall"

	"golang.org/x/sys/unix"
)

// process is a process that no other can be taken for: its pid will be used
// again one day, but not with the same start time in the same boot.
type process struct {
	pid int
	// Clock ticks from boot to the start: field 22 of /proc/PID/stat, proc(5).
	started uint64
	// Closed when the process has ended.
	exited chan struct{}
	// Closed when this hub has let it go.
	left chan struct{}

	fd   *os.File
	mu   sync.Mutex
	gone bool
}

// findProcess returns the process with a pid. Its start time is read after its
// file descriptor is open, so both are of one process.
func findProcess(pid int) (*process, error) {
	fd, err := unix.PidfdOpen(pid, unix.PIDFD_NONBLOCK)
	if err != nil {
		return nil, fmt.Errorf("open process %d: %w", pid, err)
	}
	p := &process{pid: pid, fd: os.NewFile(uintptr(fd), "pidfd"), exited: make(chan struct{}), left: make(chan struct{})}
	if p.started, err = startTime(pid); err != nil {
		_ = p.fd.Close()
		return nil, err
	}
	return p, nil
}

// watch waits until the process has ended, calls reap, and closes exited. It
// returns early when the process is let go.
func (p *process) watch(reap func()) {
	conn, err := p.fd.SyscallConn()
	if err != nil {
		return
	}
	err = conn.Read(func(fd uintptr) bool {
		ready, err := unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, 0)
		return ready > 0 && err == nil
	})
	if err != nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.gone {
		return
	}
	reap()
	p.gone = true
	_ = p.fd.Close()
	close(p.exited)
}

// letGo forgets the process and leaves it alive.
func (p *process) letGo() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.gone {
		p.gone = true
		_ = p.fd.Close()
		close(p.left)
	}
}

// wait returns when the process has ended or was let go.
func (p *process) wait() {
	select {
	case <-p.exited:
	case <-p.left:
	}
}

// signal sends sig to the group of the process, which setpgid gave its pid. It
// never reaches another process: as long as p is not reaped nobody else has its
// pid, and a process that somebody else reaps is looked at again.
func (p *process) signal(sig syscall.Signal) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.gone {
		return
	}
	if t, err := startTime(p.pid); err != nil || t != p.started {
		return
	}
	_ = syscall.Kill(-p.pid, sig)
}

// killGroup ends what the process, which has ended but is not reaped, left
// behind.
func (p *process) killGroup() { _ = syscall.Kill(-p.pid, syscall.SIGKILL) }

func startTime(pid int) (uint64, error) {
	stat, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	if err != nil {
		return 0, err
	}
	// The second field is the name, in parentheses, and may hold anything.
	fields := strings.Fields(string(stat[bytes.LastIndexByte(stat, ')')+1:]))
	const startTimeAfterName = 22 - 3
	if len(fields) <= startTimeAfterName {
		return 0, fmt.Errorf("read start time of process %d: %q has too few fields", pid, stat)
	}
	return strconv.ParseUint(fields[startTimeAfterName], 10, 64)
}

// bootID names this boot of the machine: start times count from it.
func bootID() string {
	id, _ := os.ReadFile("/proc/sys/kernel/random/boot_id")
	return strings.TrimSpace(string(id))
}
