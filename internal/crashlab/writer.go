package main

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// writer is a person at the bench: it registers samples, places them and notes
// things, and repeats a call that was not answered, with the same request id, until
// it is. It keeps what it was told.
type writer struct {
	desk pb.BenchServiceClient

	mu       sync.Mutex
	answered map[string]uint64 // cursor of the entry, by request id
	samples  []string          // registered, in order
	faults   []string
}

func newWriter(conn grpc.ClientConnInterface) *writer {
	return &writer{desk: pb.NewBenchServiceClient(conn), answered: map[string]uint64{}}
}

const (
	// pause between two calls: so short that a hub is seldom killed without one being
	// answered or under way.
	pause = 5 * time.Millisecond
	// answerTime is how long an answer is waited for before the call is repeated.
	answerTime = 2 * time.Second
	retryPause = 50 * time.Millisecond
)

// work does one thing after the other until ctx ends.
func (w *writer) work(ctx context.Context) {
	for i := 1; ctx.Err() == nil; i++ {
		code := fmt.Sprintf("S-%d", i)
		w.insist(ctx, "register-"+code, func(ctx context.Context, id string) (uint64, error) {
			r, err := w.desk.RegisterSample(ctx, &pb.RegisterSampleRequest{
				RequestId: id, Person: "ana", Sample: code, Identity: &pb.SampleIdentity{Kind: pb.SampleKind_SAMPLE_KIND_OFFER},
			})
			return r.GetCursor(), err
		})
		w.mu.Lock()
		w.samples = append(w.samples, code)
		w.mu.Unlock()
		w.insist(ctx, "place-"+code, func(ctx context.Context, id string) (uint64, error) {
			r, err := w.desk.PlaceSample(ctx, &pb.PlaceSampleRequest{RequestId: id, Person: "ana", Station: benchStation, Sample: code})
			return r.GetCursor(), err
		})
		for n := range 40 {
			w.insist(ctx, fmt.Sprintf("note-%s-%d", code, n), func(ctx context.Context, id string) (uint64, error) {
				r, err := w.desk.AddNote(ctx, &pb.AddNoteRequest{RequestId: id, Person: "ana", Sample: code, Text: id})
				return r.GetCursor(), err
			})
		}
	}
}

// insist repeats a call until it is answered.
func (w *writer) insist(ctx context.Context, id string, call func(context.Context, string) (uint64, error)) {
	for ctx.Err() == nil {
		once, cancel := context.WithTimeout(ctx, answerTime)
		cursor, err := call(once, id)
		cancel()
		switch status.Code(err) {
		case codes.OK:
			w.mu.Lock()
			w.answered[id] = cursor
			w.mu.Unlock()
			_ = sleep(ctx, pause)
			return
		case codes.InvalidArgument, codes.FailedPrecondition, codes.AlreadyExists, codes.NotFound:
			// Nothing that this writer asks for may be refused.
			w.mu.Lock()
			w.faults = append(w.faults, fmt.Sprintf("%s was refused: %v", id, err))
			w.mu.Unlock()
			return
		}
		_ = sleep(ctx, retryPause)
	}
}

// lastAnswered returns the last entry that was answered so far; 0 before the first.
func (w *writer) lastAnswered() (last uint64) {
	answered, _, _ := w.told()
	for _, cursor := range answered {
		last = max(last, cursor)
	}
	return last
}

// told returns what was answered so far, and the latest samples.
func (w *writer) told() (answered map[string]uint64, latest []string, faults []string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	answered = make(map[string]uint64, len(w.answered))
	for id, cursor := range w.answered {
		answered[id] = cursor
	}
	latest = append(latest, w.samples[max(0, len(w.samples)-8):]...)
	faults = w.faults
	w.faults = nil
	return answered, latest, faults
}

// Talkers fill the record: many at once, so that groups are stored in both ways, and
// with long texts, so that blocks are begun and compressed all the time.
const (
	talkers   = 24
	talkBytes = 3900 // a note may have 4,000
	talkPause = 50 * time.Millisecond
)

// talk notes one long text after the other on the bench until ctx ends.
func (w *writer) talk(ctx context.Context, number int) {
	for n := 1; ctx.Err() == nil; n++ {
		id := fmt.Sprintf("talk-%d-%d", number, n)
		w.insist(ctx, id, func(ctx context.Context, id string) (uint64, error) {
			text := strings.Repeat(id+" ", talkBytes/(len(id)+1))
			r, err := w.desk.AddNote(ctx, &pb.AddNoteRequest{RequestId: id, Person: "ana", Station: benchStation, Text: text})
			return r.GetCursor(), err
		})
		_ = sleep(ctx, talkPause)
	}
}
