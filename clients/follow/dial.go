package follow

import (
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/keepalive"
)

// largestMessage bounds what is received, in bytes: a message is at most a few
// entries of at most 1 MiB, and sample records.
const (
	largestMessage = 16 << 20
	// What the hub sends ahead of a reader. It is fixed, for a window that grows by itself
	// is found by a question to the hub, and its answer, for nearly every message.
	window = 1 << 20
)

// patience is how long a connection may be quiet before it is tried. The hub allows
// a try every 10 s.
const patience = 30 * time.Second

// Dial returns a connection to the hub at address ("127.0.0.1:7413"), set up for
// following: found dead within a minute when the other side is gone without a
// word, and made again within seconds. It does not wait for the hub. Options
// given are applied last, those of Credentials among them; without, the connection is
// plain, which a hub offers on loopback only.
func Dial(address string, options ...grpc.DialOption) (*grpc.ClientConn, error) {
	options = append([]grpc.DialOption{
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(largestMessage)),
		grpc.WithStaticStreamWindowSize(window), grpc.WithStaticConnWindowSize(window),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: patience, Timeout: 15 * time.Second}),
		grpc.WithConnectParams(grpc.ConnectParams{
			Backoff:           backoff.Config{BaseDelay: 100 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2, MaxDelay: 5 * time.Second},
			MinConnectTimeout: 5 * time.Second,
		}),
	}, options...)
	conn, err := grpc.NewClient(address, options...)
	if err != nil {
		return nil, fmt.Errorf("dial hub at %q: %w", address, err)
	}
	return conn, nil
}
