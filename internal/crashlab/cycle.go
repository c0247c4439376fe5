package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/evenbench/evenbench/internal/crashlab/powerfs"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// A cycle takes seconds; one that does not end by then never does.
	cycleTime = 2 * time.Minute
	// A record is read whole after every cycle, so it may not grow for ever: after
	// these many a new lab begins.
	cyclesPerLab = 7
	// With talkers it grows by megabytes in each.
	cyclesPerPowerLab = 8
)

func (h *harness) cyclesPerLab() int {
	if h.power {
		return cyclesPerPowerLab
	}
	return cyclesPerLab
}

// harness runs cycles of faults in one lab after another, or in several at once.
type harness struct {
	program, self string
	dir           string // for labs, one folder each
	seed          uint64
	faults        []fault
	power         bool // each lab has a disk that loses its power
	tally         tally
	// report is told of each cycle; from any goroutine.
	report func(lab, cycle int, name string, faults []string)
}

// run runs cycles, in so many labs at once, until there were enough, something was
// found, or ctx ends.
func (h *harness) run(ctx context.Context, cycles, lanes int) error {
	var work sync.WaitGroup
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var begun atomic.Int64
	for range lanes {
		work.Go(func() {
			var turns []fault
			for {
				lab := int(begun.Add(1))
				n := min(h.cyclesPerLab(), cycles-(lab-1)*h.cyclesPerLab())
				if n <= 0 || ctx.Err() != nil {
					return
				}
				if err := h.lab(ctx, lab, n, &turns); err != nil {
					stop(fmt.Errorf("lab %d: %w", lab, err))
				}
			}
		})
	}
	work.Wait()
	if err := context.Cause(ctx); !errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return nil // the time is over
}

// lab runs cycles in a new lab. It ends with the cycle in which something was found, and
// leaves its folder.
func (h *harness) lab(ctx context.Context, number, cycles int, turns *[]fault) error {
	dir, err := os.MkdirTemp(h.dir, "lab-")
	if err != nil {
		return err
	}
	var disk *powerfs.Disk
	if h.power {
		disk = powerfs.New()
	}
	s, err := newSite(h.program, h.self, dir, disk, rand.New(rand.NewPCG(h.seed, uint64(number))))
	if err != nil {
		return err
	}
	defer s.close()
	for i := 0; i < cycles && ctx.Err() == nil; i++ {
		f := h.next(s.random, turns, i == 0)
		found, err := h.cycle(s, f)
		if err != nil {
			found = append(found, err.Error())
		}
		h.report(number, i+1, f.name, found)
		if len(found) > 0 {
			return fmt.Errorf("cycle %d, %s: %d faults; the lab is in %s", i+1, f.name, len(found), s.dir)
		}
	}
	return h.leave(s)
}

// next returns what goes wrong next. In a new lab it is what hits only such a one, if there
// is anything; else every kind gets its turn, in a random order, in one lab after another.
func (h *harness) next(random *rand.Rand, turns *[]fault, first bool) fault {
	var fresh, others []fault
	for _, f := range h.faults {
		if f.fresh {
			fresh = append(fresh, f)
		} else {
			others = append(others, f)
		}
	}
	if first && len(fresh) > 0 {
		return fresh[random.IntN(len(fresh))]
	}
	if len(*turns) == 0 {
		random.Shuffle(len(others), func(i, j int) { others[i], others[j] = others[j], others[i] })
		*turns = others
	}
	f := (*turns)[0]
	*turns = (*turns)[1:]
	return f
}

// leave ends a lab in order, and proves it once more: with its end, all runs are
// closed.
func (h *harness) leave(s *site) error {
	ctx, cancel := context.WithTimeout(context.Background(), cycleTime)
	defer cancel()
	if err := s.begin(ctx); err != nil {
		return err
	}
	if err := s.end(ctx); err != nil {
		return err
	}
	p, err := s.prove(ctx, nil)
	if err != nil {
		return err
	}
	if len(p.faults) > 0 {
		return fmt.Errorf("after its end in order, %d faults in %s: %s", len(p.faults), s.dir, p.faults[0])
	}
	if kept := s.drivers(); len(kept) > 0 {
		return fmt.Errorf("drivers %v outlive the hub that ended in order in %s", kept, s.dir)
	}
	h.tally.leave(s.sweep())
	if s.disk != nil {
		if err := s.disk.Unmount(); err != nil {
			return err
		}
	}
	return os.RemoveAll(s.dir)
}

// cycle lets all go on, makes something go wrong at a random moment, waits until all
// goes on again, kills the hub and proves the promises.
func (h *harness) cycle(s *site, f fault) (found []string, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), cycleTime)
	defer cancel()
	if !f.fresh {
		if err := s.begin(ctx); err != nil {
			return nil, fmt.Errorf("begin: %w", err)
		}
		if err := sleep(ctx, s.between(0, 500*time.Millisecond)); err != nil {
			return nil, err
		}
	}
	signals, err := f.do(ctx, s)
	if err != nil {
		return nil, fmt.Errorf("do: %w", err)
	}
	if err := s.begin(ctx); err != nil {
		return nil, fmt.Errorf("go on afterwards: %w", err)
	}
	_, codes, _ := s.writer.told()
	records, err := s.records(ctx, codes)
	if err != nil {
		return nil, err
	}
	if err := sleep(ctx, s.between(0, 100*time.Millisecond)); err != nil {
		return nil, err
	}
	s.kill()
	p, err := s.prove(ctx, records)
	if err != nil {
		return nil, err
	}
	gaps := p.gaps[min(s.gaps, len(p.gaps)):]
	for _, g := range gaps {
		if !slices.Contains(f.may, g.GetReason()) {
			p.fault("P3: a gap that this may not cost: %v", g)
		}
	}
	if opened := p.runs - s.runs; opened > 0 && len(f.may) == 0 && !f.newRuns {
		p.fault("P3: %d runs were opened, and every driver should have gone on with its own", opened)
	}
	h.tally.add(f.name, signals+1, p.readings-s.readings, p.runs-s.runs, gaps, len(p.faults))
	s.runs, s.readings, s.gaps = p.runs, p.readings, len(p.gaps)
	return p.faults, nil
}

// prove checks the record of the site, whose hub is gone.
func (s *site) prove(ctx context.Context, records []*pb.SampleRecord) (*proof, error) {
	if s.alive() {
		return nil, errors.New("prove the record: its hub lives")
	}
	answered, _, refused := s.writer.told()
	p, err := prove(ctx, s.ledger(), claims{answered: answered, records: records, seen: s.subscribers, counters: s.counters})
	if err != nil {
		return nil, fmt.Errorf("prove the record: %w", err)
	}
	p.faults = append(p.faults, refused...)
	return p, nil
}
