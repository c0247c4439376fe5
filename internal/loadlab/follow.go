package main

import (
	"context"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// followHub is a subscriber process of a hub, from the start of its record.
func followHub(ctx context.Context, t task) error {
	l := newTally(t.Until * t.Subscribers)
	if err := sayReady(); err != nil {
		return err
	}
	return report(ctx, t, l, func(ctx context.Context) error {
		var all errgroup.Group
		for range t.Subscribers {
			all.Go(func() error { return followOnce(ctx, t.Address, l) })
		}
		return all.Wait()
	})
}

func followOnce(ctx context.Context, address string, l *tally) error {
	conn, err := follow.Dial(address)
	if err != nil {
		return err
	}
	defer conn.Close()
	f := follow.New(conn, follow.Options{Filter: &pb.EntryFilter{Kinds: []string{"readings"}}})
	for e, err := range f.Entries(ctx) {
		if err != nil {
			return err
		}
		came := time.Now()
		for row := range e.GetReadings().Rows() {
			l.add(row.At, came)
		}
	}
	return nil
}
