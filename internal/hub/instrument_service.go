package hub

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/internal/supervise"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// instrumentService looks after the instruments.
type instrumentService struct {
	pb.UnimplementedInstrumentServiceServer
	bench    *supervise.Bench
	recorder *recorder
	reload   func(ctx context.Context, person string) (supervise.Changes, error)
	// checks returns the checks that the lab file asks for of an instrument.
	checks   func(instrument string) []lab.ChannelCheck
	stopping <-chan struct{}
	outcomes outcomes
}

func (s *instrumentService) ListInstruments(ctx context.Context, _ *pb.ListInstrumentsRequest) (*pb.ListInstrumentsResponse, error) {
	list, err := s.status(ctx)
	return &pb.ListInstrumentsResponse{Instruments: list}, err
}

// observed completes what the supervisor knows with the latest readings. It does not
// wait for the record.
func (s *instrumentService) observed() []*pb.InstrumentStatus {
	list := s.bench.Status()
	for _, st := range list {
		g := s.recorder.of(st.GetInstrument())
		g.mu.Lock()
		for _, l := range g.latest {
			st.Latest = append(st.Latest, proto.CloneOf(l))
		}
		if !g.last.IsZero() {
			st.LastReadingAt = timestamppb.New(g.last)
		}
		g.quarantine(st)
		g.mu.Unlock()
	}
	return list
}

// status also says how far the record is with each instrument, and how it is calibrated and
// checked.
func (s *instrumentService) status(ctx context.Context) ([]*pb.InstrumentStatus, error) {
	list, now := s.observed(), s.recorder.scribe.clock.Now()
	err := s.recorder.scribe.read(ctx, func(b *book.Book) {
		for _, st := range list {
			st.LastNumber = b.Accounted(st.GetInstrument(), st.GetRun())
			assure(b, st, s.checks(st.GetInstrument()), now)
		}
	})
	return list, err
}

// watchEvery is how often a watcher is told of what changed.
const watchEvery = 500 * time.Millisecond

func (s *instrumentService) WatchInstruments(r *pb.WatchInstrumentsRequest, stream grpc.ServerStreamingServer[pb.WatchInstrumentsResponse]) error {
	if err := s.checkNames(r.GetInstruments()); err != nil {
		return err
	}
	told := map[string]*pb.InstrumentStatus{}
	ticker := time.NewTicker(watchEvery)
	defer ticker.Stop()
	for {
		list, err := s.status(stream.Context())
		if err != nil {
			return err
		}
		changed := &pb.WatchInstrumentsResponse{}
		for _, st := range list {
			if wanted := r.GetInstruments(); len(wanted) > 0 && !slices.Contains(wanted, st.GetInstrument()) {
				continue
			}
			if !proto.Equal(told[st.GetInstrument()], st) {
				told[st.GetInstrument()] = st
				changed.Instruments = append(changed.Instruments, st)
			}
		}
		for name := range told {
			if !slices.ContainsFunc(list, func(st *pb.InstrumentStatus) bool { return st.GetInstrument() == name }) {
				delete(told, name)
				changed.Gone = append(changed.Gone, name)
			}
		}
		if len(changed.Instruments)+len(changed.Gone) > 0 {
			if err := stream.Send(changed); err != nil {
				return err
			}
		}
		select {
		case <-ticker.C:
		case <-stream.Context().Done():
			return status.FromContextError(stream.Context().Err()).Err()
		case <-s.stopping:
			return refuse(pb.ErrorReason_ERROR_REASON_STOPPING, "the hub is stopping")
		}
	}
}

func (s *instrumentService) checkNames(wanted []string) error {
	var all []string
	for _, st := range s.bench.Status() {
		all = append(all, st.GetInstrument())
	}
	for _, name := range wanted {
		if !slices.Contains(all, name) {
			return refuse(pb.ErrorReason_ERROR_REASON_INSTRUMENT_UNKNOWN, "instrument: the lab has no %q; %s", name, names(all))
		}
	}
	return nil
}

