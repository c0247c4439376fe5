package hub

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A mark that is refused says why, and what to do.
func TestRefusedMarkSaysWhatToDo(t *testing.T) {
	opened := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	b := book.New()
	apply := func(e *pb.Entry) {
		for pending := []*pb.Entry{e}; len(pending) > 0; {
			e := pending[0]
			e.Cursor, e.RecordedAt = b.Last()+1, timestamppb.New(opened)
			pending = append(b.Apply(e), pending[1:]...)
		}
	}
	apply(&pb.Entry{Body: &pb.Entry_LabLoaded{LabLoaded: &pb.LabLoaded{Stations: []*pb.Station{{Name: "drum-1", Kind: pb.StationKind_STATION_KIND_DRUM}}}}})
	mark := func(kind pb.MarkKind, after time.Duration) error {
		e, err := judgeMark(b, &pb.SetMarkRequest{Station: "drum-1", Kind: kind, At: timestamppb.New(opened.Add(after))}, opened.Add(time.Hour))
		if err == nil {
			apply(e)
		}
		return err
	}
	refused := func(kind pb.MarkKind, after time.Duration, words ...string) {
		t.Helper()
		err := mark(kind, after)
		for _, w := range words {
			if err == nil || !strings.Contains(err.Error(), w) {
				t.Errorf("%v after %v: %v\nwant %q in it", kind, after, err, w)
			}
		}
	}
	refused(pb.MarkKind_MARK_KIND_CHARGE, time.Minute, "drum-1", "check its instrument")
	apply(&pb.Entry{Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{
		Instrument: "probes", Run: "run-1", Station: "drum-1", OpenedAt: timestamppb.New(opened),
		Channels: []*pb.Channel{{Name: "bean", Role: "bean", Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS}},
	}}})
	refused(pb.MarkKind_MARK_KIND_YELLOWING, 5*time.Minute, "no yellowing", "mark the charge first", "at which the beans went in", "then the yellowing")
	refused(pb.MarkKind_MARK_KIND_CHARGE, -time.Minute, "2026-11-25T09:00:00Z", "2026-11-25T08:59:00Z", "give a later time")
	if err := mark(pb.MarkKind_MARK_KIND_CHARGE, 2*time.Minute); err != nil {
		t.Fatal(err)
	}
	refused(pb.MarkKind_MARK_KIND_YELLOWING, 90*time.Second, "from its charge", "yellowing is at -30.0 s", "after the charge at 0.0 s", "correct the time")
}
