package access

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/tap"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Guard stands before every call, and lets it pass or not. Where it has no policy
// everybody who reaches it, which is this machine alone, may do everything.
type Guard struct {
	log *zap.Logger
	now func() time.Time

	mu     sync.Mutex
	policy *Policy
	// Of clients by name, also of those that have gone; "" is all strangers.
	allowances map[string]*allowance
	streams    map[*stream]struct{}
	seats      map[Digest]Seat // by their tokens
}

// NewGuard returns a guard that applies a policy; nil: none.
func NewGuard(p *Policy, log *zap.Logger) *Guard {
	g := &Guard{log: log, now: time.Now, allowances: map[string]*allowance{}, streams: map[*stream]struct{}{}, seats: map[Digest]Seat{}}
	g.Replace(p)
	return g
}

// stream is a call that goes on for a while.
type stream struct {
	method    string
	presented Presented
	caller    Caller
	end       context.CancelCauseFunc
}

// errEnded is why a stream was ended by the guard.
var errEnded = errors.New("the caller's credential has ended")

// Replace applies another policy from now on. Streams whose caller may no longer have
// them are ended.
func (g *Guard) Replace(p *Policy) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.policy = p
	if p == nil {
		return
	}
	for _, concern := range p.Concerns(g.now()) {
		g.log.Warn("access", zap.String("what", concern))
	}
	for s := range g.streams {
		g.review(s)
	}
}

// review ends a stream whose caller the policy does not let have it. The caller holds
// mu.
func (g *Guard) review(s *stream) {
	now, err := g.policy.Identify(s.presented, g.now())
	if err != nil || now.Name != s.caller.Name || now.Role < Methods[s.method] {
		s.end(errEnded)
	}
}

// unknown is the one answer to everybody who is not known, whatever the reason: an
// attacker learns nothing from it.
func unknown() error {
	return refuse(codes.Unauthenticated, pb.ErrorReason_ERROR_REASON_CALLER_UNKNOWN,
		"the hub does not know who is calling: show a certificate or a token that its lab file lists and that has not ended; the hub's log says more, to its owner")
}

type contextKey struct{}

// From returns who makes a call. It is false outside of one.
func From(ctx context.Context) (Caller, bool) {
	v, ok := ctx.Value(contextKey{}).(visit)
	return v.caller, ok
}

// visit is a caller as it came in.
type visit struct {
	caller    Caller
	presented Presented
	// By which the caller was found; nil: there was none.
	policy *Policy
	// Own says that the hub itself calls: no credential of it can end.
	own bool
}

// AsHub returns the context of calls that the hub makes to itself, for what it shows to
// whoever may look. It makes them as an observer.
func AsHub(ctx context.Context) context.Context {
	return context.WithValue(ctx, contextKey{}, visit{caller: Caller{Role: Observer}, own: true})
}

// identify finds out who calls, before anything of the message is read, and returns a
// context that says so. A stranger gets no further, but to what answers anybody.
func (g *Guard) identify(ctx context.Context, method string, presented Presented) (context.Context, error) {
	g.mu.Lock()
	policy := g.policy
	g.mu.Unlock()
	if caller, ok := g.seated(cmp.Or(presented.Token, presented.Seat)); ok {
		return context.WithValue(ctx, contextKey{}, visit{caller: caller, presented: presented, policy: policy}), nil
	}
	if policy == nil {
		return context.WithValue(ctx, contextKey{}, visit{caller: Caller{Role: Steward}}), nil
	}
	caller, err := policy.Identify(presented, g.now())
	if role, ok := Methods[method]; err != nil && (!ok || role > Nobody) && !strings.HasPrefix(method, http.MethodGet+" "+SeatPages) {
		var r *Refusal
		if errors.As(err, &r) {
			g.log.Warn("caller refused", zap.String("method", method), zap.String("from", from(ctx)), zap.String("why", r.Why), zap.String("do", r.Do))
		}
		return ctx, unknown()
	}
	return context.WithValue(ctx, contextKey{}, visit{caller: caller, presented: presented, policy: policy}), nil
}

// from says where a call comes from.
func from(ctx context.Context) string {
	if p, ok := peer.FromContext(ctx); ok && p.Addr != nil {
		return p.Addr.String()
	}
	return "unknown"
}