// ActOnInstrument records who asks for what before the instrument is asked, so that
// a retry does not ask it twice; it is answered as the first call was.
func (s *instrumentService) ActOnInstrument(ctx context.Context, r *pb.ActOnInstrumentRequest) (*pb.ActOnInstrumentResponse, error) {
	if r.GetAction() == pb.Action_ACTION_UNSPECIFIED || pb.Action_name[int32(r.GetAction())] == "" {
		return nil, invalid("action", "is missing: tare, zero, measure or enter")
	}
	if err := s.checkNames([]string{r.GetInstrument()}); err != nil {
		return nil, err
	}
	var asked *outcome
	_, err := s.recorder.scribe.take(ctx, r, func(*book.Book, time.Time) (*pb.Entry, error) {
		if err := checkText("text", r.GetText(), longestText); err != nil {
			return nil, err
		}
		asked = s.outcomes.begin(r.GetRequestId())
		return &pb.Entry{Body: &pb.Entry_InstrumentAsked{InstrumentAsked: &pb.InstrumentAsked{
			Instrument: r.GetInstrument(), Action: actionWord(r.GetAction()), Channel: r.GetChannel(), Text: r.GetText(),
		}}}, nil
	})
	if err != nil {
		asked.end("", err)
		return nil, err
	}
	if asked == nil {
		return s.outcomes.wait(ctx, r.GetRequestId())
	}
	answer, err := s.bench.Act(ctx, r.GetInstrument(), &pb.ActRequest{Action: r.GetAction(), Channel: r.GetChannel(), Text: r.GetText()})
	if err != nil {
		err = actRefusal(r, err)
		asked.end("", err)
		return nil, err
	}
	asked.end(answer.GetAnswer(), nil)
	return &pb.ActOnInstrumentResponse{Answer: answer.GetAnswer()}, nil
}

func actionWord(a pb.Action) string {
	return strings.ToLower(strings.TrimPrefix(a.String(), "ACTION_"))
}

func actRefusal(r *pb.ActOnInstrumentRequest, err error) error {
	word := actionWord(r.GetAction())
	switch {
	case errors.Is(err, supervise.ErrAway):
		return refuse(pb.ErrorReason_ERROR_REASON_INSTRUMENT_AWAY, "instrument: %s cannot be asked to %s now: look at its state", r.GetInstrument(), word)
	case errors.Is(err, supervise.ErrUnknown):
		return refuse(pb.ErrorReason_ERROR_REASON_INSTRUMENT_UNKNOWN, "instrument: the lab has no %q", r.GetInstrument())
	}
	st := status.Convert(err)
	refused := st.Code() == codes.FailedPrecondition || st.Code() == codes.InvalidArgument
	switch {
	case st.Code() == codes.Unimplemented:
		return refuse(pb.ErrorReason_ERROR_REASON_ACTION_UNKNOWN, "action: %s does not know how to %s: %s", r.GetInstrument(), word, st.Message())
	case refused && r.GetAction() == pb.Action_ACTION_ENTER:
		return invalid("text", "%s: %s", r.GetInstrument(), st.Message())
	case refused:
		return refuse(pb.ErrorReason_ERROR_REASON_INSTRUMENT_REFUSED, "%s would not %s: %s", r.GetInstrument(), word, st.Message())
	}
	return refuse(pb.ErrorReason_ERROR_REASON_INSTRUMENT_AWAY, "ask %s to %s: %s", r.GetInstrument(), word, st.Message())
}

func (s *instrumentService) ReloadLab(ctx context.Context, r *pb.ReloadLabRequest) (*pb.ReloadLabResponse, error) {
	if err := checkPerson(ctx, r.GetPerson()); err != nil {
		return nil, err
	}
	changes, err := s.reload(ctx, r.GetPerson())
	if err != nil {
		return nil, err
	}
	return &pb.ReloadLabResponse{
		Started: changes.Started, Stopped: changes.Stopped, Restarted: changes.Restarted, Unchanged: uint32(changes.Unchanged),
	}, nil
}
