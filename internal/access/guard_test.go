package access

import (
	"context"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// guardAt is a guard whose clock stands, with one client, a board that observes.
func guardAt(at *time.Time) (g *Guard, token string) {
	token = NewToken()
	g = NewGuard(nil, zap.NewNop())
	g.now = func() time.Time { return *at }
	g.Replace(&Policy{Clients: []Client{{Name: "board", Role: Observer, Token: TokenDigest(token), Until: at.Add(time.Hour)}}})
	return g, token
}

func enter(t *testing.T, g *Guard, method string, p Presented, going bool) (context.Context, func(error) error, error) {
	t.Helper()
	ctx, err := g.identify(t.Context(), method, p)
	if err != nil {
		return ctx, nil, err
	}
	return g.Enter(ctx, method, going)
}

func wantCode(t *testing.T, what string, err error, code codes.Code) {
	t.Helper()
	if status.Code(err) != code {
		t.Errorf("%s: %v, want %v", what, err, code)
	}
}

func TestRateIsAClientsOwn(t *testing.T) {
	at := time.Now()
	g, token := guardAt(&at)
	const list = pb.RecordService_ListSamples_FullMethodName
	for range callsAtOnce {
		_, _, err := enter(t, g, list, Presented{Token: token}, false)
		wantCode(t, "a call within the limit", err, codes.OK)
	}
	_, _, err := enter(t, g, list, Presented{Token: token}, false)
	wantCode(t, "a call too many", err, codes.ResourceExhausted)
	_, _, err = enter(t, g, "/grpc.health.v1.Health/Check", Presented{}, false)
	wantCode(t, "a stranger's call meanwhile", err, codes.OK)
	at = at.Add(time.Second)
	_, _, err = enter(t, g, list, Presented{Token: token}, false)
	wantCode(t, "a call a second later", err, codes.OK)
}

func TestStreamsAreCounted(t *testing.T) {
	at := time.Now()
	g, token := guardAt(&at)
	var leave func(error) error
	var err error
	for range mostStreams {
		if _, leave, err = enter(t, g, pb.RecordService_Subscribe_FullMethodName, Presented{Token: token}, true); err != nil {
			t.Fatal(err)
		}
	}
	_, _, err = enter(t, g, pb.RecordService_Subscribe_FullMethodName, Presented{Token: token}, true)
	wantCode(t, "a stream too many", err, codes.ResourceExhausted)
	wantCode(t, "the end of a stream", leave(nil), codes.OK)
	_, _, err = enter(t, g, pb.RecordService_Subscribe_FullMethodName, Presented{Token: token}, true)
	wantCode(t, "a stream after one has ended", err, codes.OK)
}

// A stream ends with what let it begin: the line in the lab file, the role, the
// credential's own time.
func TestStreamEndsWithItsCredential(t *testing.T) {
	for what, end := range map[string]func(g *Guard, c Client){
		"the client is gone":         func(g *Guard, _ Client) { g.Replace(&Policy{}) },
		"its token is another":       func(g *Guard, c Client) { c.Token = TokenDigest("x"); g.Replace(&Policy{Clients: []Client{c}}) },
		"its role is none":           func(g *Guard, c Client) { c.Role = Nobody; g.Replace(&Policy{Clients: []Client{c}}) },
		"the token is another's now": func(g *Guard, c Client) { c.Name = "other"; g.Replace(&Policy{Clients: []Client{c}}) },
	} {
		at := time.Now()
		g, token := guardAt(&at)
		ctx, leave, err := enter(t, g, pb.RecordService_Subscribe_FullMethodName, Presented{Token: token}, true)
		if err != nil {
			t.Fatal(err)
		}
		g.Replace(&Policy{Clients: g.policy.Clients})
		if ctx.Err() != nil {
			t.Errorf("%s: the stream ended on a reload that changed nothing", what)
		}
		end(g, g.policy.Clients[0])
		if ctx.Err() == nil {
			t.Errorf("%s: the stream goes on", what)
		}
		wantCode(t, what, leave(ctx.Err()), codes.Unauthenticated)
	}

	// The policy is replaced between the head of the call and its beginning.
	now := time.Now()
	between, revoked := guardAt(&now)
	found, err := between.identify(t.Context(), pb.RecordService_Subscribe_FullMethodName, Presented{Token: revoked})
	if err != nil {
		t.Fatal(err)
	}
	between.Replace(&Policy{})
	begun, end, err := between.Enter(found, pb.RecordService_Subscribe_FullMethodName, true)
	if err != nil {
		t.Fatal(err)
	}
	<-begun.Done()
	wantCode(t, "revoked before it began", end(begun.Err()), codes.Unauthenticated)

	at := time.Now().Add(-time.Hour) // the token ends now
	g, token := guardAt(&at)
	ctx, leave, err := enter(t, g, pb.RecordService_Subscribe_FullMethodName, Presented{Token: token}, true)
	if err != nil {
		t.Fatal(err)
	}
	<-ctx.Done()
	wantCode(t, "its time is over", leave(ctx.Err()), codes.Unauthenticated)
}

func TestUnlistedMethodIsRefused(t *testing.T) {
	g := NewGuard(nil, zap.NewNop()) // where everybody may do everything
	_, _, err := enter(t, g, "/evenbench.v1.RecordService/EraseRecord", Presented{}, false)
	wantCode(t, "a method that the table does not have", err, codes.PermissionDenied)
	// A call that nobody has looked at, such as by a way in that is new.
	_, _, err = g.Enter(t.Context(), pb.RecordService_ListSamples_FullMethodName, false)
	wantCode(t, "a call that was not identified", err, codes.Unauthenticated)
}

// Whatever stands in the header, what is taken for a token is one word of it or all of
// it, and a policy that lists no such token refuses it.
func FuzzBearer(f *testing.F) {
	for _, seed := range []string{"Bearer abc", "bearer  abc ", "Basic dXNlcg==", "Bearer", "Bearer ", " ", "Bearer\tabc", "\x00"} {
		f.Add(seed)
	}
	policy := &Policy{Clients: []Client{{Name: "board", Role: Observer, Token: TokenDigest(NewToken())}, {Name: "desk", Role: Steward, CommonName: "desk"}}}
	f.Fuzz(func(t *testing.T, header string) {
		token := bearer(header)
		if !strings.Contains(header, token) {
			t.Errorf("%q is taken out of %q", token, header)
		}
		if c, err := policy.Identify(Presented{Token: token}, time.Now()); err == nil {
			t.Errorf("%q lets in %v", header, c)
		}
	})
}
