// Package recorded keeps what a device says, so that a test can wait for it and
// look at it.
package recorded

import (
	"context"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// patience is how long a test waits for what must come. It ends only tests that
// fail.
const patience = time.Minute

// Said is all that a device has said so far.
type Said struct {
	Readings   []sdk.Reading
	States     []State
	Identity   string
	Unreadable []string
	Log        []string
}

// State is one report of how the link is.
type State struct {
	State  pb.DeviceState
	Detail string
}

// Out implements sdk.Out. The zero Out is ready.
type Out struct {
	mu      sync.Mutex
	said    Said
	changed chan struct{} // closed at the next change
}

func (o *Out) change(f func(*Said)) {
	o.mu.Lock()
	defer o.mu.Unlock()
	f(&o.said)
	if o.changed != nil {
		close(o.changed)
		o.changed = nil
	}
}

// Readings implements sdk.Out.
func (o *Out) Readings(_ time.Time, r ...sdk.Reading) {
	o.change(func(s *Said) { s.Readings = append(s.Readings, r...) })
}

// State implements sdk.Out.
func (o *Out) State(state pb.DeviceState, detail string) {
	o.change(func(s *Said) { s.States = append(s.States, State{state, detail}) })
}

// Identity implements sdk.Out.
func (o *Out) Identity(id string) {
	o.change(func(s *Said) { s.Identity = id })
}

// Unreadable implements sdk.Out.
func (o *Out) Unreadable(input []byte) {
	o.change(func(s *Said) { s.Unreadable = append(s.Unreadable, string(input)) })
}

// Log implements sdk.Out.
func (o *Out) Log(level, text string) {
	o.change(func(s *Said) { s.Log = append(s.Log, level+": "+text) })
}

// Run runs a device until the test ends, and returns what it says.
func Run(t testing.TB, d sdk.Device) *Out {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	out := &Out{}
	done := make(chan error)
	go func() { done <- d.Run(ctx, out) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("run ended with %v", err)
		}
	})
	return out
}

// Said returns a copy of what has been said.
func (o *Out) Said() Said {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.said.clone()
}

func (s Said) clone() Said {
	s.Readings = slices.Clone(s.Readings)
	s.States = slices.Clone(s.States)
	s.Unreadable = slices.Clone(s.Unreadable)
	s.Log = slices.Clone(s.Log)
	return s
}

// Wait waits until what has been said is enough, and returns it. What it waits
// for is named in case it never comes.
func (o *Out) Wait(t testing.TB, what string, enough func(Said) bool) Said {
	t.Helper()
	end := time.NewTimer(patience)
	defer end.Stop()
	for {
		o.mu.Lock()
		said := o.said.clone()
		if o.changed == nil {
			o.changed = make(chan struct{})
		}
		changed := o.changed
		o.mu.Unlock()
		if enough(said) {
			return said
		}
		select {
		case <-changed:
		case <-end.C:
			t.Fatalf("waited in vain for %s; said so far: %+v", what, said)
		}
	}
}

// WaitState waits for a state.
func (o *Out) WaitState(t testing.TB, state pb.DeviceState, detail string) {
	t.Helper()
	o.Wait(t, state.String()+" "+detail, func(s Said) bool {
		return slices.ContainsFunc(s.States, func(x State) bool {
			return x.State == state && strings.Contains(x.Detail, detail)
		})
	})
}

// Channel returns the readings of one channel.
func (s Said) Channel(name string) []sdk.Reading {
	var out []sdk.Reading
	for _, r := range s.Readings {
		if r.Channel == name {
			out = append(out, r)
		}
	}
	return out
}
