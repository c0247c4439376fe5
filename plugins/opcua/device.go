package opcua

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"github.com/evenbench/evenbench/internal/clock"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// beat is how often the server's own clock is asked to be sent, and silence how
	// long nothing at all may come before the connection is made anew: a
	// subscription can end without a word.
	beat    = 5 * time.Second
	silence = 30 * time.Second
	// closeTimeout is how long a session may take to be closed.
	closeTimeout = 2 * time.Second
	// queue is how many values of a node the server keeps for a hub that is slow.
	queue = 100
)

// Device is one instrument behind an OPC UA server.
type Device struct {
	sheet  *Sheet
	server server
	clock  clock.Clock
	out    sdk.Out

	complaints *sdk.Complaints
	// last is what was handed on of each node.
	last []last
}

type last struct {
	reading sdk.Reading
	known   bool
	// begun: this subscription has sent the node's value.
	begun bool
}

// Channels implements sdk.Device.
func (d *Device) Channels() []*pb.Channel { return sheet.Announced(d.sheet.channels) }

// Act implements sdk.Device: nodes are not written, and methods not called.
func (d *Device) Act(context.Context, sdk.Act) (string, error) { return "", sdk.ErrUnsupported }

// Run implements sdk.Device.
func (d *Device) Run(ctx context.Context, out sdk.Out) error {
	d.out, d.complaints = out, sdk.NewComplaints(out)
	if d.server.user != "" && !d.server.loopback() {
		out.Log("warn", fmt.Sprintf("readings of %v go over the network in the clear, and so may the password: keep it to a network of the lab's own", d.server))
	}
	sdk.Connect(ctx, out, d.server.String(), d.serve, sdk.Rest)
	return nil
}

// serve takes what the server sends until the connection fails or ctx ends. It
// tells whether the server took the subscription.
func (d *Device) serve(ctx context.Context) (subscribed bool, err error) {
	// As many as a connection has: nobody empties it after the end.
	states := make(chan opcua.ConnState, 16)
	client, endpoint, err := d.server.connect(ctx, states)
	if err != nil {
		return false, fmt.Errorf("connect to %v: %w", d.server, err)
	}
	defer func() {
		// Also when ctx has ended: the server has few sessions to give.
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), closeTimeout)
		defer cancel()
		_ = client.Close(ctx) // its error says nothing that could be acted on
	}()
	if endpoint.Server != nil {
		d.out.Identity(endpoint.Server.ApplicationURI)
	}
	d.out.Log("info", fmt.Sprintf("%v is %s", d.server, build(ctx, client)))
	notes := make(chan *opcua.PublishNotificationData, 16)
	refused, err := d.subscribe(ctx, client, notes)
	if err != nil {
		return false, fmt.Errorf("subscribe at %v: %w", d.server, err)
	}
	switch {
	case len(refused) == len(d.sheet.nodes):
		return false, fmt.Errorf("subscribe at %v: %s", d.server, strings.Join(refused, "; "))
	case len(refused) > 0:
		d.out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, fmt.Sprintf("%v; %s", d.server, strings.Join(refused, "; ")))
	default:
		d.out.State(pb.DeviceState_DEVICE_STATE_CONNECTED, d.server.String())
	}
	return true, d.take(ctx, notes, states)
}

// build is what the server says of itself.
func build(ctx context.Context, client *opcua.Client) string {
	var ask []*ua.ReadValueID
	for _, field := range []uint32{
		id.Server_ServerStatus_BuildInfo_ProductName, id.Server_ServerStatus_BuildInfo_ManufacturerName, id.Server_ServerStatus_BuildInfo_SoftwareVersion,
	} {
		ask = append(ask, &ua.ReadValueID{NodeID: ua.NewNumericNodeID(0, field), AttributeID: ua.AttributeIDValue})
	}
	answer, err := client.Read(ctx, &ua.ReadRequest{NodesToRead: ask, TimestampsToReturn: ua.TimestampsToReturnNeither})
	if err != nil {
		return fmt.Sprintf("a server that does not say what it is: %v", err)
	}
	said := []string{"?", "?", "?"}
	for i, v := range answer.Results {
		if i < len(said) && v != nil && v.Value != nil && v.Value.String() != "" {
			said[i] = fmt.Sprintf("%.80s", v.Value.String())
		}
	}
	return fmt.Sprintf("%s by %s, version %s", said[0], said[1], said[2])
}

// take hands on what comes.
func (d *Device) take(ctx context.Context, notes <-chan *opcua.PublishNotificationData, states <-chan opcua.ConnState) error {
	quiet := time.NewTimer(silence)
	defer quiet.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-quiet.C:
			return fmt.Errorf("read from %v: nothing came for %v, not even the server's time", d.server, silence)
		case state := <-states:
			if state == opcua.Disconnected || state == opcua.Closed {
				return fmt.Errorf("read from %v: the server ended the connection", d.server)
			}
		case n := <-notes:
			if n.Error != nil {
				return fmt.Errorf("read from %v: %w", d.server, n.Error)
			}
			quiet.Reset(silence)
			switch x := n.Value.(type) {
			case *ua.DataChangeNotification:
				d.changed(x.MonitoredItems)
			case *ua.StatusChangeNotification:
				return fmt.Errorf("read from %v: the server ended the subscription: %s", d.server, statusName(x.Status))
			}
		}
	}
}

