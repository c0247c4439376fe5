package hub

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strconv"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/access"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// badQuery is a query that cannot be read.
type badQuery struct{ error }

// streamed serves a stream as JSON Lines to whoever may call its method. A stream that
// ends in an error says so in a last line.
func streamed(g *access.Guard, method string, stream func(r *http.Request, out *lines) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		ctx, leave, err := g.Enter(r.Context(), method, true)
		if err != nil {
			access.WriteError(w, err)
			return
		}
		r = r.WithContext(ctx)
		out := &lines{context: asCaller(r), w: w, flush: http.NewResponseController(w)}
		err = stream(r, out)
		gone := r.Context().Err() != nil
		if query, bad := err.(badQuery); bad {
			_ = leave(err)
			http.Error(w, query.Error(), http.StatusBadRequest)
			return
		}
		err = leave(err)
		// A caller that has gone is told nothing; one whose credential has ended is told that.
		if err != nil && (!gone || status.Code(err) == codes.Unauthenticated) {
			out.fail(status.Convert(err))
		}
	}
}

// entriesAsLines streams entries:
//
//	GET /v1/entries?after=120&follow=true&kinds=mark_set&samples=S-0001&instruments=scale
//
// Each line is an entry. Resume after the cursor of the last one. Without
// follow=true the stream ends at the last entry.
func (s *recordService) entriesAsLines(r *http.Request, out *lines) error {
	request, err := entriesRequest(r)
	if err != nil {
		return badQuery{err}
	}
	out.begin()
	return s.Subscribe(request, entryLines{out})
}

// roastsAsLines streams the roasts that go on:
//
//	GET /v1/roasts?stations=drum-1&stations=drum-2
//
// Each line is a WatchRoastsResponse.
func (s *recordService) roastsAsLines(r *http.Request, out *lines) error {
	out.begin()
	return s.WatchRoasts(&pb.WatchRoastsRequest{Stations: r.URL.Query()["stations"]}, roastLines{out})
}

// asCaller returns the context of a request in which its caller is found as one of gRPC
// is.
func asCaller(r *http.Request) context.Context {
	ctx := metadata.NewIncomingContext(r.Context(), metadata.Pairs("user-agent", r.UserAgent()))
	if address, err := netip.ParseAddrPort(r.RemoteAddr); err == nil {
		ctx = peer.NewContext(ctx, &peer.Peer{Addr: net.TCPAddrFromAddrPort(address)})
	}
	return ctx
}

func entriesRequest(r *http.Request) (*pb.SubscribeRequest, error) {
	q := r.URL.Query()
	request := &pb.SubscribeRequest{
		RecordId: q.Get("record_id"), StopAtEnd: true,
		Filter: &pb.EntryFilter{Kinds: q["kinds"], Instruments: q["instruments"], Samples: q["samples"]},
	}
	if v := q.Get("after"); v != "" {
		after, err := strconv.ParseUint(v, 10, 64)
		if err != nil {
			return nil, fmt.Errorf("after: %q is no cursor: a whole number from 0", v)
		}
		request.After = after
	}
	if v := q.Get("follow"); v != "" {
		follow, err := strconv.ParseBool(v)
		if err != nil {
			return nil, fmt.Errorf("follow: %q is neither true nor false", v)
		}
		request.StopAtEnd = !follow
	}
	return request, nil
}

func httpStatus(code codes.Code) int {
	switch code {
	case codes.InvalidArgument, codes.OutOfRange, codes.FailedPrecondition:
		return http.StatusBadRequest
	case codes.NotFound:
		return http.StatusNotFound
	case codes.Unavailable:
		return http.StatusServiceUnavailable
	case codes.Unauthenticated:
		return http.StatusUnauthorized
	}
	return http.StatusInternalServerError
}

// lines writes what a stream delivers as JSON Lines.
type lines struct {
	context context.Context
	w       http.ResponseWriter
	flush   *http.ResponseController
	begun   bool
}

func (l *lines) begin() {
	l.w.Header().Set("Content-Type", "application/x-ndjson")
	l.w.Header().Set("X-Content-Type-Options", "nosniff")
}

func (l *lines) write(m proto.Message) error {
	l.begun = true
	line, err := protojson.Marshal(m)
	if err != nil {
		return err
	}
	_, err = l.w.Write(append(line, '\n'))
	return err
}

// fail ends the lines with an error.
func (l *lines) fail(st *status.Status) {
	if !l.begun {
		l.w.WriteHeader(httpStatus(st.Code()))
	}
	line, _ := json.Marshal(map[string]any{"error": st.Message(), "code": st.Code().String()})
	_, _ = l.w.Write(append(line, '\n'))
}

func (l *lines) Context() context.Context     { return l.context }
func (l *lines) SetHeader(metadata.MD) error  { return nil }
func (l *lines) SendHeader(metadata.MD) error { return nil }
func (l *lines) SetTrailer(metadata.MD)       {}
func (l *lines) RecvMsg(any) error            { return nil }

// entryLines are the lines of Subscribe.
type entryLines struct{ *lines }

func (l entryLines) SendMsg(m any) error {
	frame, ok := m.(wireFrame)
	if !ok {
		return fmt.Errorf("send %T: not a message of Subscribe", m)
	}
	response := new(pb.SubscribeResponse)
	if err := proto.Unmarshal(frame, response); err != nil {
		return err
	}
	return l.Send(response)
}

func (l entryLines) Send(m *pb.SubscribeResponse) error {
	l.begun = true
	for _, e := range m.GetEntries() {
		if err := l.write(e); err != nil {
			return err
		}
	}
	return l.flush.Flush()
}

// roastLines are the lines of WatchRoasts.
type roastLines struct{ *lines }

func (l roastLines) SendMsg(m any) error {
	return fmt.Errorf("send %T: not a message of WatchRoasts", m)
}

func (l roastLines) Send(m *pb.WatchRoastsResponse) error {
	if err := l.write(m); err != nil {
		return err
	}
	return l.flush.Flush()
}
