package hub

import (
	"context"
	"sync"

	"google.golang.org/grpc/status"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// outcomes keeps how the latest questions to instruments ended, by request id, for
// retries.
type outcomes struct {
	mu    sync.Mutex
	byID  map[string]*outcome
	order []string
}

// outcome is how one question ended. Its fields are set when ended is closed.
type outcome struct {
	ended  chan struct{}
	answer string
	err    error
}

// A client retries within minutes; a bench does not ask more often in that time.
const mostOutcomes = 1000

func (o *outcomes) begin(id string) *outcome {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.byID == nil {
		o.byID = map[string]*outcome{}
	}
	if len(o.order) == mostOutcomes {
		delete(o.byID, o.order[0])
		o.order = o.order[1:]
	}
	x := &outcome{ended: make(chan struct{})}
	o.byID[id], o.order = x, append(o.order, id)
	return x
}

// end is harmless on a question that was never asked.
func (x *outcome) end(answer string, err error) {
	if x != nil {
		x.answer, x.err = answer, err
		close(x.ended)
	}
}

// wait answers a retry as the first call was answered.
func (o *outcomes) wait(ctx context.Context, id string) (*pb.ActOnInstrumentResponse, error) {
	o.mu.Lock()
	x := o.byID[id]
	o.mu.Unlock()
	if x == nil {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_OUTCOME_UNKNOWN,
			"request_id: %q was asked before the hub restarted, and how it ended is not known: look at the instrument, and ask again with a new id if need be", id)
	}
	select {
	case <-x.ended:
	case <-ctx.Done():
		return nil, status.FromContextError(ctx.Err()).Err()
	}
	if x.err != nil {
		return nil, x.err
	}
	return &pb.ActOnInstrumentResponse{Answer: x.answer}, nil
}
