package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"slices"
	"time"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// followed is what a subscriber process saw.
type followed struct {
	Readings int
	// Readings a second, from the first tenth of the readings to the last.
	PerSecond float64
	// From the driver's stamp to the subscriber, milliseconds.
	P50, P99, P999 float64
}

// followHub is a subscriber process: it follows a hub until it has seen a number
// of readings, and prints what it saw as JSON.
func followHub(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("follow", flag.ContinueOnError)
	hub := flags.String("hub", "", "address of the hub")
	until := flags.Int("until", 0, "readings to wait for")
	now := flags.Bool("now", false, "begin with what comes next, not with the start of the record")
	if err := flags.Parse(args); err != nil {
		return err
	}
	conn, err := follow.Dial(*hub)
	if err != nil {
		return err
	}
	defer conn.Close()
	var saw followed
	var late []time.Duration
	var begin time.Time
	counted := 0
	options := follow.Options{Filter: &pb.EntryFilter{Kinds: []string{"readings"}}}
	if *now {
		if options.From, err = follow.Now(ctx, conn); err != nil {
			return err
		}
	}
	f := follow.New(conn, options)
	for e, err := range f.Entries(ctx) {
		if err != nil {
			return err
		}
		came := time.Now()
		batch := e.GetReadings()
		for row := range batch.Rows() {
			late = append(late, came.Sub(row.At))
		}
		saw.Readings += int(batch.GetCount())
		if begin.IsZero() && saw.Readings >= *until/10 {
			begin, counted = came, saw.Readings
		}
		if saw.Readings >= *until {
			saw.PerSecond = float64(saw.Readings-counted) / came.Sub(begin).Seconds()
			break
		}
	}
	if saw.Readings < *until {
		return fmt.Errorf("follow %s: the stream ended after %d of %d readings", *hub, saw.Readings, *until)
	}
	slices.Sort(late)
	at := func(part float64) float64 {
		return float64(late[int(part*float64(len(late)-1))]) / float64(time.Millisecond)
	}
	saw.P50, saw.P99, saw.P999 = at(0.50), at(0.99), at(0.999)
	return json.NewEncoder(os.Stdout).Encode(saw)
}
