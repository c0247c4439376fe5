package ledger

import (
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// subjectOf returns the subject under which an entry is stored, below prefix:
//
//	i.INSTRUMENT  what an instrument's driver reported
//	s.SAMPLE      what was done with a sample
//	g             everything else
//
// Subjects are for whoever filters in JetStream itself; the hub filters by what
// is in the entries.
func subjectOf(prefix string, e *pb.Entry) string {
	if name := instrumentOf(e); name != "" {
		return prefix + ".i." + token(name)
	}
	if name := sampleOf(e); name != "" {
		return prefix + ".s." + token(name)
	}
	return prefix + ".g"
}

func instrumentOf(e *pb.Entry) string {
	switch b := e.GetBody().(type) {
	case *pb.Entry_Readings:
		return b.Readings.GetInstrument()
	case *pb.Entry_RunOpened:
		return b.RunOpened.GetInstrument()
	case *pb.Entry_Gap:
		return b.Gap.GetInstrument()
	case *pb.Entry_RunClosed:
		return b.RunClosed.GetInstrument()
	case *pb.Entry_InstrumentChanged:
		return b.InstrumentChanged.GetInstrument()
	case *pb.Entry_ClockStepped:
		return b.ClockStepped.GetInstrument()
	}
	return ""
}

func sampleOf(e *pb.Entry) string {
	switch b := e.GetBody().(type) {
	case *pb.Entry_SampleRegistered:
		return b.SampleRegistered.GetSample()
	case *pb.Entry_SampleAmended:
		return b.SampleAmended.GetSample()
	case *pb.Entry_SampleQueued:
		return b.SampleQueued.GetSample()
	case *pb.Entry_SampleUnqueued:
		return b.SampleUnqueued.GetSample()
	case *pb.Entry_SamplePlaced:
		return b.SamplePlaced.GetSample()
	case *pb.Entry_SampleRemoved:
		return b.SampleRemoved.GetSample()
	case *pb.Entry_ReadingsAssigned:
		return b.ReadingsAssigned.GetSample()
	case *pb.Entry_NoteAdded:
		return b.NoteAdded.GetSample()
	case *pb.Entry_RoastOpened:
		return b.RoastOpened.GetSample()
	case *pb.Entry_FindingMade:
		return b.FindingMade.GetSample()
	case *pb.Entry_FlagRaised:
		return b.FlagRaised.GetSample()
	}
	return ""
}

// maxTokenBytes keeps a name typed by a person from making a subject that the
// server refuses.
const maxTokenBytes = 64

// token makes a name fit to be one part of a subject: no dots, blanks,
// wildcards or control characters.
func token(name string) string {
	if len(name) > maxTokenBytes {
		name = name[:maxTokenBytes]
	}
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_':
			return r
		}
		return '_'
	}, name)
}