// Enter lets a caller that has been identified begin a call, or refuses it. Leave ends
// the call; it turns the error of one that the guard ended into the guard's. Going is
// true for a call that goes on for a while, which ends when the credential does.
func (g *Guard) Enter(ctx context.Context, method string, going bool) (_ context.Context, leave func(error) error, _ error) {
	v, ok := ctx.Value(contextKey{}).(visit)
	if !ok {
		return ctx, nil, unknown()
	}
	role, ok := Methods[method]
	seat := v.caller.Seat != (Seat{})
	switch {
	case seat && Seated[method]:
	case seat:
		return ctx, nil, refuse(codes.PermissionDenied, pb.ErrorReason_ERROR_REASON_ROLE_TOO_LOW,
			"%s: the link of %s lets its assessor taste, and do nothing else: ask the lab's steward", method, v.caller.Name)
	case !ok:
		g.log.Error("a method that the table of roles does not have is refused to everybody", zap.String("method", method))
		return ctx, nil, refuse(codes.PermissionDenied, pb.ErrorReason_ERROR_REASON_ROLE_TOO_LOW, "%s: no role has this method", method)
	case v.caller.Role == Nobody && role > Nobody:
		return ctx, nil, unknown()
	case v.caller.Role < role:
		g.log.Warn("role too low", zap.String("method", method), zap.String("client", v.caller.Name), zap.Stringer("role", v.caller.Role),
			zap.String("do", fmt.Sprintf("if it should, give the client role: %v in the lab file, and reload", role)))
		return ctx, nil, refuse(codes.PermissionDenied, pb.ErrorReason_ERROR_REASON_ROLE_TOO_LOW,
			"%s takes the role %v, and %s has %v: ask the lab's steward", method, role, v.caller.Name, v.caller.Role)
	}
	if v.own {
		return ctx, func(err error) error { return err }, nil
	}
	a, err := g.allow(v.caller, going)
	if err != nil || !going {
		return ctx, func(err error) error { return err }, err
	}
	ctx, end := context.WithCancelCause(ctx)
	stop := func() {}
	if !v.caller.Until.IsZero() {
		ctx, stop = context.WithDeadlineCause(ctx, v.caller.Until, errEnded)
	}
	s := &stream{method, v.presented, v.caller, end}
	g.mu.Lock()
	g.streams[s] = struct{}{}
	if g.policy != v.policy {
		g.review(s) // it was replaced since the caller was found
	}
	g.mu.Unlock()
	return ctx, func(err error) error {
		g.mu.Lock()
		delete(g.streams, s)
		a.streams--
		g.mu.Unlock()
		ended := errors.Is(context.Cause(ctx), errEnded)
		stop()
		end(nil)
		if ended {
			g.log.Info("a stream was ended with the credential of its caller", zap.String("method", method), zap.String("client", v.caller.Name))
			return unknown()
		}
		return err
	}, nil
}

// ServerOptions make a gRPC server that the guard stands before.
func (g *Guard) ServerOptions() []grpc.ServerOption {
	options := []grpc.ServerOption{
		grpc.InTapHandle(g.arrive),
		grpc.ChainUnaryInterceptor(g.Unary),
		grpc.ChainStreamInterceptor(g.Stream),
	}
	if c := g.TLS(); c != nil {
		options = append(options, grpc.Creds(credentials.NewTLS(c)))
	}
	return options
}

// arrive is called when the head of a call has come, and nothing else.
func (g *Guard) arrive(ctx context.Context, info *tap.Info) (context.Context, error) {
	presented := Presented{}
	if p, ok := peer.FromContext(ctx); ok {
		if t, ok := p.AuthInfo.(credentials.TLSInfo); ok {
			presented.Chain = t.State.PeerCertificates
		}
	}
	if values := metadata.MD(info.Header).Get("authorization"); len(values) > 0 {
		presented.Token = bearer(values[0])
	}
	return g.identify(ctx, info.FullMethodName, presented)
}

// bearer returns the token in an authorization header (RFC 6750, 2.1). Another scheme
// is a token that nobody has.
func bearer(header string) string {
	scheme, token, _ := strings.Cut(header, " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return header
	}
	return strings.TrimSpace(token)
}

// Unary stands before a call that is answered once.
func (g *Guard) Unary(ctx context.Context, request any, info *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
	ctx, leave, err := g.Enter(ctx, info.FullMethod, false)
	if err != nil {
		return nil, err
	}
	response, err := handle(ctx, request)
	return response, leave(err)
}

// Stream stands before a call that goes on for a while.
func (g *Guard) Stream(server any, s grpc.ServerStream, info *grpc.StreamServerInfo, handle grpc.StreamHandler) error {
	ctx, leave, err := g.Enter(s.Context(), info.FullMethod, true)
	if err != nil {
		return err
	}
	return leave(handle(server, guarded{s, ctx}))
}

// guarded is a stream that sends nothing more once the guard has ended it.
type guarded struct {
	grpc.ServerStream
	ctx context.Context
}

func (s guarded) Context() context.Context { return s.ctx }

func (s guarded) SendMsg(m any) error {
	if err := s.ctx.Err(); err != nil {
		return status.FromContextError(err).Err()
	}
	return s.ServerStream.SendMsg(m)
}

// Handler lets requests over HTTP pass to next once it is known who makes them, for
// next to Enter the calls that they are.
func (g *Guard) Handler(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		presented := Presented{}
		if r.TLS != nil {
			presented.Chain = r.TLS.PeerCertificates
		}
		if header := r.Header.Get("Authorization"); header != "" {
			presented.Token = bearer(header)
		}
		if c, err := r.Cookie(SeatCookie); err == nil && strings.HasPrefix(r.URL.Path, SeatPages) {
			presented.Seat = c.Value
		}
		ctx, err := g.identify(peer.NewContext(r.Context(), &peer.Peer{Addr: address(r.RemoteAddr)}), r.Method+" "+r.URL.Path, presented)
		if err != nil {
			w.Header().Set("WWW-Authenticate", "Bearer")
			WriteError(w, err)
			return
		}
		if c, _ := From(ctx); c.Seat != (Seat{}) && !strings.HasPrefix(r.URL.Path, SeatPages) && !strings.HasPrefix(r.URL.Path, seatCalls) && !Seated[r.URL.Path] {
			WriteError(w, refuse(codes.PermissionDenied, pb.ErrorReason_ERROR_REASON_ROLE_TOO_LOW,
				"%s: the link of %s lets its assessor taste, and do nothing else: ask the lab's steward", r.URL.Path, c.Name))
			return
		}
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}

// address is that of a caller over HTTP.
type address string

func (address) Network() string  { return "tcp" }
func (a address) String() string { return string(a) }
