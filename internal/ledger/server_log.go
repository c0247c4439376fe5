package ledger

import (
	"errors"
	"fmt"
	"sync"

	"go.uber.org/zap"
)

// serverLog passes what the server has to say to the hub's log, and keeps its
// last complaint to explain an error with.
type serverLog struct {
	log  *zap.Logger
	last lastError
	// complained has something in it after the server logged an error.
	complained chan struct{}
}

func newServerLog(log *zap.Logger) *serverLog {
	return &serverLog{log: log, complained: make(chan struct{}, 1)}
}

func (l *serverLog) Noticef(string, ...any) {}
func (l *serverLog) Debugf(string, ...any)  {}
func (l *serverLog) Tracef(string, ...any)  {}

func (l *serverLog) Warnf(format string, args ...any) {
	l.log.Warn("store", zap.String("says", fmt.Sprintf(format, args...)))
}

func (l *serverLog) Errorf(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	l.last.set(errors.New(text))
	select {
	case l.complained <- struct{}{}:
	default:
	}
	l.log.Error("store", zap.String("says", text))
}

func (l *serverLog) Fatalf(format string, args ...any) { l.Errorf(format, args...) }

// forget lets go of earlier complaints, of a server that is gone.
func (l *serverLog) forget() {
	l.last.set(nil)
	select {
	case <-l.complained:
	default:
	}
}

// orElse returns the server's last complaint, or text if it had none.
func (l *serverLog) orElse(text string) error {
	if err := l.last.get(); err != nil {
		return err
	}
	return errors.New(text)
}

// lastError holds an error that one goroutine sets and others read.
type lastError struct {
	mu  sync.Mutex
	err error
}

func (e *lastError) set(err error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.err = err
}

// first sets an error where there is none, and says whether there was.
func (e *lastError) first(err error) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.err != nil {
		return false
	}
	e.err = err
	return true
}

func (e *lastError) get() error {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.err
}
