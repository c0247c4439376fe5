package sdk

import (
	"sync"
	"time"
)

// lease ends a driver that no hub has a Session with for a time (EB-D-03).
type lease struct {
	mu      sync.Mutex
	takers  int
	timer   *time.Timer
	time    time.Duration
	over    bool
	expired func()
}

// newLease starts a lease that nobody has taken yet. Expired is called once, on
// its own goroutine.
func newLease(d time.Duration, expired func()) *lease {
	l := &lease{time: d, expired: expired}
	l.timer = time.AfterFunc(d, l.expire)
	return l
}

func (l *lease) take() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.takers++
	l.timer.Stop()
}

func (l *lease) giveBack() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.takers--
	if l.takers == 0 && !l.over {
		l.timer.Reset(l.time)
	}
}

// end stops the lease: it will not expire any more.
func (l *lease) end() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.over = true
	l.timer.Stop()
}

func (l *lease) expire() {
	l.mu.Lock()
	expired := l.takers == 0 && !l.over
	l.over = l.over || expired
	l.mu.Unlock()
	if expired {
		l.expired()
	}
}
