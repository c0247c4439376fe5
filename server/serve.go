package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/internal/hub"
	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/internal/problem"
)

// drainTime is how long a hub that is told to end takes to hand over and close.
const drainTime = 15 * time.Second

func serveCommand() *cobra.Command {
	var level string
	c := &cobra.Command{
		Use:   "serve LAB-FILE",
		Short: "Run the hub of a lab",
		Long: `serve runs the hub of a lab until it is told to end.

SIGTERM and Ctrl-C end it in order: drivers hand over what they hold, the record
is closed. SIGHUP reads the lab file again and restarts only what changed.

` + cautions,
		Args: exactly(1, "serve takes one lab file"),
		RunE: func(c *cobra.Command, args []string) error {
			log, err := newLog(level)
			if err != nil {
				return err
			}
			return serve(c.Context(), args[0], log)
		},
	}
	c.Flags().StringVar(&level, "log", "info", "least level of the log on standard error: debug, info, warn or error")
	return c
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

func serve(ctx context.Context, labFile string, log *zap.Logger) error {
	program, err := thisProgram()
	if err != nil {
		return err
	}
	h, err := hub.Start(ctx, hub.Options{
		Load:    func() (*lab.Lab, problem.List) { return lab.Load(labFile, labOptions()) },
		Driver:  driverArgv(program),
		Clock:   clock.Clock{},
		Version: version(),
		Log:     log,
	})
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil // told to end while it was starting
	}
	if err != nil {
		return err
	}
	log.Info("serving", zap.String("grpc", h.GRPC()), zap.String("http", h.HTTP()))
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	for {
		select {
		case <-hangup:
			if _, err := h.Reload(ctx, "SIGHUP"); err != nil {
				log.Error("reload", zap.Error(err))
			}
		case err := <-h.Failed():
			stop(h, log)
			return err
		case <-ctx.Done():
			return stop(h, log)
		}
	}
}

func stop(h *hub.Hub, log *zap.Logger) error {
	log.Info("ending: drivers hand over what they hold")
	ctx, cancel := context.WithTimeout(context.Background(), drainTime)
	defer cancel()
	return h.Stop(ctx)
}
