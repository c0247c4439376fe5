package command

import (
	"context"
	"crypto/rand"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/clients/follow"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Tries of a call while the hub cannot be reached, and the wait after the first,
// which doubles: 1.5 s in all, more than a hub needs to restart.
const (
	tries     = 5
	firstWait = 100 * time.Millisecond
)

// dial returns the connection to the hub, made on the first call. Nothing is
// sent yet.
func (p *program) dial() (*grpc.ClientConn, error) {
	if p.conn != nil {
		return p.conn, nil
	}
	options, err := p.credentials.DialOptions()
	if err != nil {
		return nil, usageError{err}
	}
	conn, err := follow.Dial(p.hub, append(options, grpc.WithUnaryInterceptor(p.persist), grpc.WithUserAgent("evenctl"))...)
	if err != nil {
		return nil, usage("--hub %q is not an address: %v; give host:port", p.hub, err)
	}
	p.conn = conn
	return conn, nil
}

func (p *program) record() (pb.RecordServiceClient, error) {
	conn, err := p.dial()
	return pb.NewRecordServiceClient(conn), err
}

func (p *program) bench() (pb.BenchServiceClient, error) {
	conn, err := p.dial()
	return pb.NewBenchServiceClient(conn), err
}

func (p *program) devices() (pb.InstrumentServiceClient, error) {
	conn, err := p.dial()
	return pb.NewInstrumentServiceClient(conn), err
}

func (p *program) comparisons() (pb.CompareServiceClient, error) {
	conn, err := p.dial()
	return pb.NewCompareServiceClient(conn), err
}

func (p *program) decisions() (pb.DecisionServiceClient, error) {
	conn, err := p.dial()
	return pb.NewDecisionServiceClient(conn), err
}

func (p *program) studies() (pb.MatchingServiceClient, error) {
	conn, err := p.dial()
	return pb.NewMatchingServiceClient(conn), err
}

func (p *program) calibrations() (pb.CalibrationServiceClient, error) {
	conn, err := p.dial()
	return pb.NewCalibrationServiceClient(conn), err
}

// longTimeout is how long an answer is waited for that the hub must read a season for.
const longTimeout = 5 * time.Minute

type patience struct{}

// patient gives a call the time that reading much of the record takes, unless the person
// has said how long to wait.
func (p *program) patient(ctx context.Context, long bool) context.Context {
	if !long {
		return ctx
	}
	return context.WithValue(ctx, patience{}, max(p.timeout, longTimeout))
}

// persist carries out a call within the timeout, and again while the hub cannot
// be reached or the connection breaks. A write is repeated with its request id,
// so that it counts once.
func (p *program) persist(ctx context.Context, method string, req, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, options ...grpc.CallOption) error {
	if _, bounded := ctx.Deadline(); !bounded {
		timeout := p.timeout
		if long, ok := ctx.Value(patience{}).(time.Duration); ok {
			timeout = long
		}
		bound, cancel := context.WithTimeout(ctx, timeout)
		defer cancel()
		ctx = bound
	}
	wait := firstWait
	for try := 1; ; try++ {
		err := invoke(ctx, method, req, reply, conn, options...)
		if try == tries || status.Code(err) != codes.Unavailable {
			return err
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return err
		}
		wait *= 2
	}
}

// writes adds the flag that repeats a write.
func (p *program) writes(c *cobra.Command) *cobra.Command {
	c.Flags().StringVar(&p.request, "request", "", "`id` of a write to repeat, where its answer was lost")
	return c
}

// requestID returns the id of this run's write. It names the write for good: the
// hub carries it out once, however often it comes.
func (p *program) requestID() string {
	if p.request == "" {
		p.request = rand.Text()
	}
	return p.request
}
