package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"google.golang.org/grpc"

	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/clients/show"
	"github.com/evenbench/evenbench/internal/hub"
	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/internal/problem"
	"github.com/evenbench/evenbench/internal/simlab"
	"github.com/evenbench/evenbench/internal/simlab/season"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// demo is a bench at work: a simulated lab, its people, and a real hub.
type demo struct {
	seed       uint64
	rate       float64
	length     time.Duration
	data       string
	grpc, http string
	season     bool
	out        *pages
}

func demoCommand() *cobra.Command {
	d := demo{}
	c := &cobra.Command{
		Use:   "demo",
		Short: "Watch the hub at work in a simulated lab",
		Long: `demo runs a simulated lab with four drums: instruments that speak their real
protocols, people who weigh, queue, roast and read colour, and some things that go
wrong. The hub, its drivers and the record are the real ones; ask them with
evenctl while the demo runs. Lab time passes 60 times as fast as real time.

` + cautions,
		Args: exactly(0, "demo takes no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			if d.season {
				return season.Write(c.OutOrStdout(), seasons)
			}
			d.out = &pages{w: c.OutOrStdout()}
			return d.run(c.Context())
		},
	}
	f := c.Flags()
	f.Uint64Var(&d.seed, "seed", 1, "the same seed gives the same samples, masses, roasts and mishaps")
	f.Float64Var(&d.rate, "rate", 60, "lab seconds per real second")
	f.DurationVar(&d.length, "for", 0, "end after this much real time, with a table of the samples; 0: when the day's work is done")
	f.BoolVar(&d.season, "season", false, "play two weeks at once instead, some times over, without a hub to ask: a table of its rankings against the truth")
	f.StringVar(&d.data, "data", "", "folder for the record; it must be new or empty (default evenbench-data/demo-TIME)")
	f.StringVar(&d.grpc, "grpc", "127.0.0.1:7413", "address to serve gRPC on")
	f.StringVar(&d.http, "http", "127.0.0.1:7414", "address to serve JSON over HTTP on")
	return c
}

// seasons are played for the table, which takes less than a minute.
const seasons = 6

func (d *demo) run(ctx context.Context) error {
	if err := d.makeData(); err != nil {
		return err
	}
	bench, err := simlab.Start(ctx, simlab.Options{Seed: d.seed, Rate: d.rate})
	if err != nil {
		return err
	}
	defer bench.Stop()
	h, err := d.startHub(ctx, bench)
	if err != nil {
		return err
	}
	fmt.Fprintf(d.out, "%s\n\nThe record is in %s. While this runs, open http://%s/board/ in a browser, or:\n  go run ./clients/evenctl --hub %s samples\n  curl http://%s/v1/stations\n\n",
		cautions, d.data, h.HTTP(), h.GRPC(), h.HTTP())
	err = d.watch(ctx, bench, h)
	stopping, cancel := context.WithTimeout(context.Background(), drainTime)
	defer cancel()
	return errors.Join(err, h.Stop(stopping))
}

func (d *demo) makeData() error {
	if d.data == "" {
		d.data = filepath.Join("evenbench-data", "demo-"+time.Now().Format("20060102-150405"))
	}
	path, err := filepath.Abs(d.data)
	if err != nil {
		return fmt.Errorf("find the folder %s: %w", d.data, err)
	}
	if have, _ := os.ReadDir(path); len(have) > 0 {
		return usageError{fmt.Errorf("--data: %s is not empty: the demo begins a new record in a new folder", path)}
	}
	d.data = path
	return os.MkdirAll(path, 0o700)
}

func (d *demo) startHub(ctx context.Context, bench *simlab.Lab) (*hub.Hub, error) {
	labFile := filepath.Join(d.data, "lab.yaml")
	if err := os.WriteFile(labFile, []byte(bench.LabFile(d.data, d.grpc, d.http)), 0o600); err != nil {
		return nil, fmt.Errorf("write the demo's lab file: %w", err)
	}
	program, err := thisProgram()
	if err != nil {
		return nil, err
	}
	log, err := fileLog(filepath.Join(d.data, "hub.log"))
	if err != nil {
		return nil, err
	}
	return hub.Start(ctx, hub.Options{
		Load:   func() (*lab.Lab, problem.List) { return lab.Load(labFile, labOptions()) },
		Driver: driverArgv(program), Clock: bench.Clock(), Version: version(), Log: log, Pages: pagesOf(log),
	})
}

func fileLog(path string) (*zap.Logger, error) {
	config := zap.NewProductionConfig()
	config.OutputPaths = []string{path}
	config.DisableStacktrace = true
	config.DisableCaller = true
	log, err := config.Build()
	if err != nil {
		return nil, fmt.Errorf("open the hub's log: %w", err)
	}
	return log, nil
}

// watch lets the people work and tells what is recorded, until the day's work or
// the time is over; then it prints the samples.
func (d *demo) watch(ctx context.Context, bench *simlab.Lab, h *hub.Hub) error {
	conn, err := follow.Dial(h.GRPC())
	if err != nil {
		return err
	}
	defer conn.Close()
	work, cancel := context.WithCancel(ctx)
	if d.length > 0 {
		work, cancel = context.WithTimeout(ctx, d.length)
	}
	defer cancel()
	var telling sync.WaitGroup
	telling.Go(func() { tell(work, conn, d.out) })
	worked := bench.Work(work, conn, func(line string) {
		fmt.Fprintln(d.out, line)
	})
	cancel()
	telling.Wait()
	return errors.Join(worked, d.table(conn))
}

// table prints the samples as they stand.
func (d *demo) table(conn grpc.ClientConnInterface) error {
	ctx, cancel := context.WithTimeout(context.Background(), drainTime)
	defer cancel()
	page, err := pb.NewRecordServiceClient(conn).ListSamples(ctx, &pb.ListSamplesRequest{PageSize: 500})
	if err != nil {
		return fmt.Errorf("list the samples: %w", err)
	}
	fmt.Fprintln(d.out)
	style := show.Style{Zone: time.UTC}
	if err := style.Samples(d.out, page.GetRecords()); err != nil {
		return err
	}
	fmt.Fprintln(d.out)
	if err := style.Verdicts(d.out, page.GetRecords()); err != nil {
		return err
	}
	fmt.Fprintf(d.out, "\nThe record stays in %s; check it with\n  go run ./clients/evenctl audit --ledger %s\n",
		d.data, filepath.Join(d.data, "ledger"))
	return nil
}
