package sdk

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"

	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"google.golang.org/grpc"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// What was sent last may take so long to reach the hub before the process ends.
	lastBytes = time.Second
	// What the hub sends ahead of a driver is acknowledgements. It is fixed, for a window
	// that grows by itself asks the hub, and is answered, with nearly every one.
	ackWindow = 64 << 10
)

// Serve makes the process a driver: it serves d to the hub that started the
// process until the hub ends it, or is away for the hold time. It returns then;
// it ends the process if the hub did not start it, or if the device failed.
//
// What the driver prints while Serve runs goes to its log file, and is lost if
// that cannot be written; Out.Log goes to the hub.
func Serve(d Driver) {
	// A hub that was killed leaves pipes without a reader: writing to them may
	// fail, but must not end the driver (EB-D-02).
	signal.Ignore(syscall.SIGPIPE)
	terminate := make(chan os.Signal, 1)
	signal.Notify(terminate, syscall.SIGTERM)

	p := &process{server: NewServer(d, os.Getenv(NonceVariable)), stderr: os.Stderr}
	p.grpc = grpc.NewServer(grpc.MaxRecvMsgSize(MaxMessage), grpc.UnaryInterceptor(p.plainOutput),
		grpc.StaticStreamWindowSize(ackWindow), grpc.StaticConnWindowSize(ackWindow))
	go func() {
		select {
		case <-terminate:
			p.server.Stop(nil)
		case <-p.server.Done():
		}
		p.hangUp()
	}()
	plugin.Serve(&plugin.ServeConfig{
		HandshakeConfig: plugin.HandshakeConfig{
			ProtocolVersion:  ProtocolVersion,
			MagicCookieKey:   CookieVariable,
			MagicCookieValue: CookieValue,
		},
		Plugins: plugin.PluginSet{"driver": p},
		Logger:  hclog.NewNullLogger(),
		// The options would be those of go-plugin's TLS, which cannot re-attach.
		GRPCServer: func([]grpc.ServerOption) *grpc.Server { return p.grpc },
	})
	p.server.Stop(nil)
	if err := p.server.Err(); err != nil {
		fmt.Fprintf(p.stderr, "%s ended: %v\n", d.Name, err)
		os.Exit(1)
	}
}

// process is the server as go-plugin wants it.
type process struct {
	plugin.NetRPCUnsupportedPlugin
	server *Server
	grpc   *grpc.Server
	stderr *os.File
	plain  sync.Once
}

// hangUp ends the connections, but lets what was sent arrive.
func (p *process) hangUp() {
	hurry := time.AfterFunc(lastBytes, p.grpc.Stop)
	defer hurry.Stop()
	p.grpc.GracefulStop()
}

// GRPCServer registers the contract.
func (p *process) GRPCServer(_ *plugin.GRPCBroker, g *grpc.Server) error {
	p.server.Register(g)
	return nil
}

// GRPCClient returns the contract as the hub calls it.
func (p *process) GRPCClient(_ context.Context, _ *plugin.GRPCBroker, conn *grpc.ClientConn) (any, error) {
	return pb.NewDriverServiceClient(conn), nil
}

// plainOutput undoes, before the first call reaches the driver, what go-plugin
// does to standard output and error: it makes them pipes that only a living hub
// empties, so that a driver without a hub would one day stop in a print.
func (p *process) plainOutput(ctx context.Context, q any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	p.plain.Do(func() { os.Stdout, os.Stderr = p.stderr, p.stderr })
	return next(ctx, q)
}
