package mqtt

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/eclipse/paho.golang/paho"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// keepAlive is how often the broker is asked for a sign of life when nothing
	// else comes, in seconds.
	keepAlive = 20
	// packetTimeout is how long the broker may take to answer.
	packetTimeout = 10 * time.Second
	// mostUnanswered messages that the broker may send ahead.
	mostUnanswered = 64
)

// Device is one instrument that publishes to a broker.
type Device struct {
	sheet  *Sheet
	broker broker
	clock  clock.Clock
	out    sdk.Out

	// topics by their names at the broker, and the one that says whether the device
	// is there; empty: none does.
	topics       map[string]*topic
	availability string

	complaints *sdk.Complaints
}

// Channels implements sdk.Device.
func (d *Device) Channels() []*pb.Channel { return sheet.Announced(d.sheet.channels) }

// Act implements sdk.Device: nothing can be asked over a broker.
func (d *Device) Act(context.Context, sdk.Act) (string, error) { return "", sdk.ErrUnsupported }

// Run implements sdk.Device.
func (d *Device) Run(ctx context.Context, out sdk.Out) error {
	d.out = out
	d.complaints = sdk.NewComplaints(out)
	if d.broker.inTheClear() {
		out.Log("warn", fmt.Sprintf("the password for %v goes over the network in the clear: use TLS", d.broker))
	}
	sdk.Connect(ctx, out, d.broker.String(), d.serve, sdk.Rest)
	return nil
}

// serve takes what the broker sends until the connection fails or ctx ends. It
// tells whether the broker took the subscriptions.
func (d *Device) serve(ctx context.Context) (subscribed bool, err error) {
	conn, err := d.broker.dial(ctx)
	if err != nil {
		return false, fmt.Errorf("connect to %v: %w", d.broker, err)
	}
	defer conn.Close()
	ended := make(chan error, 2)
	end := func(err error) {
		select {
		case ended <- err:
		default:
		}
	}
	client := paho.NewClient(paho.ClientConfig{
		Conn:          &stream{Conn: conn},
		PacketTimeout: packetTimeout,
		OnPublishReceived: []func(paho.PublishReceived) (bool, error){func(p paho.PublishReceived) (bool, error) {
			d.message(p.Packet)
			return true, nil
		}},
		OnClientError: end,
		OnServerDisconnect: func(m *paho.Disconnect) {
			end(fmt.Errorf("the broker ended the connection, reason 0x%02X%s", m.ReasonCode, saying(m)))
		},
	})
	// Connect does not end with ctx while it writes.
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer stop()
	if err := d.connect(ctx, client); err != nil {
		return false, fmt.Errorf("connect to %v: %w", d.broker, err)
	}
	// Nobody waits for its answer, and the connection may be gone.
	defer func() { _ = client.Disconnect(&paho.Disconnect{}) }()
	// Before the subscription: what the broker has kept comes at once, and may say
	// that the device is not there.
	d.out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, d.said(""))
	if err := d.subscribe(ctx, client); err != nil {
		return false, fmt.Errorf("subscribe at %v: %w", d.broker, err)
	}
	select {
	case err = <-ended:
	case <-client.Done():
		select { // why comes a little later
		case err = <-ended:
		case <-ctx.Done():
		}
	case <-ctx.Done():
	}
	return true, fmt.Errorf("read from %v: %w", d.broker, err)
}

// connect says who the hub is. It begins a new session each time: what was
// published in between is not sent later, when nobody could tell it from what is
// measured then.
func (d *Device) connect(ctx context.Context, client *paho.Client) error {
	password, err := d.broker.password.Value()
	if err != nil {
		return err
	}
	receive, size, expiry := uint16(mostUnanswered), uint32(mostPacket), uint32(0)
	id := d.broker.client
	if id == "" {
		id = "evenbench-" + strings.ToLower(rand.Text()[:12])
	}
	answer, err := client.Connect(ctx, &paho.Connect{
		ClientID: id, CleanStart: true, KeepAlive: keepAlive,
		Username: d.broker.user, UsernameFlag: d.broker.user != "",
		Password: password, PasswordFlag: password != nil,
		Properties: &paho.ConnectProperties{ReceiveMaximum: &receive, MaximumPacketSize: &size, SessionExpiryInterval: &expiry},
	})
	if answer != nil && answer.ReasonCode >= 0x80 {
		return refused(answer.ReasonCode)
	}
	return err
}

