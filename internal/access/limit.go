package access

import (
	"crypto/tls"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc/codes"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// What one client may ask of the hub. A person makes a call in some seconds, and a
// program that exports a season reads it in few long streams: these bounds are far
// from either, and far from what the hub can bear.
const (
	callsPerSecond = 50
	callsAtOnce    = 200
	mostStreams    = 32
)

// allowance is what a client has left; guarded by the guard's mutex.
type allowance struct {
	calls   *rate.Limiter
	streams int
}

// allow counts a call of a client, or refuses it. Going counts it as a stream too,
// which leaves again.
func (g *Guard) allow(c Caller, going bool) (*allowance, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	a := g.allowances[c.Name]
	if a == nil {
		a = &allowance{calls: rate.NewLimiter(callsPerSecond, callsAtOnce)}
		g.allowances[c.Name] = a
	}
	if g.policy != nil {
		switch {
		case !a.calls.AllowN(g.now(), 1):
			return nil, refuse(codes.ResourceExhausted, pb.ErrorReason_ERROR_REASON_TOO_MUCH,
				"%s makes more than %d calls a second: wait a little, and follow the record instead of asking again and again", subject(c), callsPerSecond)
		case going && a.streams >= mostStreams:
			return nil, refuse(codes.ResourceExhausted, pb.ErrorReason_ERROR_REASON_TOO_MUCH,
				"%s has %d streams open, and may have no more: end some", subject(c), mostStreams)
		}
	}
	if going {
		a.streams++
	}
	return a, nil
}

func subject(c Caller) string {
	if c.Name == "" {
		return "whoever shows no credential"
	}
	return c.Name
}

// TLS returns how to serve TLS: as the hub's certificate says at the time of each
// handshake. It is nil without a policy.
//
// A client's certificate is asked for and not judged in the handshake, which proves
// only that the client has its key; Identify judges it with every call. So who is
// refused gets an answer that a person can read, and a certificate ends on its day
// even on a connection that stays.
func (g *Guard) TLS() *tls.Config {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.policy == nil {
		return nil
	}
	return &tls.Config{
		MinVersion: tls.VersionTLS13,
		ClientAuth: tls.RequestClientCert,
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
			g.mu.Lock()
			defer g.mu.Unlock()
			return &g.policy.Certificate, nil
		},
	}
}

// HandshakeTime is how long a connection has to become one.
const HandshakeTime = 10 * time.Second
