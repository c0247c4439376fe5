package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"github.com/evenbench/evenbench/internal/crashlab/powerfs"
	"github.com/evenbench/evenbench/internal/ledger"
)

// powerFaults are all ways to lose power. The drivers go with the hub; what is not on
// the machine, the devices, the writers and the subscribers, goes on.
var powerFaults = []fault{
	{name: "power lost, and all that was not synced", may: lost, do: cutting(powerfs.LoseAll)},
	{name: "power lost, and the last of what was not synced", may: lost, do: cutting(powerfs.KeepFirst)},
	{name: "power lost, and some of what was not synced", may: lost, do: cutting(powerfs.KeepSome)},
	{name: "power lost as a block begins", may: lost, do: cutAtBlock},
	{name: "power lost after a jam", may: lost, do: cutAfterJam},
	{name: "power lost while the hub starts, three times", may: lost, do: cutStarting},
	{name: "hub told to end, then power lost", may: lost, newRuns: true, do: func(ctx context.Context, s *site) (int, error) {
		if err := s.end(ctx); err != nil {
			return 0, err
		}
		return 1, s.losePower(ctx, s.anyLoss())
	}},
	{name: "power lost at once in a new lab, three times", fresh: true, may: lost, do: cutNew},
}

func (s *site) anyLoss() powerfs.Loss { return powerfs.Losses[s.random.IntN(len(powerfs.Losses))] }

// losePower takes the power from the machine: the disk at one moment, so that no process
// has anything on it that it did not have then, and all processes of the lab.
// Then it gives the power back and looks at what is left, before any hub does.
func (s *site) losePower(ctx context.Context, loss powerfs.Loss) error {
	before := s.writer.lastAnswered()
	s.disk.Cut(s.random, loss)
	s.kill()
	s.sweep()
	last := s.writer.lastAnswered()
	if err := errors.Join(s.disk.Unmount(), s.disk.Mount(filepath.Dir(s.data))); err != nil {
		return err
	}
	if last == 0 {
		return nil // of what nobody was told, nothing need be there
	}
	audit, err := ledger.Audit(ctx, s.ledger())
	if err != nil {
		return fmt.Errorf("after the power was lost: %w", err)
	}
	if !audit.GetUnbroken() || audit.GetEntries() < last {
		return fmt.Errorf("P2: entry %d was answered, %d before the power was lost; then the record has %d entries, and its audit says %v",
			last, before, audit.GetEntries(), audit.GetFaults())
	}
	return nil
}

// cutting cuts the power while all goes on.
func cutting(loss powerfs.Loss) func(context.Context, *site) (int, error) {
	return func(ctx context.Context, s *site) (int, error) { return 1, s.losePower(ctx, loss) }
}

// cutAtBlock cuts the power just after the store has begun a new block file: while the
// one before is compressed, and its own name may not be durable yet.
func cutAtBlock(ctx context.Context, s *site) (int, error) {
	number := func() int {
		files, _ := filepath.Glob(filepath.Join(s.ledger(), "jetstream", "*", "streams", "*", "msgs", "*.blk"))
		return len(files)
	}
	for was := number(); number() == was; {
		if err := sleep(ctx, time.Millisecond); err != nil {
			return 0, fmt.Errorf("no block was begun: %w", err)
		}
	}
	if err := sleep(ctx, s.between(0, 200*time.Millisecond)); err != nil {
		return 0, err
	}
	return 1, s.losePower(ctx, s.anyLoss())
}

// cutAfterJam stops the hub until much is waiting for it, lets it go on, and cuts the power
// in the middle of the large groups that it then stores.
func cutAfterJam(ctx context.Context, s *site) (int, error) {
	if err := s.pause(ctx, s.command.Process.Pid, s.between(500*time.Millisecond, 1500*time.Millisecond)); err != nil {
		return 0, err
	}
	if err := sleep(ctx, s.between(0, 50*time.Millisecond)); err != nil {
		return 0, err
	}
	return 3, s.losePower(ctx, s.anyLoss())
}

// cutStarting cuts the power, and then again while the next hubs open the record.
func cutStarting(ctx context.Context, s *site) (int, error) {
	for range 3 {
		if err := s.losePower(ctx, s.anyLoss()); err != nil {
			return 0, err
		}
		if err := s.start(); err != nil {
			return 0, err
		}
		if err := sleep(ctx, s.between(0, 400*time.Millisecond)); err != nil {
			return 0, err
		}
	}
	return 4, s.losePower(ctx, s.anyLoss())
}

// cutNew cuts the power in a new lab, before or just after the first entry.
func cutNew(ctx context.Context, s *site) (int, error) {
	for range 3 {
		if err := s.start(); err != nil {
			return 0, err
		}
		if err := sleep(ctx, s.between(0, 400*time.Millisecond)); err != nil {
			return 0, err
		}
		if err := s.losePower(ctx, s.anyLoss()); err != nil {
			return 0, err
		}
	}
	return 3, nil
}
