package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
)

func mosquittoWay() way {
	return way{
		name:  "Mosquitto",
		about: "QoS 1 with persistence, one message a reading, a subscriber with a session; the broker writes its file once a second without a sync, and keeps nothing that has been delivered",
		most:  60_000,
		missing: func() error {
			_, err := mosquittoProgram()
			return err
		},
		open: func(ctx context.Context, p place, l load) (keeper, error) {
			k := &mosquitto{place: p}
			return k, k.open(ctx, l)
		},
	}
}

func mosquittoProgram() (string, error) {
	const debian = "/usr/sbin/mosquitto" // which is not in everybody's PATH
	if _, err := os.Stat(debian); err == nil {
		return debian, nil
	}
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		return "", errors.New("mosquitto is not installed: apt-get install mosquitto")
	}
	return path, nil
}

// mosquitto is a broker and the process that publishes to it.
type mosquitto struct {
	place
	server, writer *child
	address        string
}

// mosquittoSettings keep it in a folder, and lift the limits that would drop messages
// or hold them back.
const mosquittoSettings = `listener %s 127.0.0.1
allow_anonymous true
user root
persistence true
persistence_location %s/
autosave_interval 1
max_queued_messages 0
max_queued_bytes 0
max_inflight_messages 1000
set_tcp_nodelay true
log_type error
log_type warning
`

func (k *mosquitto) open(ctx context.Context, l load) error {
	address, err := freeAddresses(1)
	if err != nil {
		return err
	}
	k.address = address[0]
	_, port, _ := net.SplitHostPort(k.address)
	settings := filepath.Join(k.dir, "mosquitto.conf")
	if err := os.Mkdir(k.store(), 0o700); err != nil {
		return err
	}
	if err := os.WriteFile(settings, fmt.Appendf(nil, mosquittoSettings, port, k.store()), 0o600); err != nil {
		return err
	}
	program, err := mosquittoProgram()
	if err != nil {
		return err
	}
	if k.server, err = start(exec.Command(program, "-c", settings), false); err != nil {
		return err
	}
	if err := awaitServer(ctx, k.address); err != nil {
		return fmt.Errorf("%w\n%s", err, k.server.stderr)
	}
	k.writer, err = k.bench.role(ctx, "mqtt-put", task{Address: k.address, Gate: k.gate(), Load: l})
	return err
}

func (k *mosquitto) store() string { return filepath.Join(k.dir, "store") }

func (k *mosquitto) Subscribe(ctx context.Context, t task) (*child, error) {
	t.Address = k.address
	return k.bench.role(ctx, "mqtt-take", t)
}

func (k *mosquitto) Size(context.Context) (int64, error) { return -1, nil }

func (k *mosquitto) Memory() (int64, error) { return memoryOf(k.server.pid()) }

func (k *mosquitto) Stop() error { return errors.Join(k.writer.stop(), k.server.stop()) }
