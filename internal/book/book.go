// Package book folds the entries of the ledger into what is known: the samples,
// the bench, the runs and the roasts.
//
// The fold is pure and deterministic: the same entries give the same sample
// records, byte for byte. Some entries have consequences: a reading of a scanner
// places a sample, a mark changes findings. Apply returns them as drafts; the hub
// records each and applies it in turn. While the ledger is folded from the start,
// the consequences are in it already, and Replay tells which are still owed.
package book

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Book is the state after a sequence of entries. It is not safe for concurrent
// use.
type Book struct {
	last     uint64
	opened   *pb.RecordOpened
	lab      *pb.LabLoaded
	samples  map[string]*sample
	order    []*sample // as registered
	stations map[string]*station
	runs     map[runKey]*run
	current  map[string]*run // by instrument
	devices  map[string]Device
	// By instrument, in the order of the record.
	calibrations map[string][]*calibration
	checks       map[checkKey]*checked
	roasts       map[string]*oneRoast
	studies      []*study // as planned
	drifts       map[chartKey]*pb.DrumDrifted
	labs         []uint64 // cursors of the lab files that were loaded
	requests     map[string]*pb.Entry
	sessions     []*pb.PanelSession // of panels, as planned
	changes      []change
	codes        int // codes that the hub gave

	roastsNamed int
	// Charges found in the batch being applied, by drum.
	charged map[*station]int
	stale   []*oneRoast // whose findings the entry being applied may have changed
	// Samples of which it may have changed the verdicts on what was measured green.
	unjudged []*sample

	now    time.Time // recorded_at of the entry being applied
	cause  uint64
	drafts []*pb.Entry

	skims  bool  // a Skim folds, and not the last step
	unsure error // why what it comes to may not be used
}

// change says that an entry changed the record of a sample.
type change struct {
	cursor uint64
	sample *sample
}

// New returns the state before the first entry.
func New() *Book {
	return &Book{
		samples:      map[string]*sample{},
		stations:     map[string]*station{},
		runs:         map[runKey]*run{},
		current:      map[string]*run{},
		devices:      map[string]Device{},
		calibrations: map[string][]*calibration{},
		checks:       map[checkKey]*checked{},
		roasts:       map[string]*oneRoast{},
		drifts:       map[chartKey]*pb.DrumDrifted{},
		requests:     map[string]*pb.Entry{},
		charged:      map[*station]int{},
	}
}

// Apply folds in the next entry and returns drafts of the entries that follow
// from it, in order. Each is to be recorded and applied, with what follows from it,
// before the next. A draft has a body and a cause; the hub adds the rest. The book
// keeps references into e.
//
// Apply does not judge: an entry that is in the ledger happened. What a person
// asks for is judged before it is recorded, by the Check methods.
func (b *Book) Apply(e *pb.Entry) []*pb.Entry {
	b.begin(e.GetCursor(), e.GetCause(), e.GetRecordedAt().AsTime())
	if e.GetCause() == 0 {
		b.noteRequest(e)
	}
	switch body := e.GetBody().(type) {
	case *pb.Entry_RecordOpened:
		b.opened = body.RecordOpened
	case *pb.Entry_LabLoaded:
		b.labLoaded(body.LabLoaded)
	case *pb.Entry_RunOpened:
		b.runOpened(body.RunOpened)
	case *pb.Entry_Readings:
		b.readings(body.Readings)
	case *pb.Entry_Gap:
		b.gap(body.Gap)
	case *pb.Entry_RunClosed:
		b.runClosed(body.RunClosed)
	case *pb.Entry_ClockStepped:
		b.clockStepped(e.GetRecordedAt().AsTime(), body.ClockStepped)
	case *pb.Entry_InstrumentIdentified:
		b.instrumentIdentified(body.InstrumentIdentified)
	case *pb.Entry_InstrumentAdopted:
		b.instrumentAdopted(body.InstrumentAdopted)
	case *pb.Entry_CalibrationMade:
		b.calibrationMade(e, body.CalibrationMade)
	case *pb.Entry_InstrumentChecked:
		b.instrumentChecked(e, body.InstrumentChecked)
	case *pb.Entry_ReadingsDoubted:
		b.readingsDoubted(body.ReadingsDoubted)
	case *pb.Entry_SampleRegistered:
		b.sampleRegistered(e, body.SampleRegistered)
	case *pb.Entry_SampleAmended:
		b.sampleAmended(e, body.SampleAmended)
	case *pb.Entry_SampleQueued:
		b.sampleQueued(body.SampleQueued)
		b.studyQueued(body.SampleQueued)
	case *pb.Entry_SampleUnqueued:
		b.sampleUnqueued(body.SampleUnqueued.GetStation(), body.SampleUnqueued.GetSample())
		b.studyUnqueued(body.SampleUnqueued)
	case *pb.Entry_SamplePlaced:
		b.samplePlaced(body.SamplePlaced)
	case *pb.Entry_SampleRemoved:
		b.sampleRemoved(body.SampleRemoved)
	case *pb.Entry_ReadingsAssigned:
		b.readingsAssigned(e, body.ReadingsAssigned)
	case *pb.Entry_MeasurementTaken:
		b.measurementTaken(e, body.MeasurementTaken)
		b.watchMeasured(body.MeasurementTaken)
	case *pb.Entry_NoteAdded:
		b.noteAdded(e, body.NoteAdded)
	case *pb.Entry_RoastOpened:
		b.roastOpened(body.RoastOpened)
		b.studyCharged(body.RoastOpened)
	case *pb.Entry_MarkSet:
		b.markSet(e, body.MarkSet)
	case *pb.Entry_RoastContinued:
		b.roastContinued(body.RoastContinued)
	case *pb.Entry_RoastClosed:
		b.roastClosed(body.RoastClosed)
		b.studyClosed(body.RoastClosed)
	case *pb.Entry_FindingMade:
		b.findingMade(e, body.FindingMade)
		b.watchFinding(body.FindingMade)
	case *pb.Entry_VerdictGiven:
		b.verdictGiven(e, body.VerdictGiven)
	case *pb.Entry_FlagRaised:
		b.flagRaised(e, body.FlagRaised)
	case *pb.Entry_MatchingPlanned:
		b.matchingPlanned(e, body.MatchingPlanned)
	case *pb.Entry_MatchingEnded:
		b.matchingEnded(body.MatchingEnded)
	case *pb.Entry_DrumDrifted:
		b.drumDrifted(body.DrumDrifted)
	case *pb.Entry_DecisionMade:
		b.decisionMade(e, body.DecisionMade)
	case *pb.Entry_PanelPlanned:
		b.panelPlanned(e, body.PanelPlanned)
	case *pb.Entry_PanelOpened:
		b.panelOpened(e, body.PanelOpened)
	case *pb.Entry_BallotCast:
		b.ballotCast(e, body.BallotCast)
	case *pb.Entry_PanelClosed:
		b.panelClosed(e, body.PanelClosed)
	}
	b.draftFindings()
	drafts := b.drafts
	b.drafts = nil
	return drafts
}