// subscribe asks for every node, and for the server's clock. It returns what is
// wrong with the nodes that the server does not give.
func (d *Device) subscribe(ctx context.Context, client *opcua.Client, notes chan<- *opcua.PublishNotificationData) (refused []string, err error) {
	ctx, cancel := context.WithTimeout(ctx, answerTimeout)
	defer cancel()
	every := d.clock.Real(d.sheet.every)
	sub, err := client.Subscribe(ctx, &opcua.SubscriptionParameters{
		Interval: every,
		// A subscription that is not fetched ends by itself.
		MaxKeepAliveCount: count(beat, every), LifetimeCount: 3 * count(silence, every),
	}, notes)
	if err != nil {
		return nil, err
	}
	items := []*ua.MonitoredItemCreateRequest{item(0, ua.NewNumericNodeID(0, id.Server_ServerStatus_CurrentTime), beat, false)}
	namespaces := client.Namespaces()
	for i := range d.sheet.nodes {
		d.last[i].begun = false
		at, err := d.sheet.nodes[i].at(namespaces)
		if err != nil {
			refused = append(refused, fmt.Sprintf("%s: %v", d.sheet.nodes[i].text, err))
			continue
		}
		items = append(items, item(i+1, at, every, true))
	}
	again, more, err := d.monitor(ctx, sub, items)
	if err == nil && len(again) > 0 {
		var still []string
		_, still, err = d.monitor(ctx, sub, again)
		more = append(more, still...)
	}
	return append(refused, more...), err
}

// count is how many intervals a time has, at least 3.
func count(t, every time.Duration) uint32 { return uint32(max(3, t/every)) }

// item asks for a node. A new timestamp is asked for as well as a new value: a value
// that was measured again is a reading, if it is the same one, too.
func item(handle int, node *ua.NodeID, every time.Duration, timestamps bool) *ua.MonitoredItemCreateRequest {
	q := opcua.NewMonitoredItemCreateRequestWithDefaults(node, ua.AttributeIDValue, uint32(handle))
	q.RequestedParameters.SamplingInterval = float64(every) / float64(time.Millisecond)
	q.RequestedParameters.QueueSize = queue
	if timestamps {
		q.RequestedParameters.Filter = ua.NewExtensionObject(&ua.DataChangeFilter{Trigger: ua.DataChangeTriggerStatusValueTimestamp})
	}
	return q
}

// monitor asks for items. It returns those that the server would give without a
// filter, and what is wrong with those that it does not give.
func (d *Device) monitor(ctx context.Context, sub *opcua.Subscription, items []*ua.MonitoredItemCreateRequest) (again []*ua.MonitoredItemCreateRequest, refused []string, err error) {
	answer, err := sub.Monitor(ctx, ua.TimestampsToReturnBoth, items...)
	if err != nil {
		return nil, nil, err
	}
	if len(answer.Results) != len(items) {
		return nil, nil, fmt.Errorf("the server answers for %d of %d nodes", len(answer.Results), len(items))
	}
	for i, result := range answer.Results {
		q := items[i].RequestedParameters
		handle := int(q.ClientHandle)
		switch code := result.StatusCode & codeBits; {
		case code == ua.StatusOK || !bad(code):
		case q.Filter != nil && (code == ua.StatusBadFilterNotAllowed || code == ua.StatusBadMonitoredItemFilterUnsupported):
			q.Filter = nil
			again = append(again, items[i])
		case handle == 0:
			return nil, nil, fmt.Errorf("the server does not give its own time: %s", statusName(code))
		default:
			refused = append(refused, fmt.Sprintf("%s: the server does not give this node: %s", d.sheet.nodes[handle-1].text, statusName(code)))
		}
	}
	return again, refused, nil
}

// changed hands on the values of a notification.
func (d *Device) changed(items []*ua.MonitoredItemNotification) {
	now := d.clock.Now()
	var readings []sdk.Reading
	for _, x := range items {
		if x == nil || x.Value == nil || x.ClientHandle == 0 || int(x.ClientHandle) > len(d.sheet.nodes) {
			continue // the server's time, or nothing that was asked for
		}
		i := int(x.ClientHandle) - 1
		if r, ok := d.reading(i, x.Value); ok {
			readings = append(readings, r)
		}
	}
	if len(readings) > 0 {
		d.out.Readings(now, readings...)
	}
}

// reading makes a reading of a node's value; false if it is none, or not a new one.
func (d *Device) reading(i int, v *ua.DataValue) (sdk.Reading, bool) {
	node, before := &d.sheet.nodes[i], &d.last[i]
	c := &d.sheet.channels[node.channel]
	first := !before.begun
	before.begun = true
	r, err := read(c, v)
	if err != nil {
		d.out.Unreadable([]byte(node.text + ": " + r.Text))
		d.complaints.Add(node.text, fmt.Sprintf("node %s: %v", node.text, err))
		return r, false
	}
	same := before.known && r.DeviceTime != "" && r.DeviceTime == before.reading.DeviceTime &&
		r.Text == before.reading.Text && r.Status == before.reading.Status
	before.known, before.reading = true, r
	switch {
	case first && same: // sent again because the subscription is a new one
		return r, false
	case first && c.Moment:
		d.out.Log("info", fmt.Sprintf("channel %s: the server had %.40q before the hub listened, which is not read: it belongs to what was on the station then", c.Name, r.Text))
		return r, false
	}
	return r, true
}
