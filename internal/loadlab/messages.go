package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"time"

	"github.com/eclipse/paho.golang/packets"
	"github.com/eclipse/paho.golang/paho"
	"golang.org/x/sync/errgroup"
)

// message is a reading as it is published, in JSON.
type message struct {
	Instrument  string  `json:"instrument"`
	Number      int64   `json:"number"`
	Channel     string  `json:"channel"`
	Taken       int64   `json:"taken_us"` // since 1970
	Said        string  `json:"said"`
	Value       float64 `json:"value"`
	Unit        string  `json:"unit"`
	Uncertainty float64 `json:"uncertainty"`
}

const atLeastOnce = 1 // QoS

// inflight is how many messages may wait for the broker's word, and the subscriber's.
const inflight = 1000

// join connects to the broker; came is called with what is received.
func join(ctx context.Context, address, name string, came func(*paho.Publish)) (*paho.Client, error) {
	conn, err := net.Dial("tcp", address)
	if err != nil {
		return nil, err
	}
	c := paho.NewClient(paho.ClientConfig{
		ClientID: name, Conn: packets.NewThreadSafeConn(conn), PacketTimeout: time.Minute,
		OnPublishReceived: []func(paho.PublishReceived) (bool, error){func(p paho.PublishReceived) (bool, error) {
			came(p.Packet)
			return true, nil
		}},
	})
	expiry, most := uint32(3600), uint16(inflight)
	_, err = c.Connect(ctx, &paho.Connect{
		ClientID: name, CleanStart: false, KeepAlive: 60,
		Properties: &paho.ConnectProperties{SessionExpiryInterval: &expiry, ReceiveMaximum: &most},
	})
	return c, err
}

// putMessages is the process that publishes, with a connection for each instrument.
func putMessages(ctx context.Context, t task) error {
	clients := make([]*paho.Client, t.Load.Instruments)
	for i := range clients {
		var err error
		if clients[i], err = join(ctx, t.Address, fmt.Sprintf("pulse-%d", i+1), func(*paho.Publish) {}); err != nil {
			return err
		}
		defer clients[i].Disconnect(&paho.Disconnect{})
	}
	if err := sayReady(); err != nil {
		return err
	}
	if err := awaitGate(ctx, t.Gate); err != nil {
		return err
	}
	var all errgroup.Group
	for i, c := range clients {
		all.Go(func() error { return putOf(ctx, c, i+1, t.Load.each(i+1)) })
	}
	if err := all.Wait(); err != nil {
		return err
	}
	// What is under way still needs the connections.
	<-ctx.Done()
	return nil
}

func putOf(ctx context.Context, c *paho.Client, number int, b beat) error {
	m := message{Instrument: fmt.Sprintf("pulse-%d", number), Unit: "Cel", Uncertainty: probeUncertainty}
	return b.run(ctx, newProbe(number), func(at time.Time, scan [len(probeChannels)]shown) error {
		for i, v := range scan {
			m.Number++
			m.Channel, m.Taken, m.Said, m.Value = probeChannels[i], at.UnixMicro(), v.text, v.value
			text, err := json.Marshal(m)
			if err != nil {
				return err
			}
			// It blocks while too many are under way.
			if _, err := c.PublishWithOptions(ctx, &paho.Publish{QoS: atLeastOnce, Topic: "readings/" + m.Instrument, Payload: text},
				paho.PublishOptions{Method: paho.PublishMethod_AsyncSend}); err != nil {
				return err
			}
		}
		return nil
	})
}

// takeMessages is the subscriber process.
func takeMessages(ctx context.Context, t task) error {
	l := newTally(t.Until)
	bad := make(chan error, 1)
	c, err := join(ctx, t.Address, "subscriber", func(p *paho.Publish) {
		var m message
		if err := json.Unmarshal(p.Payload, &m); err != nil {
			select {
			case bad <- fmt.Errorf("read message %q: %w", p.Payload, err):
			default:
			}
			return
		}
		l.add(time.UnixMicro(m.Taken), time.Now())
	})
	if err != nil {
		return err
	}
	defer c.Disconnect(&paho.Disconnect{})
	if _, err := c.Subscribe(ctx, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{{Topic: "readings/#", QoS: atLeastOnce}}}); err != nil {
		return err
	}
	if err := sayReady(); err != nil {
		return err
	}
	return report(ctx, t, l, func(ctx context.Context) error {
		select {
		case err := <-bad:
			return err
		case <-c.Done():
			return fmt.Errorf("the broker at %s has gone", t.Address)
		case <-ctx.Done():
			return ctx.Err()
		}
	})
}
