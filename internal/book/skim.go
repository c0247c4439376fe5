package book

import (
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ErrUnsure says that a Skim has left out what it should not have: the record must be
// folded by a Replay.
var ErrUnsure = errors.New("what a drum shows cannot be told from its last roasts alone")

// Skim folds a ledger from its start and comes to the same book as Replay, in a small
// part of the time. It leaves out what no longer matters once the fold is at the end:
//
//   - what follows from an entry is recorded after it, and is worked out anew only for
//     the last step, of which some may be owed;
//   - of the readings of a drum only those since the end of the roast before the last
//     are followed, see pending.
//
// The zero value is not usable; see NewSkim.
type Skim struct {
	Book *Book
	// The step that may be the last one: its readings, if it begins with some that
	// wait, and the entries after them.
	waits *run
	step  []*pb.Entry
	runs  map[string]*run // by instrument and run
	key   []byte
}

// NewSkim returns a Skim that is before the first entry.
func NewSkim() *Skim { return &Skim{Book: New(), runs: map[string]*run{}} }

// Last returns the cursor of the last entry that was folded in.
func (s *Skim) Last() uint64 {
	if n := len(s.step); n > 0 {
		return s.step[n-1].GetCursor()
	}
	return s.Book.Last()
}

// Apply folds in the next entry. The book keeps references into it.
func (s *Skim) Apply(e *pb.Entry) error {
	if err := s.endStep(e.GetCause()); err != nil {
		return err
	}
	s.step = append(s.step, e)
	return nil
}

// Readings folds in the next entry, which is readings: its heading and its stored bytes.
// Nothing of them is kept after the call.
func (s *Skim) Readings(h pb.Heading, stored []byte) error {
	r := s.run(h)
	if h.Cause != 0 || r == nil || !r.plain && !r.probes {
		e := new(pb.Entry)
		if err := proto.Unmarshal(stored, e); err != nil {
			return fmt.Errorf("parse entry %d: %w", h.Cursor, err)
		}
		return s.Apply(e)
	}
	if err := s.endStep(h.Cause); err != nil {
		return err
	}
	b := s.Book
	b.begin(h.Cursor, h.Cause, h.RecordedAt)
	if h.Count == 0 {
		return nil
	}
	b.account(r, h.FirstNumber, h.Count, h.Start, h.StartElapsedUs)
	if r.drum == nil || r.drum.tracker == nil {
		return nil
	}
	r.noteRoast()
	s.waits = r
	return r.drum.wait(r, h)
}

// endStep folds in the step before, of which all is known now, if the next entry begins
// another.
func (s *Skim) endStep(cause uint64) error {
	if cause != 0 {
		return nil
	}
	s.Book.skims = true
	for _, e := range s.step {
		s.Book.Apply(e)
	}
	s.Book.skims = false
	clear(s.step)
	s.step, s.waits = s.step[:0], nil
	return s.Book.unsure
}

// run finds the run of a batch. A run's name is never used again.
func (s *Skim) run(h pb.Heading) *run {
	s.key = append(append(append(s.key[:0], h.Instrument...), 0), h.Run...)
	r := s.runs[string(s.key)]
	if r == nil {
		if len(s.step) > 0 { // the run may be opened in it
			if s.endStep(h.Cause) != nil {
				return nil
			}
		}
		if r = s.Book.runs[runKey{string(h.Instrument), string(h.Run)}]; r != nil {
			s.runs[string(s.key)] = r
		}
	}
	return r
}

// Finish folds in the last step and returns what is owed of it, see Replay. The Skim must
// not be used after. With ErrUnsure nothing that it has come to may be used.
//
// Ready, if it is not nil, is called with the last step before it is folded in: it lends the
// book the curves that a calibration makes anew.
func (s *Skim) Finish(ready func(step []*pb.Entry) error) ([]*pb.Entry, error) {
	var batch *pb.ReadingBatch
	if s.waits != nil {
		var err error
		if batch, err = s.waits.drum.takeBack(); err != nil {
			return nil, err
		}
	}
	for _, r := range s.Book.runs {
		if r.drum != nil {
			if err := r.drum.catchUp(); err != nil {
				return nil, err
			}
		}
	}
	if ready != nil {
		if err := ready(s.step); err != nil {
			return nil, err
		}
	}
	last := Replay{Book: s.Book}
	if batch != nil {
		s.waits.noteRoast()
		s.Book.look(s.waits, batch)
		last.owed, s.Book.drafts = s.Book.drafts, nil
	}
	for _, e := range s.step {
		last.Apply(e)
	}
	return last.Owed(), nil
}
