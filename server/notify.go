package main

import (
	"context"
	"fmt"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"go.uber.org/zap"
)

// keeper is whoever keeps the hub running, by systemd's protocol (sd_notify): it is told
// when the hub is ready, reads its lab file again, and ends, and that its record moves.
// Where nobody listens, nothing is sent.
type keeper struct{ log *zap.Logger }

func (k keeper) tell(state string) {
	if _, err := daemon.SdNotify(false, state); err != nil {
		k.log.Warn("the service manager cannot be told", zap.String("state", state), zap.Error(err))
	}
}

// ready says that the hub serves, and at which addresses.
func (k keeper) ready(grpc, http string) {
	k.tell(fmt.Sprintf("%s\nSTATUS=serving gRPC on %s, HTTP on %s", daemon.SdNotifyReady, grpc, http))
}

// reloading runs a reload between the two messages that belong to it.
func (k keeper) reloading(reload func()) {
	state := daemon.SdNotifyReloading
	if stamp, err := monotonic(); err == nil {
		// What the newer Type=notify-reload asks for.
		state = fmt.Sprintf("%s\nMONOTONIC_USEC=%d", state, stamp)
	}
	k.tell(state)
	reload()
	k.tell(daemon.SdNotifyReady)
}

func (k keeper) stopping() { k.tell(daemon.SdNotifyStopping) }

// watch answers the service manager's watchdog until ctx ends, if there is one.
func (k keeper) watch(ctx context.Context, progress func() uint64) {
	patience, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		k.log.Warn("the service manager's watchdog cannot be read", zap.Error(err))
	}
	if patience <= 0 {
		return
	}
	// Half of its patience, as sd_watchdog_enabled(3) advises.
	ticker := time.NewTicker(patience / 2)
	defer ticker.Stop()
	keepAlive(ctx, ticker.C, progress, func() { k.tell(daemon.SdNotifyWatchdog) })
}

// keepAlive pings at every tick by which there has been progress since the last one.
// A hub that is there but stuck is not pinged for, and so is started anew.
func keepAlive(ctx context.Context, ticks <-chan time.Time, progress func() uint64, ping func()) {
	last := uint64(0)
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticks:
			if now := progress(); now != last {
				last = now
				ping()
			}
		}
	}
}
