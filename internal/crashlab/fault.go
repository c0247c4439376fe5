package main

import (
	"context"
	"maps"
	"slices"
	"syscall"
	"time"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// fault is one kind of thing that goes wrong.
type fault struct {
	name string
	// do makes it go wrong, and returns how many signals it took.
	do func(context.Context, *site) (signals int, err error)
	// may are the gaps that it may cost. A fault that costs none may not cost a run
	// either: every driver goes on as if nothing had happened.
	may []pb.GapReason
	// newRuns: runs end and others begin, without a gap.
	newRuns bool
	// fresh: it hits a lab whose hub has never run.
	fresh bool
}

var lost = []pb.GapReason{pb.GapReason_GAP_REASON_DRIVER_LOST}

// faults are all kinds. Besides, each cycle ends with a SIGKILL of the hub.
var faults = []fault{
	{name: "hub killed", do: func(_ context.Context, s *site) (int, error) {
		s.kill()
		return 1, nil
	}},
	{name: "hub killed while it starts, three times", do: killStarting},
	{name: "hub stopped and continued", do: func(ctx context.Context, s *site) (int, error) {
		return 2, s.pause(ctx, s.command.Process.Pid, s.between(100*time.Millisecond, 2*time.Second))
	}},
	{name: "hub told to end", newRuns: true, may: []pb.GapReason{pb.GapReason_GAP_REASON_STOPPED}, do: func(ctx context.Context, s *site) (int, error) {
		return 1, s.end(ctx)
	}},
	{name: "a driver killed", may: lost, do: func(_ context.Context, s *site) (int, error) {
		return s.killDrivers(1), nil
	}},
	{name: "all drivers killed", may: lost, do: func(_ context.Context, s *site) (int, error) {
		return s.killDrivers(len(s.counters)), nil
	}},
	{name: "a driver stopped and continued", do: func(ctx context.Context, s *site) (int, error) {
		pids := slices.Sorted(maps.Values(s.drivers()))
		if len(pids) == 0 {
			return 0, nil
		}
		// Shorter than the hub takes to call it hung.
		return 2, s.pause(ctx, pids[s.random.IntN(len(pids))], s.between(100*time.Millisecond, 1500*time.Millisecond))
	}},
	{name: "a driver told to end", may: lost, do: func(_ context.Context, s *site) (int, error) {
		return s.signalDrivers(1, syscall.SIGTERM), nil
	}},
	{name: "a driver killed, then the hub", may: lost, do: func(ctx context.Context, s *site) (int, error) {
		n := s.killDrivers(1)
		err := sleep(ctx, s.between(0, 100*time.Millisecond))
		s.kill()
		return n + 1, err
	}},
	{name: "the hub killed, then a driver", may: lost, do: func(ctx context.Context, s *site) (int, error) {
		s.kill()
		err := sleep(ctx, s.between(0, 300*time.Millisecond))
		return 1 + s.killDrivers(1), err
	}},
	{name: "a subscriber killed", do: func(_ context.Context, s *site) (int, error) {
		c := s.subscribers[s.random.IntN(len(s.subscribers))]
		c.kill()
		return 1, c.start()
	}},
	{name: "a subscriber stopped and continued, the hub killed between", do: func(ctx context.Context, s *site) (int, error) {
		pid := s.subscribers[s.random.IntN(len(s.subscribers))].command.Process.Pid
		if err := syscall.Kill(pid, syscall.SIGSTOP); err != nil {
			return 0, err
		}
		err := sleep(ctx, s.between(0, 300*time.Millisecond))
		s.kill()
		_ = syscall.Kill(pid, syscall.SIGCONT)
		return 3, err
	}},
}

// killStarting kills the hub, and then the next ones while they open the record, take
// up the drivers or begin to serve.
func killStarting(ctx context.Context, s *site) (int, error) {
	s.kill()
	signals := 1
	for range 3 {
		if err := s.start(); err != nil {
			return signals, err
		}
		if err := sleep(ctx, s.between(0, 400*time.Millisecond)); err != nil {
			return signals, err
		}
		s.kill()
		signals++
	}
	return signals, nil
}

// pause stops a process and continues it after a time.
func (s *site) pause(ctx context.Context, pid int, d time.Duration) error {
	if err := syscall.Kill(pid, syscall.SIGSTOP); err != nil {
		return err
	}
	err := sleep(ctx, d)
	_ = syscall.Kill(pid, syscall.SIGCONT)
	return err
}

func (s *site) killDrivers(n int) int { return s.signalDrivers(n, syscall.SIGKILL) }

// signalDrivers sends a signal to some drivers, and returns to how many.
func (s *site) signalDrivers(n int, signal syscall.Signal) int {
	pids := slices.Sorted(maps.Values(s.drivers()))
	s.random.Shuffle(len(pids), func(i, j int) { pids[i], pids[j] = pids[j], pids[i] })
	sent := 0
	for _, pid := range pids[:min(n, len(pids))] {
		if syscall.Kill(pid, signal) == nil {
			s.ended[pid] = true
			sent++
		}
	}
	return sent
}