// refused is a reason for which a broker refuses a connection (MQTT 5.0, table 3-1).
func refused(code byte) error {
	switch code {
	case 0x84:
		return errors.New("the broker does not speak MQTT 5, which it must")
	case 0x86:
		return errors.New("the broker does not know the user or the password (0x86)")
	case 0x87:
		return errors.New("the broker does not let this user in (0x87): see user and password in the link")
	case 0x85:
		return errors.New("the broker does not take the client's name (0x85): see client in the link")
	}
	return fmt.Errorf("the broker refused the connection, reason 0x%02X", code)
}

func (d *Device) subscribe(ctx context.Context, client *paho.Client) error {
	names := slices.Sorted(maps.Keys(d.topics))
	if d.availability != "" {
		names = append([]string{d.availability}, names...)
	}
	var all []paho.SubscribeOptions
	for _, name := range names {
		all = append(all, paho.SubscribeOptions{Topic: name, QoS: 1})
	}
	answer, err := client.Subscribe(ctx, &paho.Subscribe{Subscriptions: all})
	if answer != nil {
		for i, code := range answer.Reasons {
			if code >= 0x80 && i < len(names) {
				return fmt.Errorf("the broker refuses topic %q, reason 0x%02X: may this user read it?", names[i], code)
			}
		}
	}
	return err
}

// saying is the broker's own words, if it has any.
func saying(m *paho.Disconnect) string {
	if m.Properties == nil || m.Properties.ReasonString == "" {
		return ""
	}
	return fmt.Sprintf(" (%.80q)", m.Properties.ReasonString)
}

// message takes one message. It is called from one goroutine at a time.
func (d *Device) message(p *paho.Publish) {
	if p.Topic == d.availability {
		d.available(p.Payload)
		return
	}
	t, ok := d.topics[p.Topic]
	if !ok {
		d.out.Unreadable([]byte(p.Topic))
		d.complaints.Add("", fmt.Sprintf("topic %.80q, which was not asked for", p.Topic))
		return
	}
	m := d.sheet.payload(t, p.Payload)
	if m.identity != "" {
		d.out.Identity(m.identity)
	}
	if p.Retain {
		m.readings = d.kept(m.readings)
	}
	if len(m.readings) > 0 {
		d.out.Readings(d.clock.Now(), m.readings...)
	}
	if len(m.faults) > 0 {
		var why []string
		for _, f := range m.faults {
			why = append(why, f.Error())
		}
		d.unreadable(p, strings.Join(why, "; "))
	}
}

// kept marks what the broker has kept and sends to whoever subscribes: it may be
// days old. A measurement of a moment is left out, for it belongs to whatever
// was on the station then.
func (d *Device) kept(all []sdk.Reading) []sdk.Reading {
	var out []sdk.Reading
	for _, r := range all {
		i := slices.IndexFunc(d.sheet.channels, func(c sheet.Fed) bool { return c.Name == r.Channel })
		if d.sheet.channels[i].Moment {
			d.out.Log("info", fmt.Sprintf("channel %s: the broker has kept %.40q from before, which is not read: it belongs to what was on the station then", r.Channel, r.Text))
			continue
		}
		r.Status = sdk.Marked(sdk.StatusStale, r.Status)
		out = append(out, r)
	}
	return out
}

func (d *Device) available(payload []byte) {
	word := strings.TrimSpace(string(payload[:min(len(payload), mostPayload)]))
	switch a := d.sheet.availability; word {
	case a.online:
		d.out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, d.said(word))
	case a.offline:
		d.out.State(pb.DeviceState_DEVICE_STATE_LOST, d.said(word))
	default:
		d.unreadable(&paho.Publish{Topic: d.availability, Payload: payload}, fmt.Sprintf("is neither %q nor %q", a.online, a.offline))
	}
}

// said is the detail of a state, with what the availability topic says.
func (d *Device) said(word string) string {
	switch {
	case d.availability == "":
		return d.broker.String()
	case word == "":
		return fmt.Sprintf("%v; nothing on %s yet", d.broker, d.availability)
	}
	return fmt.Sprintf("%v; %s says %q", d.broker, d.availability, word)
}

func (d *Device) unreadable(p *paho.Publish, why string) {
	d.out.Unreadable(p.Payload)
	d.complaints.Add(p.Topic, fmt.Sprintf("topic %s: %s", p.Topic, why))
}
