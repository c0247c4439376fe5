package fakehub

import (
	"context"
	"io"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/explain"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (h *Hub) GetRecordInfo(context.Context, *pb.GetRecordInfoRequest) (*pb.GetRecordInfoResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	info := proto.CloneOf(h.Info)
	info.LastCursor = h.last()
	return info, nil
}

func (h *Hub) ExplainFinding(_ context.Context, req *pb.ExplainFindingRequest) (*pb.ExplainFindingResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, r := range h.Records {
		roasted := req.GetRoast() != "" && slices.ContainsFunc(r.GetRoasts(), func(x *pb.Roast) bool { return x.GetRoast() == req.GetRoast() })
		if r.GetSample() != req.GetSample() && !roasted {
			continue
		}
		answer, err := explain.Of(r, req.GetRoast(), req.GetName())
		if err != nil {
			return nil, Refuse(codes.NotFound, pb.ErrorReason_ERROR_REASON_FINDING_UNKNOWN, "name: %v", err)
		}
		return answer, nil
	}
	if req.GetRoast() != "" {
		return nil, Refuse(codes.NotFound, pb.ErrorReason_ERROR_REASON_ROAST_UNKNOWN, "roast: there is no roast %q", req.GetRoast())
	}
	return nil, Refuse(codes.NotFound, pb.ErrorReason_ERROR_REASON_SAMPLE_UNKNOWN, "sample: there is no %q", req.GetSample())
}

func (h *Hub) last() uint64 { return uint64(len(h.Entries)) }

func (h *Hub) Subscribe(req *pb.SubscribeRequest, stream grpc.ServerStreamingServer[pb.SubscribeResponse]) error {
	after := req.GetAfter()
	for {
		h.mu.Lock()
		m, err := h.next(req, after)
		changed, sending := h.changed, h.Sending
		h.mu.Unlock()
		if err != nil {
			return err
		}
		if m != nil {
			if sending != nil {
				if err := sending(); err == io.EOF {
					return nil
				} else if err != nil {
					return err
				}
			}
			if err := stream.Send(m); err != nil {
				return err
			}
			after = m.GetCursor()
			continue
		}
		if req.GetStopAtEnd() {
			return nil
		}
		select {
		case <-changed:
		case <-stream.Context().Done():
			return stream.Context().Err()
		}
	}
}

// next returns the message after a cursor; nil if there is none yet.
func (h *Hub) next(req *pb.SubscribeRequest, after uint64) (*pb.SubscribeResponse, error) {
	switch id := h.Info.GetRecordId(); {
	case req.GetRecordId() != "" && req.GetRecordId() != id:
		return nil, Refuse(codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_RECORD_MISMATCH,
			"subscribe after %d of record %q: this is record %q; begin again at 0", after, req.GetRecordId(), id)
	case after > h.last():
		return nil, Refuse(codes.OutOfRange, pb.ErrorReason_ERROR_REASON_CURSOR_AHEAD,
			"subscribe after %d: the record ends at %d", after, h.last())
	case after == h.last():
		return nil, nil
	}
	size := uint64(h.MessageSize)
	if size == 0 {
		size = 16
	}
	end := min(after+size, h.last())
	m := &pb.SubscribeResponse{Cursor: end, CaughtUp: end == h.last()}
	for _, e := range h.Entries[after:end] {
		if passes(req.GetFilter(), e) {
			m.Entries = append(m.Entries, e)
		}
	}
	if req.GetWithRecords() {
		for _, r := range h.Records {
			if r.GetAsOf() > after && r.GetAsOf() <= end {
				m.Records = append(m.Records, r)
			}
		}
	}
	return m, nil
}

func passes(f *pb.EntryFilter, e *pb.Entry) bool {
	match := func(want, have []string) bool {
		return len(want) == 0 || slices.ContainsFunc(have, func(s string) bool { return slices.Contains(want, s) })
	}
	kind, instruments, samples := about(e)
	return match(f.GetKinds(), []string{kind}) && match(f.GetInstruments(), instruments) && match(f.GetSamples(), samples)
}

// about returns the kind of an entry, and whom it concerns by its own words.
func about(e *pb.Entry) (kind string, instruments, samples []string) {
	m := e.ProtoReflect()
	field := m.WhichOneof(m.Descriptor().Oneofs().ByName("body"))
	if field == nil {
		return "", nil, nil
	}
	body := m.Get(field).Message().Interface()
	if b, ok := body.(interface{ GetInstrument() string }); ok {
		instruments = append(instruments, b.GetInstrument())
	}
	if b, ok := body.(interface{ GetSample() string }); ok {
		samples = append(samples, b.GetSample())
	}
	for _, b := range e.GetReadings().GetBindings() {
		samples = append(samples, b.GetSample())
	}
	return string(field.Name()), instruments, samples
}

func (h *Hub) GetSample(_ context.Context, req *pb.GetSampleRequest) (*pb.GetSampleResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	r, err := h.record(req.GetSample())
	return &pb.GetSampleResponse{Record: r}, err
}

func (h *Hub) record(code string) (*pb.SampleRecord, error) {
	for _, r := range h.Records {
		if r.GetSample() == code {
			return r, nil
		}
	}
	return nil, Refuse(codes.NotFound, pb.ErrorReason_ERROR_REASON_SAMPLE_UNKNOWN, "find sample %q: no sample has this code; look for it with ListSamples", code)
}

func (h *Hub) ListSamples(_ context.Context, req *pb.ListSamplesRequest) (*pb.ListSamplesResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	var found []*pb.SampleRecord
	for _, r := range h.Records {
		id := r.GetIdentity()
		text := strings.Join([]string{r.GetSample(), id.GetLot(), id.GetIcoMark(), id.GetOrigin(), id.GetProcess()}, " ")
		if strings.Contains(strings.ToLower(text), strings.ToLower(req.GetSearch())) {
			found = append(found, r)
		}
	}
	size := h.PageSize
	if size == 0 {
		size = 2
	}
	from, _ := strconv.Atoi(req.GetPageToken())
	end := min(from+size, len(found))
	resp := &pb.ListSamplesResponse{Records: found[min(from, end):end]}
	if end < len(found) {
		resp.NextPageToken = strconv.Itoa(end)
	}
	return resp, nil
}

func (h *Hub) GetTrace(_ context.Context, req *pb.GetTraceRequest) (*pb.GetTraceResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if trace := h.Traces[req.GetRoast()]; trace != nil {
		return trace, nil
	}
	return nil, Refuse(codes.NotFound, pb.ErrorReason_ERROR_REASON_ROAST_UNKNOWN, "find roast %q: no roast has this name", req.GetRoast())
}

func (h *Hub) AuditRecord(context.Context, *pb.AuditRecordRequest) (*pb.AuditRecordResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.Audit, nil
}
