package main

import (
	"context"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// followHub is a subscriber process of a hub, from the start of its record. It is ready
// when it has everything that was there.
func followHub(ctx context.Context, t task) error {
	l := newTally(t.Until * t.Subscribers)
	caught := make(chan struct{}, t.Subscribers)
	all, following := errgroup.WithContext(ctx)
	for range t.Subscribers {
		all.Go(func() error { return followOnce(following, t.Address, l, caught) })
	}
	for range t.Subscribers {
		select {
		case <-caught:
		case <-following.Done():
			return all.Wait()
		}
	}
	if err := sayReady(); err != nil {
		return err
	}
	return report(ctx, t, l, func(context.Context) error { return all.Wait() })
}

func followOnce(ctx context.Context, address string, l *tally, caught chan<- struct{}) error {
	conn, err := follow.Dial(address)
	if err != nil {
		return err
	}
	defer conn.Close()
	f := follow.New(conn, follow.Options{Filter: &pb.EntryFilter{Kinds: []string{"readings"}}})
	waiting := true
	for m, err := range f.Messages(ctx) {
		if err != nil {
			return err
		}
		came := time.Now()
		for _, e := range m.GetEntries() {
			for row := range e.GetReadings().Rows() {
				l.add(row.At, came)
			}
		}
		if waiting && m.GetCaughtUp() {
			waiting = false
			caught <- struct{}{}
		}
	}
	return nil
}
