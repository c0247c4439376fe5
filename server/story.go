package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"google.golang.org/grpc"

	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// told are the kinds of entry that the demo may tell.
var told = []string{
	"gap", "instrument_changed", "clock_stepped", "sample_placed", "readings_assigned",
	"measurement_taken", "roast_opened", "mark_set", "roast_closed", "finding_made", "flag_raised",
}

// tell tells what is recorded until ctx ends.
func tell(ctx context.Context, conn grpc.ClientConnInterface, out io.Writer) {
	narrator := show.NewNarrator(out, show.Style{Zone: time.UTC})
	f := follow.New(conn, follow.Options{Filter: &pb.EntryFilter{Kinds: told}})
	for e, err := range f.Entries(ctx) {
		if err != nil {
			if ctx.Err() == nil {
				fmt.Fprintf(out, "the record can no longer be followed: %v\n", err)
			}
			return
		}
		if !isNews(e) {
			narrator.Know(e)
			continue
		}
		if e.GetGap() != nil {
			e.GetGap().Detail = "" // how it was lost has been told
		}
		if err := narrator.Tell(e); err != nil {
			return
		}
	}
}

// isNews picks of the record what a person at the bench would want to hear of, each
// thing once. What follows from an entry that is told is left out, and so is what the
// people say themselves when they do it.
func isNews(e *pb.Entry) bool {
	byPerson := e.GetActor() != "" && e.GetActor() != "hub" && e.GetActor() != "driver"
	switch b := e.GetBody().(type) {
	case *pb.Entry_Gap:
		return b.Gap.GetTo() != nil // one that is open is told by the instrument's state
	case *pb.Entry_InstrumentChanged:
		switch b.InstrumentChanged.GetState() {
		case pb.InstrumentState_INSTRUMENT_STATE_STARTING,
			pb.InstrumentState_INSTRUMENT_STATE_MEASURING, // told by the end of its gap
			pb.InstrumentState_INSTRUMENT_STATE_SILENT:    // told by its gap
			return false
		}
	case *pb.Entry_SamplePlaced:
		return b.SamplePlaced.GetBy() == pb.PlacementMeans_PLACEMENT_MEANS_SCAN
	case *pb.Entry_ReadingsAssigned:
		return byPerson
	case *pb.Entry_MarkSet:
		// The charge is told by the roast that it begins.
		return b.MarkSet.GetKind() != pb.MarkKind_MARK_KIND_CHARGE || b.MarkSet.GetReplaces() != 0
	case *pb.Entry_RoastClosed:
		return b.RoastClosed.GetAborted() != "" // else the drop has been told
	case *pb.Entry_FindingMade:
		return b.FindingMade.GetName() == "loss_in_mass" && !b.FindingMade.GetWithdrawn()
	}
	return true
}

// column at which a line of the story has its particulars: after time, place and what.
const column = 44

// width of the lines that the demo prints: what is longer goes on under its particulars.
const width = 100

// farthest is where a column may begin to have lines of its own: they need room.
const farthest = 72

// pages lets several write whole lines, none of them wider than a screen.
type pages struct {
	mu sync.Mutex
	w  io.Writer
}

func (p *pages) Write(text []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	var b strings.Builder
	for line := range strings.Lines(string(text)) {
		fold(&b, strings.TrimSuffix(line, "\n"))
	}
	if _, err := io.WriteString(p.w, b.String()); err != nil {
		return 0, err
	}
	return len(text), nil
}

// fold writes a line, in several where it is too wide. A word is never cut, and goes on
// under the column that it is in.
func fold(b *strings.Builder, line string) {
	for utf8.RuneCountInString(line) > width {
		cut := strings.LastIndexByte(string([]rune(line)[:width+1]), ' ')
		if cut <= column {
			break
		}
		under := column
		if gap := strings.LastIndex(line[:cut], "  "); gap >= 0 {
			if start := utf8.RuneCountInString(line[:gap+2]); start > column && start <= farthest {
				under = start
			}
		}
		b.WriteString(strings.TrimRight(line[:cut], " ") + "\n")
		line = strings.Repeat(" ", under) + strings.TrimLeft(line[cut:], " ")
	}
	b.WriteString(line + "\n")
}
