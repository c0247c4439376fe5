package ledger

import "sync"

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

func (e *lastError) get() error {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.err
}