// begin readies the book for an entry.
func (b *Book) begin(cursor, cause uint64, recorded time.Time) {
	b.last, b.now, b.cause = cursor, recorded, cursor
	b.drafts = nil
	clear(b.charged)
	if cause == 0 {
		b.roastsNamed = len(b.roasts)
	}
}

// follow drafts an entry that follows from the one being applied. The body is set
// by the caller.
func (b *Book) follow(e *pb.Entry) {
	e.Cause = b.cause
	b.drafts = append(b.drafts, e)
}

// touch notes that the entry being applied changed the record of s.
func (b *Book) touch(s *sample) {
	if s == nil {
		return
	}
	if n := len(b.changes); n > 0 && b.changes[n-1] == (change{b.last, s}) {
		return
	}
	for i := len(b.changes) - 1; i >= 0 && b.changes[i].cursor == b.last; i-- {
		if b.changes[i].sample == s {
			return
		}
	}
	b.changes = append(b.changes, change{b.last, s})
	s.record.Revision++
	s.record.AsOf = b.last
}

// Last returns the cursor of the last entry applied.
func (b *Book) Last() uint64 { return b.last }

// Opened returns what the first entry said; nil before it.
func (b *Book) Opened() *pb.RecordOpened { return b.opened }

// Lab returns the lab as last loaded; nil before that.
func (b *Book) Lab() *pb.LabLoaded { return b.lab }

// Record returns a copy of the record of a sample.
func (b *Book) Record(code string) (*pb.SampleRecord, bool) {
	s, ok := b.samples[code]
	if !ok {
		return nil, false
	}
	return proto.CloneOf(s.record), true
}

// Changed returns copies of the records that entries after one cursor, up to and
// including another, changed; each once, in the order of their first change.
func (b *Book) Changed(after, upTo uint64) []*pb.SampleRecord {
	i, _ := slices.BinarySearchFunc(b.changes, after+1, func(c change, cursor uint64) int {
		return cmp.Compare(c.cursor, cursor)
	})
	var records []*pb.SampleRecord
	seen := map[*sample]bool{}
	for ; i < len(b.changes) && b.changes[i].cursor <= upTo; i++ {
		if s := b.changes[i].sample; !seen[s] {
			seen[s] = true
			records = append(records, proto.CloneOf(s.record))
		}
	}
	return records
}

// Replay folds a ledger from its start and finds what is owed.
//
// A step is an entry from outside and its consequences, recorded one after the
// other. When the hub ends in the middle of a step, the rest of it is missing from
// the ledger; it can only be the last step.
type Replay struct {
	Book *Book
	owed []*pb.Entry
}

// Apply folds in the next entry of the ledger.
func (r *Replay) Apply(e *pb.Entry) {
	rest := r.owed
	switch {
	case e.GetCause() == 0:
		rest = nil
	case len(rest) > 0 && kind(rest[0]) == kind(e):
		rest = rest[1:]
	default:
		// Another version of the hub found something else to follow. What it
		// recorded counts.
		rest = nil
	}
	r.owed = append(r.Book.Apply(e), rest...)
}

// kind returns what an entry is about, as the name of a field of its body.
func kind(e *pb.Entry) protoreflect.Name {
	m := e.ProtoReflect()
	if field := m.WhichOneof(m.Descriptor().Oneofs().ByName("body")); field != nil {
		return field.Name()
	}
	return ""
}

// Owed returns the consequences that are missing at the end of the ledger, in
// order.
func (r *Replay) Owed() []*pb.Entry { return r.owed }
