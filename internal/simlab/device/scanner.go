package device

import "time"

// Scanner is a hand-held label scanner: it says each code that it sees.
type Scanner struct{ body }

// NewScanner returns a scanner.
func NewScanner(wire Wire) (*Scanner, error) {
	s := &Scanner{}
	var err error
	s.cable, err = wire(commands(deaf))
	return s, err
}

// Scan reads a label.
func (s *Scanner) Scan(code string) { s.say(code + "\r") }

// Prepare does nothing: a scanner remembers nothing.
func (s *Scanner) Prepare(uint64, time.Time) {}

// Step does nothing: a scanner has no time.
func (s *Scanner) Step(time.Duration, bool) {}
