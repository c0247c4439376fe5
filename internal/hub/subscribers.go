package hub

import (
	"cmp"
	"context"
	"net"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// subscribers knows who follows the record, and how far they are.
type subscribers struct {
	now func() time.Time

	mu   sync.Mutex
	list map[*subscriber]struct{}
}

// subscriber is one call of Subscribe.
type subscriber struct {
	name, address string
	since         time.Time
	// Everything up to this cursor has been sent.
	sent atomic.Uint64
}

func newSubscribers(now func() time.Time) *subscribers {
	return &subscribers{now: now, list: map[*subscriber]struct{}{}}
}

// enter notes a subscriber, until leave is called.
func (s *subscribers) enter(ctx context.Context, after uint64) (_ *subscriber, leave func()) {
	c := &subscriber{since: s.now()}
	c.name, c.address = caller(ctx)
	c.sent.Store(after)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.list[c] = struct{}{}
	return c, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.list, c)
	}
}

// caller returns what a client calls itself, and from where it calls.
func caller(ctx context.Context) (name, address string) {
	if p, ok := peer.FromContext(ctx); ok && p.Addr != nil {
		address = p.Addr.String()
	}
	md, _ := metadata.FromIncomingContext(ctx)
	if agent := md.Get("user-agent"); len(agent) > 0 {
		name, _, _ = strings.Cut(agent[0], " ")
	}
	// A client chooses it: it is shown on pages and screens.
	name = strings.Map(func(r rune) rune {
		if r > ' ' && r < 0x7f {
			return r
		}
		return -1
	}, name)
	if len(name) > longestID {
		name = name[:longestID]
	}
	return cmp.Or(name, "unnamed"), address
}

// status says how far each subscriber is of a record that ends at last, the one
// furthest behind first.
func (s *subscribers) status(last uint64) []*pb.SubscriberStatus {
	s.mu.Lock()
	defer s.mu.Unlock()
	var list []*pb.SubscriberStatus
	for c := range s.list {
		sent := c.sent.Load()
		list = append(list, &pb.SubscriberStatus{
			Name: c.name, Address: c.address, Cursor: sent, Behind: last - min(sent, last), Since: timestamppb.New(c.since),
		})
	}
	slices.SortFunc(list, func(a, b *pb.SubscriberStatus) int {
		return cmp.Or(cmp.Compare(b.GetBehind(), a.GetBehind()), cmp.Compare(a.GetName(), b.GetName()), cmp.Compare(a.GetAddress(), b.GetAddress()))
	})
	return list
}

// Names of subscribers that are told apart in the metrics. A name and the host it
// calls from are the client's choice; the rest of them are one.
const (
	mostNames  = 50
	otherNames = "other"
)

// lags returns how far behind the subscribers are, by name and host.
func lags(list []*pb.SubscriberStatus) map[string]uint64 {
	behind := map[string]uint64{}
	for _, c := range list {
		name := c.GetName()
		if host, _, err := net.SplitHostPort(c.GetAddress()); err == nil {
			name += "@" + host
		}
		if _, have := behind[name]; !have && len(behind) >= mostNames {
			name = otherNames
		}
		behind[name] = max(behind[name], c.GetBehind())
	}
	return behind
}
