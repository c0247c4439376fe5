package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/signal"
	"runtime/debug"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/clients/board"
	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/hub"
	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/internal/problem"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// hubGarbage is how much the hub's collector lets lie, in hundredths of what is in use.
// The store packs a full block every now and then, in 20 MB of memory that it needs for a
// second: with Go's own 100 the hub takes 40 MB for that. GOGC in the environment counts
// before this.
const hubGarbage = 50

// drainTime is how long a hub that is told to end takes to hand over and close.
const drainTime = 15 * time.Second

func serveCommand() *cobra.Command {
	var level, simulated string
	c := &cobra.Command{
		Use:   "serve LAB-FILE",
		Short: "Run the hub of a lab",
		Long: `serve runs the hub of a lab until it is told to end.

SIGTERM and Ctrl-C end it in order: drivers hand over what they hold, the record
is closed. SIGHUP reads the lab file again and restarts only what changed. For a
service manager see evenbench unit.

` + cautions,
		Args: exactly(1, "serve takes one lab file"),
		RunE: func(c *cobra.Command, args []string) error {
			log, err := newLog(level)
			if err != nil {
				return err
			}
			labClock, err := parseClock(simulated)
			if err != nil {
				return err
			}
			return serve(c.Context(), args[0], labClock, log)
		},
	}
	c.Flags().StringVar(&level, "log", "info", "least level of the log on standard error: debug, info, warn or error")
	c.Flags().StringVar(&simulated, "clock", "", "for simulated instruments: RATE@TIME, a clock that showed TIME when it was that, and runs RATE times as fast; the record says so for ever")
	cobra.CheckErr(c.Flags().MarkHidden("clock"))
	return c
}

// parseClock reads RATE@TIME; nothing means real time. A hub that goes on with a
// simulated record is given the same again, so that both have one clock.
func parseClock(text string) (clock.Clock, error) {
	if text == "" {
		return clock.Clock{}, nil
	}
	rate, since, _ := strings.Cut(text, "@")
	r, err := strconv.ParseFloat(rate, 64)
	at, timeErr := time.Parse(time.RFC3339, since)
	if err != nil || timeErr != nil || !(r > 0) || math.IsInf(r, 0) {
		return clock.Clock{}, usageError{fmt.Errorf("--clock: %q is not RATE@TIME, such as 60@2026-11-25T09:00:00Z", text)}
	}
	stamp := timestamppb.New(at)
	return clock.FromProto(&pb.LabClock{Real: stamp, Lab: stamp, Rate: r}), nil
}

func newLog(level string) (*zap.Logger, error) {
	parsed, err := zapcore.ParseLevel(level)
	if err != nil {
		return nil, usageError{fmt.Errorf("--log: %q is none of debug, info, warn, error", level)}
	}
	config := zap.NewProductionConfig()
	config.Level = zap.NewAtomicLevelAt(parsed)
	config.EncoderConfig.EncodeTime = zapcore.RFC3339NanoTimeEncoder
	config.DisableStacktrace = true
	config.DisableCaller = true
	return config.Build()
}

func serve(ctx context.Context, labFile string, labClock clock.Clock, log *zap.Logger) error {
	program, err := thisProgram()
	if err != nil {
		return err
	}
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(hubGarbage)
	}
	h, err := hub.Start(ctx, hub.Options{
		Load:    func() (*lab.Lab, problem.List) { return lab.Load(labFile, labOptions()) },
		Driver:  driverArgv(program),
		Clock:   labClock,
		Version: version(),
		Log:     log,
		Pages:   pagesOf(log),
	})
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil // told to end while it was starting
	}
	if err != nil {
		return err
	}
	manager := keeper{log}
	manager.ready(h.GRPC(), h.HTTP())
	watched, unwatch := context.WithCancel(ctx)
	defer unwatch()
	go manager.watch(watched, h.Progress)
	log.Info("serving", zap.String("grpc", h.GRPC()), zap.String("http", h.HTTP()))
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	for {
		select {
		case <-hangup:
			manager.reloading(func() {
				if _, err := h.Reload(ctx, "SIGHUP"); err != nil {
					log.Error("reload", zap.Error(err))
				}
			})
		case err := <-h.Failed():
			manager.stopping()
			stop(h, log)
			return err
		case <-ctx.Done():
			manager.stopping()
			return stop(h, log)
		}
	}
}

// pagesOf returns the pages of a hub: the board.
func pagesOf(log *zap.Logger) func(hub.Door) hub.Pages {
	return func(d hub.Door) hub.Pages {
		return board.New(d.Conn, board.Options{Own: d.Own, Admit: d.Admit, Log: log})
	}
}

func stop(h *hub.Hub, log *zap.Logger) error {
	log.Info("ending: drivers hand over what they hold")
	ctx, cancel := context.WithTimeout(context.Background(), drainTime)
	defer cancel()
	return h.Stop(ctx)
}
