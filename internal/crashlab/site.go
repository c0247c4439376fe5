package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/evenbench/evenbench/internal/crashlab/powerfs"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// site is a lab at work: a hub on counters, with a writer and subscribers.
type site struct {
	*hub
	disk        *powerfs.Disk // under the hub's data; nil: the machine's own
	random      *rand.Rand
	counters    map[string]*counter // by instrument
	writer      *writer
	subscribers []*subscriber
	ended       map[int]bool // driver processes that were killed or told to end

	stop context.CancelFunc
	work sync.WaitGroup
	// What the record had at the end of the last cycle; at first, the runs with which
	// the lab begins.
	runs, gaps int
	readings   uint64
}

// The instruments: most say much and are kept as traces; each reading of the last
// is a measurement of the sample on its station, so that steps of several entries
// are cut short too.
const (
	traces       = 3
	traceRate    = 200
	spotRate     = 4
	subscribers  = 2
	benchStation = "bench"
)

const counterSheet = `sheet: %s
title: A device that counts its own lines
driver: ascii
talk: {mode: listen}
frame: {line: "\r\n"}
read:
  - match: '^(?P<count>[0-9]+) OF (?P<count_status>[0-9]+)$'
channels:
  count: {quantity: %s, unit: %s, kind: %s%s}
`

// newSite makes a lab in a new folder, with its data on a disk of its own if one is
// given. Nothing of the hub runs yet.
func newSite(program, self, dir string, disk *powerfs.Disk, random *rand.Rand) (_ *site, err error) {
	s := &site{random: random, disk: disk, counters: map[string]*counter{}, ended: map[int]bool{}}
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	var b strings.Builder
	fmt.Fprintf(&b, "stations: [{name: room, kind: room}, {name: %s, kind: bench}]\ninstruments:\n", benchStation)
	add := func(name, station, sheet string, rate float64) error {
		c, err := newCounter(rate)
		if err != nil {
			return err
		}
		s.counters[name] = c
		fmt.Fprintf(&b, "  - {name: %s, station: %s, sheet: ./%s.yaml, link: {tcp: %q}}\n", name, station, sheet, c.address())
		return nil
	}
	for i := range traces {
		if err := add(fmt.Sprintf("trace-%d", i+1), "room", "trace", traceRate); err != nil {
			return nil, err
		}
	}
	if err := add("spot", benchStation, "spot", spotRate); err != nil {
		return nil, err
	}
	err = errors.Join(
		os.WriteFile(filepath.Join(dir, "trace.yaml"), fmt.Appendf(nil, counterSheet, "trace", "temperature", "Cel", "continuous", ""), 0o600),
		os.WriteFile(filepath.Join(dir, "spot.yaml"), fmt.Appendf(nil, counterSheet, "spot", "mass", "g", "spot", ", property: received_mass"), 0o600))
	if err != nil {
		return nil, err
	}
	data := "data"
	if disk != nil {
		data = "disk/data"
		mountpoint := filepath.Join(dir, "disk")
		if err := errors.Join(os.Mkdir(mountpoint, 0o700), disk.Mount(mountpoint)); err != nil {
			return nil, err
		}
	}
	if s.hub, err = newHub(program, dir, data, b.String()); err != nil {
		return nil, err
	}
	for i := range subscribers {
		c := &subscriber{self: self, hub: s.grpc, file: filepath.Join(dir, fmt.Sprintf("subscriber-%d", i+1))}
		if err := c.start(); err != nil {
			return nil, err
		}
		s.subscribers = append(s.subscribers, c)
	}
	s.runs = len(s.counters)
	ctx, cancel := context.WithCancel(context.Background())
	s.stop = cancel
	s.writer = newWriter(s.conn)
	s.work.Go(func() { s.writer.work(ctx) })
	if disk != nil {
		for i := range talkers {
			s.work.Go(func() { s.writer.talk(ctx, i) })
		}
	}
	return s, nil
}

// close ends everything of the site that still runs.
func (s *site) close() {
	if s.stop != nil {
		s.stop()
		s.work.Wait()
	}
	for _, c := range s.subscribers {
		c.kill()
	}
	if s.hub != nil {
		s.hub.close()
	}
	for _, c := range s.counters {
		c.close()
	}
	if s.disk != nil {
		_ = s.disk.Unmount() // the lab is over, and the disk goes with it
	}
}

// begin starts the hub if none runs, and waits until all goes on: every instrument
// has a reading on disk that it had not before, every subscriber has an entry
// that was not there before.
func (s *site) begin(ctx context.Context) error {
	if !s.alive() {
		if err := s.start(); err != nil {
			return err
		}
	}
	if err := s.serving(ctx); err != nil {
		return err
	}
	if err := s.goesOn(ctx); err != nil {
		return err
	}
	info, err := pb.NewRecordServiceClient(s.conn).GetRecordInfo(ctx, &pb.GetRecordInfoRequest{})
	if err != nil {
		return fmt.Errorf("ask how far the record goes: %w", err)
	}
	for _, c := range s.subscribers {
		for {
			_, list, err := c.read()
			if err != nil {
				return err
			}
			if len(list) > 0 && list[len(list)-1].cursor >= info.GetLastCursor() {
				break
			}
			if err := sleep(ctx, 20*time.Millisecond); err != nil {
				return fmt.Errorf("%s does not come to entry %d: %w", filepath.Base(c.file), info.GetLastCursor(), err)
			}
		}
	}
	return nil
}

// goesOn waits until every instrument has stored a further reading, from a driver that
// is to live: what one that was told to end still hands over does not count, nor what
// is left of one that has gone, whose process is 0.
func (s *site) goesOn(ctx context.Context) error {
	gear := pb.NewInstrumentServiceClient(s.conn)
	type place struct {
		run  string
		last uint64
	}
	was := map[string]place{}
	for {
		going := 0
		r, err := gear.ListInstruments(ctx, &pb.ListInstrumentsRequest{})
		if err != nil && ctx.Err() == nil && s.alive() {
			err = nil // it was busy starting
		}
		if err != nil {
			return fmt.Errorf("ask how the instruments are: %w", err)
		}
		for _, in := range r.GetInstruments() {
			is := place{in.GetRun(), in.GetLastNumber()}
			if before, ok := was[in.GetInstrument()]; !ok {
				was[in.GetInstrument()] = is
			} else if pid := int(in.GetProcessId()); pid != 0 && !s.ended[pid] && is.last > 0 && is != before &&
				in.GetState() == pb.InstrumentState_INSTRUMENT_STATE_MEASURING {
				going++
			}
		}
		if going == len(s.counters) {
			return nil
		}
		if err := sleep(ctx, 10*time.Millisecond); err != nil {
			return fmt.Errorf("after a while only %d of %d instruments go on: %v: %w", going, len(s.counters), r.GetInstruments(), err)
		}
	}
}

// records returns the records of samples as the living hub has them.
func (s *site) records(ctx context.Context, codes []string) ([]*pb.SampleRecord, error) {
	client := pb.NewRecordServiceClient(s.conn)
	var list []*pb.SampleRecord
	for _, code := range codes {
		r, err := client.GetSample(ctx, &pb.GetSampleRequest{Sample: code})
		if err != nil {
			return nil, fmt.Errorf("ask for the record of %s: %w", code, err)
		}
		list = append(list, r.GetRecord())
	}
	return list, nil
}

// between returns a random time from least to most.
func (s *site) between(least, most time.Duration) time.Duration {
	return least + time.Duration(s.random.Int64N(int64(most-least)))
}
