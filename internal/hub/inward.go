package hub

import (
	"context"
	"fmt"
	"io"
	"net/http"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/access"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Door is how pages that the hub serves reach its services: without a connection, and as
// whoever asks for the page.
type Door struct {
	// Conn carries calls in the context of the request that they are made for.
	Conn grpc.ClientConnInterface
	// Own returns the context of calls that pages make for all who look together: as an
	// observer.
	Own func() context.Context
	// Admit lets whoever asks follow the record, or refuses. The context ends when its
	// credential does; leave must be called.
	Admit func(*http.Request) (ctx context.Context, leave func(), err error)
}

// Pages are served at /board/, until they are closed.
type Pages interface {
	http.Handler
	Close()
}

// door returns the door to services that are registered with it.
func (h *Hub) door(c *inward) Door {
	return Door{
		Conn: c,
		Own:  func() context.Context { return access.AsHub(context.Background()) },
		Admit: func(r *http.Request) (context.Context, func(), error) {
			ctx, leave, err := h.guard.Enter(r.Context(), pb.RecordService_Subscribe_FullMethodName, true)
			return ctx, func() { _ = leave(nil) }, err
		},
	}
}

// shown are the pages that are served by their patterns beside the services.
func (h *Hub) shown(within *inward) map[string]http.Handler {
	pages := h.upkeep.pages()
	if h.options.Pages != nil {
		h.pages = h.options.Pages(h.door(within))
		pages["/board/"] = h.pages
		pages["GET /{$}"] = http.RedirectHandler("/board/", http.StatusSeeOther)
	}
	return pages
}

// inward calls the services within the process. The guard stands before each call, as it
// does before those from outside.
type inward struct {
	guard *access.Guard
	calls map[string]inwardCall
}

type inwardCall struct {
	service any
	unary   grpc.MethodHandler
	stream  grpc.StreamHandler
}

func newInward(g *access.Guard) *inward {
	return &inward{guard: g, calls: map[string]inwardCall{}}
}

// RegisterService implements grpc.ServiceRegistrar.
func (c *inward) RegisterService(d *grpc.ServiceDesc, service any) {
	for _, m := range d.Methods {
		c.calls["/"+d.ServiceName+"/"+m.MethodName] = inwardCall{service: service, unary: m.Handler}
	}
	for _, m := range d.Streams {
		c.calls["/"+d.ServiceName+"/"+m.StreamName] = inwardCall{service: service, stream: m.Handler}
	}
}

// called is the context of a call from within: what the caller calls itself goes with it.
func called(ctx context.Context) context.Context {
	return metadata.NewIncomingContext(ctx, metadata.Pairs("user-agent", "board"))
}

// Invoke implements grpc.ClientConnInterface.
func (c *inward) Invoke(ctx context.Context, method string, request, response any, _ ...grpc.CallOption) error {
	call := c.calls[method]
	if call.unary == nil {
		return status.Errorf(codes.Unimplemented, "%s: there is no such call", method)
	}
	got, err := call.unary(call.service, called(ctx), func(into any) error { return hand(request, into) }, c.guard.Unary)
	if err != nil {
		return refusal(ctx, err)
	}
	return hand(got, response)
}

// hand copies a message, so that neither side sees what the other does to it later.
func hand(from, into any) error {
	target, ok := into.(proto.Message)
	if !ok {
		return fmt.Errorf("hand over %T: it is no message", into)
	}
	switch m := from.(type) {
	case wireFrame:
		return proto.Unmarshal(m, target)
	case proto.Message:
		proto.Reset(target)
		proto.Merge(target, m)
		return nil
	}
	return fmt.Errorf("hand over %T: it is no message", from)
}

// refusal is the error of a call as a connection would give it.
func refusal(ctx context.Context, err error) error {
	if _, ok := status.FromError(err); ok {
		return err
	}
	if ctx.Err() != nil {
		return status.FromContextError(ctx.Err()).Err()
	}
	return status.Error(codes.Unknown, err.Error())
}

// NewStream implements grpc.ClientConnInterface, for streams from the hub. The stream ends
// when ctx does, as one over a connection.
func (c *inward) NewStream(ctx context.Context, _ *grpc.StreamDesc, method string, _ ...grpc.CallOption) (grpc.ClientStream, error) {
	call := c.calls[method]
	if call.stream == nil {
		return nil, status.Errorf(codes.Unimplemented, "%s: there is no such call", method)
	}
	s := &inwardStream{ctx: ctx, request: make(chan any, 1), responses: make(chan handing), ended: make(chan struct{})}
	go func() {
		defer close(s.ended)
		s.err = io.EOF
		err := c.guard.Stream(call.service, inwardServer{s, called(ctx)}, &grpc.StreamServerInfo{FullMethod: method, IsServerStream: true}, call.stream)
		if err != nil {
			s.err = refusal(ctx, err)
		}
	}()
	return s, nil
}

// inwardStream is a stream, as its client has it.
type inwardStream struct {
	ctx       context.Context
	request   chan any
	responses chan handing
	ended     chan struct{}
	err       error // once ended is closed
}

// handing is a response that is on its way; done is closed when it has been copied.
type handing struct {
	message any
	done    chan struct{}
}

func (s *inwardStream) Header() (metadata.MD, error) { return nil, nil }
func (s *inwardStream) Trailer() metadata.MD         { return nil }
func (s *inwardStream) CloseSend() error             { return nil }
func (s *inwardStream) Context() context.Context     { return s.ctx }

func (s *inwardStream) SendMsg(m any) error {
	select {
	case s.request <- m:
		return nil
	case <-s.ended:
		return io.EOF
	}
}

func (s *inwardStream) RecvMsg(m any) error {
	select {
	case r := <-s.responses:
		defer close(r.done)
		return hand(r.message, m)
	case <-s.ended:
		return s.err
	case <-s.ctx.Done():
		return status.FromContextError(s.ctx.Err()).Err()
	}
}

// inwardServer is a stream, as the service has it.
type inwardServer struct {
	*inwardStream
	ctx context.Context
}

func (s inwardServer) Context() context.Context     { return s.ctx }
func (s inwardServer) SetHeader(metadata.MD) error  { return nil }
func (s inwardServer) SendHeader(metadata.MD) error { return nil }
func (s inwardServer) SetTrailer(metadata.MD)       {}

func (s inwardServer) RecvMsg(m any) error {
	select {
	case request := <-s.request:
		return hand(request, m)
	case <-s.ctx.Done():
		return status.FromContextError(s.ctx.Err()).Err()
	}
}

func (s inwardServer) SendMsg(m any) error {
	r := handing{m, make(chan struct{})}
	select {
	case s.responses <- r:
		<-r.done
		return nil
	case <-s.ctx.Done():
		return status.FromContextError(s.ctx.Err()).Err()
	}
}
