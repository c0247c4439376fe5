package sdk

import (
	"context"
	"crypto/rand"
	"strconv"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/clock"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// Log lines that wait for the hub at most; the oldest go first.
	maxLogLines = 256
	// Unreadable input is told at most this often: a device at the wrong baud
	// rate sends nothing else.
	unreadableEvery = 250 * time.Millisecond
	// Bytes of unreadable input that are shown.
	maxSample = 200
)

// run is one life of a connection to a device: what it said and the hub has not
// got on disk. It is the Out of the device.
type run struct {
	id     string
	clock  clock.Clock
	opened time.Time
	device Device
	cancel context.CancelFunc
	// Closed when Device.Run has returned.
	done chan struct{}

	mu      sync.Mutex
	held    store
	session *session
	// Nothing more will come: what is held is sent without waiting for
	// acknowledgements.
	draining bool
	// Closed when draining is over: all is sent, or there is no session.
	sent   chan struct{}
	status *pb.Status
	// Counts the changes of status, so that each session knows what it told.
	changes  uint64
	telling  *time.Timer
	logs     []*pb.LogLine
	logsLost int
	// Which device the readings that are held are of, in order.
	devices []device
}

// device is what a device said it is, and the number of the first reading that it
// may have taken.
type device struct {
	from     uint64
	identity string
}

func newRun(device Device, c clock.Clock, hold Hold) *run {
	r := &run{
		id:     rand.Text(),
		clock:  c,
		opened: c.Now(),
		device: device,
		done:   make(chan struct{}),
		sent:   make(chan struct{}),
		status: &pb.Status{State: pb.DeviceState_DEVICE_STATE_CONNECTING},
	}
	r.held = store{run: r.id, opened: r.opened, limit: hold, next: 1}
	return r
}

func (r *run) Readings(at time.Time, readings ...Reading) {
	switch {
	case at.IsZero():
		at = r.clock.Now()
	case at == at.Round(0):
		// Without a monotonic part a difference would follow a step of the wall
		// clock.
		now := r.clock.Now()
		at = now.Add(at.Sub(now))
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.draining {
		return
	}
	for i := range readings {
		r.held.add(at, &readings[i])
	}
	r.wake()
}

func (r *run) State(s pb.DeviceState, detail string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	detail = printable(detail)
	if r.status.State == s && r.status.Detail == detail {
		return
	}
	r.status.State, r.status.Detail = s, detail
	r.changed()
}

func (r *run) Identity(id string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	id = printable(id)
	if r.status.DeviceIdentity == id {
		return
	}
	r.status.DeviceIdentity = id
	// No batch has readings of two devices.
	r.held.seal()
	for len(r.devices) > 1 && r.devices[1].from <= r.held.oldest() {
		r.devices = r.devices[1:]
	}
	if n := len(r.devices); n > 0 && r.devices[n-1].from == r.held.next {
		r.devices = r.devices[:n-1]
	}
	r.devices = append(r.devices, device{r.held.next, id})
	r.changed()
}

// deviceOf returns what the device said it is that took a reading.
func (r *run) deviceOf(number uint64) string {
	for i := len(r.devices) - 1; i >= 0; i-- {
		if r.devices[i].from <= number {
			return r.devices[i].identity
		}
	}
	return ""
}

func (r *run) Unreadable(input []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.status.Unreadable++
	r.status.UnreadableSample = sample(input)
	if r.telling == nil {
		r.changed()
		r.telling = time.AfterFunc(unreadableEvery, r.tellUnreadable)
	}
}

// tellUnreadable tells what was counted since the last time.
func (r *run) tellUnreadable() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.telling = nil
	r.changed()
}

func (r *run) Log(level, text string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.logs) == maxLogLines {
		r.logs = append(r.logs[:0], r.logs[1:]...)
		r.logsLost++
	}
	r.logs = append(r.logs, &pb.LogLine{At: timestamppb.New(r.clock.Now()), Level: level, Text: printable(text)})
	r.wake()
}

// changed tells the session that status is not what it was. Called with mu held.
func (r *run) changed() {
	r.changes++
	r.wake()
}

// wake lets the session look again. Called with mu held.
func (r *run) wake() {
	if r.session != nil && r.session.waiting {
		r.session.waiting = false
		r.session.wake <- struct{}{}
	}
}

// identity returns what the device said it is, so far.
func (r *run) identity() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.status.DeviceIdentity
}

// drain ends the taking of readings and sends what is held as fast as the hub
// takes it. It returns the last number of the run, and a channel that is closed
// when all is sent or nobody is there to take it.
func (r *run) drain() (last uint64, sent <-chan struct{}) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.draining = true
	if r.telling != nil {
		r.telling.Stop()
	}
	r.wake()
	if r.session == nil {
		r.sentAll()
	}
	return r.held.last(), r.sent
}

// sentAll ends the draining, if the run is draining. Called with mu held.
func (r *run) sentAll() {
	if !r.draining {
		return
	}
	select {
	case <-r.sent:
	default:
		close(r.sent)
	}
}

// message returns what to send next to the session; nil if there is nothing, and
// then the session is woken when there is. Last says that nothing will follow.
func (r *run) message(s *session) (m *pb.SessionResponse, last bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	who := r.deviceOf(s.sent + 1)
	if s.told != r.changes || !s.started || s.device != who {
		s.told, s.started, s.device = r.changes, true, who
		told := proto.CloneOf(r.status)
		told.DeviceIdentity = who
		return &pb.SessionResponse{Message: &pb.SessionResponse_Status{Status: told}}, false
	}
	// Lines and readings in turns, so that neither starves the other.
	s.logTurn = !s.logTurn
	if s.logTurn && len(r.logs) > 0 {
		return r.logLine(), false
	}
	if m := r.held.after(&s.sent, r.draining); m != nil {
		return m, false
	}
	if len(r.logs) > 0 {
		return r.logLine(), false
	}
	if r.draining {
		r.sentAll()
		return nil, true
	}
	s.waiting = true
	return nil, false
}

func (r *run) logLine() *pb.SessionResponse {
	line := r.logs[0]
	r.logs = r.logs[1:]
	if r.logsLost > 0 {
		line.Text += " (" + strconv.Itoa(r.logsLost) + " lines before it were dropped)"
		r.logsLost = 0
	}
	return &pb.SessionResponse{Message: &pb.SessionResponse_Log{Log: line}}
}

// sample makes input printable and short.
func sample(input []byte) string {
	q := strconv.QuoteToASCII(string(input[:min(len(input), maxSample)]))
	q = q[1 : len(q)-1]
	return q[:min(len(q), maxSample)]
}
