package hub

import (
	"bytes"
	"cmp"
	"context"
	"io"
	"net"
	"net/http"
	"time"

	"golang.org/x/net/netutil"
	"google.golang.org/grpc"
	"google.golang.org/grpc/keepalive"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/lab"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// mostConnections is more than a lab has programs. Beyond it new ones wait, on each
	// of the two addresses; the instruments are not served over either.
	mostConnections = 256
	// idleTime is how long a connection without a call stays: strangers must not hold
	// them all. Clients make a new one without a word.
	idleTime = 5 * time.Minute
	// mostThrownAway of a request that is too large, in bytes.
	mostThrownAway = 1 << 30
)

// bounded lets so many connections in at a time.
func bounded(l net.Listener) net.Listener { return netutil.LimitListener(l, mostConnections) }

// sign says in an entry who made it, and for whom: where the caller is known by its
// credential it made the entry, and the person is what it says of itself.
func sign(ctx context.Context, e *pb.Entry, person string) {
	if c, ok := access.From(ctx); ok && c.Name != "" {
		e.Actor, e.Person = c.Name, person
		return
	}
	e.Actor = person
}

// anonymous tells whether a call must say for itself who makes it.
func anonymous(ctx context.Context) bool {
	c, _ := access.From(ctx)
	return c.Name == ""
}

// asker names who makes a call, for the log.
func asker(ctx context.Context, person string) string {
	c, _ := access.From(ctx)
	return cmp.Or(c.Name, person)
}

// guardChanged tells whether a lab file asks for credentials where the other does not.
func guardChanged(a, b *lab.Lab) bool { return (a.Access == nil) != (b.Access == nil) }

// sized hands on requests of a size that a call can have, with the body read. What
// decodes it afterwards makes room for as much as the head of a request announces, and
// must not be told of gigabytes.
func sized(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		large := r.ContentLength > largestRequest
		var body []byte
		if !large {
			var err error
			if body, err = io.ReadAll(io.LimitReader(r.Body, largestRequest+1)); err != nil {
				return // the caller has gone
			}
			large = len(body) > largestRequest
		}
		if large {
			w.Header().Set("Connection", "close")
			// A connection that is closed while the client still sends may be reset
			// before it has read the answer. So the rest is thrown away, within bounds.
			_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(access.HandshakeTime))
			_, _ = io.CopyN(io.Discard, r.Body, mostThrownAway)
			access.WriteError(w, refuse(pb.ErrorReason_ERROR_REASON_TOO_MUCH, "the request is larger than max, %d bytes: send less", largestRequest))
			return
		}
		r.Body, r.ContentLength = io.NopCloser(bytes.NewReader(body)), int64(len(body))
		next.ServeHTTP(w, r)
	})
}

// serveHTTP serves HTTP, over TLS where credentials are asked for.
func (h *Hub) serveHTTP() error {
	if h.http.TLSConfig = h.guard.TLS(); h.http.TLSConfig != nil {
		return h.http.ServeTLS(h.httpOn, "", "")
	}
	return h.http.Serve(h.httpOn)
}

// serverOptions are what the gRPC server takes besides its codec.
func (h *Hub) serverOptions() []grpc.ServerOption {
	return append(h.guard.ServerOptions(), grpc.ConnectionTimeout(access.HandshakeTime),
		grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionIdle: idleTime}))
}
