package main_test

import (
	"context"
	"fmt"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.golang/paho"

	"github.com/evenbench/evenbench/internal/peers"
	"github.com/evenbench/evenbench/plugins/sdk/drivertest"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// lead is the cable to a peer: what connects to it is connected with the peer, until it
// is unplugged.
type lead struct {
	to, address string

	mu       sync.Mutex
	listener net.Listener
	ends     map[net.Conn]bool // both of each connection
	serving  sync.WaitGroup
}

// leadTo returns a lead that is plugged in until the test ends.
func leadTo(t *testing.T, peer string) *lead {
	t.Helper()
	l := &lead{to: peer, address: "127.0.0.1:0", ends: map[net.Conn]bool{}}
	if err := l.plug(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		l.unplug()
		l.serving.Wait()
	})
	return l
}

func (l *lead) plug() (err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.listener, err = net.Listen("tcp", l.address); err != nil {
		return err
	}
	listener := l.listener
	l.address = listener.Addr().String()
	l.serving.Go(func() {
		for {
			near, err := listener.Accept()
			if err != nil {
				return
			}
			if far, err := net.Dial("tcp", l.to); err != nil || !l.join(listener, near, far) {
				_ = near.Close()
			}
		}
	})
	return nil
}

// join connects two ends, unless the lead was unplugged meanwhile. Each end is told
// when the other has no more to say, and is let go of when both have not: so the lead is
// connected until the peer knows that it is not.
func (l *lead) join(listener net.Listener, near, far net.Conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.listener != listener {
		_ = far.Close()
		return false
	}
	l.ends[near], l.ends[far] = true, true
	var ways sync.WaitGroup
	for from, to := range map[net.Conn]net.Conn{near: far, far: near} {
		ways.Go(func() {
			_, _ = io.Copy(to, from)
			_ = to.(*net.TCPConn).CloseWrite()
		})
	}
	l.serving.Go(func() {
		ways.Wait()
		l.mu.Lock()
		defer l.mu.Unlock()
		for _, end := range []net.Conn{near, far} {
			delete(l.ends, end)
			_ = end.Close()
		}
	})
	return true
}

func (l *lead) unplug() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.listener == nil {
		return
	}
	_ = l.listener.Close()
	l.listener = nil
	for end := range l.ends {
		_ = end.Close()
	}
}

func (l *lead) connected() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.ends) / 2
}

// onBroker is a node that publishes to a broker of another's making.
func onBroker(t *testing.T) drivertest.Options {
	// The broker drops what a subscriber has not taken in time, if it is not told to keep it.
	broker := peers.Mosquitto(t, "allow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 0")
	conn := must(net.Dial("tcp", broker.Address))
	node := paho.NewClient(paho.ClientConfig{Conn: conn})
	must(node.Connect(t.Context(), &paho.Connect{ClientID: "node", CleanStart: true}))
	t.Cleanup(func() { _ = node.Disconnect(&paho.Disconnect{}) })
	publish := func(ctx context.Context, payload string) error {
		for {
			answer, err := node.Publish(ctx, &paho.Publish{Topic: "lab/air/temperature", QoS: 1, Payload: []byte(payload)})
			// A message that nobody has subscribed to reaches nobody (MQTT 5.0, table 3-4).
			const nobody = 0x10
			if err != nil || answer.ReasonCode != nobody {
				return err
			}
			select {
			case <-time.After(5 * time.Millisecond):
			case <-ctx.Done():
				return fmt.Errorf("nobody has subscribed: %w", ctx.Err())
			}
		}
	}
	wire, given := leadTo(t, broker.Address), 0
	return drivertest.Options{
		Sheet: map[string]any{
			"topics":   []any{map[string]any{"topic": "temperature", "read": []any{map[string]any{"channel": "air"}}}},
			"channels": map[string]any{"air": map[string]any{"quantity": "temperature", "unit": "Cel", "kind": "continuous"}},
		},
		Device: drivertest.Device{
			Link: map[string]any{"mqtt": wire.address, "under": "lab/air"},
			Most: 4_000,
			Say: func(ctx context.Context, _ pb.DriverServiceClient, n int) error {
				for range n {
					given++
					if err := publish(ctx, fmt.Sprintf("%d.5", given%100)); err != nil {
						return err
					}
				}
				return nil
			},
			Given:     func() int { return given },
			Garble:    func(ctx context.Context) error { return publish(ctx, "garbage") },
			Unplug:    wire.unplug,
			Plug:      wire.plug,
			Connected: wire.connected,
		},
	}
}

// onServer is an OPC UA server of another's making, one of whose nodes is renewed all
// the time.
func onServer(t *testing.T) drivertest.Options {
	const every = 60 * time.Millisecond // a little more than the server samples at
	server := peers.OPCUA(t)
	server.Set(peers.Value{Node: "Air.Temperature", Value: 21.5, EveryMs: int(every.Milliseconds())})
	wire := leadTo(t, "127.0.0.1:"+server.Port)
	node := func(channel, name string) map[string]any {
		return map[string]any{"channel": channel, "node": "nsu=urn:evenbench:climate;s=" + name}
	}
	// Server and driver may both be kept waiting: a few readings at a time, with time.
	device := drivertest.Elsewhere(map[string]any{"opcua": "opc.tcp://" + wire.address}, 4*every)
	device.Most = 5
	// A good value that there is none of.
	device.Garble = func(context.Context) error {
		server.Set(peers.Value{Node: "Air.Humidity"})
		return nil
	}
	device.Unplug, device.Plug, device.Connected = wire.unplug, wire.plug, wire.connected
	return drivertest.Options{
		Sheet: map[string]any{
			"talk":  map[string]any{"every": "50ms"},
			"nodes": []any{node("temperature", "Air.Temperature"), node("humidity", "Air.Humidity")},
			"channels": map[string]any{
				"temperature": map[string]any{"quantity": "temperature", "unit": "Cel", "kind": "continuous"},
				"humidity":    map[string]any{"quantity": "relative_humidity", "unit": "%", "kind": "continuous"},
			},
		},
		Device: device,
	}
}
