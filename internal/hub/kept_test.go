package hub

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// kept are ledgers as earlier builds wrote them, each with the sample records that are
// in it. A new build must read them all.
const kept = "../../testdata/ledgers"

var keep = flag.String("keep", "", "write the ledger of this `name` anew, as this build does")

// openKept opens a ledger and folds it.
func openKept(t *testing.T, dir string) (*ledger.Ledger, *book.Replay, map[string]int) {
	t.Helper()
	replay := &book.Replay{Book: book.New()}
	kinds := map[string]int{}
	l, err := ledger.Open(t.Context(), ledger.Options{Dir: dir, HubVersion: "kept", Visit: func(s ledger.Stored) error {
		e, err := s.Entry()
		if err != nil {
			return err
		}
		if len(e.ProtoReflect().GetUnknown()) > 0 {
			t.Errorf("entry %d has fields that this build does not know", e.GetCursor())
		}
		if field := e.ProtoReflect().WhichOneof(entryBody); field != nil {
			kinds[string(field.Name())]++
		}
		replay.Apply(e)
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	return l, replay, kinds
}

// recordsOf writes all sample records as JSON, the same for the same records.
func recordsOf(t testing.TB, b *book.Book) []byte {
	t.Helper()
	list, _ := b.List("", 0, 1<<20, 1<<30)
	var out bytes.Buffer
	for _, r := range list {
		text, err := protojson.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Indent(&out, text, "", "  "); err != nil {
			t.Fatal(err)
		}
		out.WriteByte('\n')
	}
	return out.Bytes()
}

// parsed reads what recordsOf wrote.
func parsed(t *testing.T, text []byte) (list []*pb.SampleRecord) {
	t.Helper()
	for d := json.NewDecoder(bytes.NewReader(text)); d.More(); {
		var one json.RawMessage
		if err := d.Decode(&one); err != nil {
			t.Fatal(err)
		}
		r := &pb.SampleRecord{}
		if err := protojson.Unmarshal(one, r); err != nil {
			t.Fatal(err)
		}
		list = append(list, r)
	}
	return list
}

// Every ledger that an earlier build wrote opens, is complete, and folds to the sample
// records that it folded to then.
func TestP6_OlderLedgersOpen(t *testing.T) {
	versions, err := os.ReadDir(kept)
	if err != nil || len(versions) == 0 {
		t.Fatalf("no ledger is kept in %s: %v", kept, err)
	}
	for _, v := range versions {
		t.Run(v.Name(), func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "ledger")
			if err := os.CopyFS(dir, os.DirFS(filepath.Join(kept, v.Name(), "ledger"))); err != nil {
				t.Fatal(err)
			}
			before, err := ledger.Audit(t.Context(), dir)
			if err != nil || !before.GetUnbroken() {
				t.Fatalf("the audit says %v, %v", before.GetFaults(), err)
			}
			l, replay, _ := openKept(t, dir)
			golden, err := os.ReadFile(filepath.Join(kept, v.Name(), "records.json"))
			if err != nil {
				t.Fatal(err)
			}
			want, got := parsed(t, golden), parsed(t, recordsOf(t, replay.Book))
			if len(got) != len(want) || len(want) == 0 {
				t.Fatalf("%d samples, want %d", len(got), len(want))
			}
			for i := range want {
				if !proto.Equal(got[i], want[i]) {
					t.Errorf("%s was folded to\n%v\nwhen the ledger was kept, and is now\n%v", want[i].GetSample(), want[i], got[i])
				}
			}
			// It is not only read: the record goes on.
			s := &scribe{ledger: l, book: replay.Book, tally: newTally()}
			note := &pb.Entry{Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{Sample: want[0].GetSample(), Text: "and on"}}}
			if err := s.record(t.Context(), note); err != nil {
				t.Error(err)
			}
			if err := l.Close(); err != nil {
				t.Error(err)
			}
			after, err := ledger.Audit(t.Context(), dir)
			if err != nil || !after.GetUnbroken() || after.GetEntries() != before.GetEntries()+1 {
				t.Errorf("with one entry more the audit says %v, %v", after, err)
			}
		})
	}
}

// The newest ledger kept has every kind of entry that there is.
func TestKeptLedgerHasEveryKind(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "ledger")
	if err := os.CopyFS(dir, os.DirFS(filepath.Join(kept, newest(t), "ledger"))); err != nil {
		t.Fatal(err)
	}
	l, _, kinds := openKept(t, dir)
	defer l.Close()
	for i := range entryBody.Fields().Len() {
		if name := string(entryBody.Fields().Get(i).Name()); kinds[name] == 0 {
			t.Errorf("no %s is in it: add one to story, and write the ledger anew: see DEVELOPERS.md", name)
		}
	}
}

// newest returns the name of the newest ledger.
func newest(t *testing.T) string {
	t.Helper()
	versions, err := os.ReadDir(kept)
	if err != nil {
		t.Fatal(err)
	}
	latest := ""
	for _, v := range versions {
		latest = max(latest, v.Name())
	}
	return latest
}

// TestKeepALedger writes a ledger for later builds to read.
func TestKeepALedger(t *testing.T) {
	if *keep == "" {
		t.Skip("a ledger is written only with -keep NAME")
	}
	place := filepath.Join(kept, *keep)
	if err := os.RemoveAll(place); err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(place, "ledger")
	l, replay, _ := openKept(t, dir)
	replay.Apply(&pb.Entry{Cursor: l.Last(), Body: &pb.Entry_RecordOpened{RecordOpened: l.Opened()}})
	s := &scribe{ledger: l, book: replay.Book, tally: newTally()}
	tell(t, newRecorder(s, zap.NewNop(), nil, nobodyStates), s)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(place, "records.json"), recordsOf(t, replay.Book), 0o644); err != nil {
		t.Fatal(err)
	}
	// It holds nothing of the record.
	if err := os.Remove(filepath.Join(dir, "lock")); err != nil {
		t.Error(err)
	}
}

// tell records a short day with every kind of entry. Everything in it is invented.
func tell(t *testing.T, r *recorder, s *scribe) {
	begin := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	at := func(seconds float64) *timestamppb.Timestamp {
		return timestamppb.New(begin.Add(time.Duration(seconds * float64(time.Second))))
	}
	now := 0.0
	enter := func(e *pb.Entry) {
		now++
		e.RecordedAt = at(now)
		if e.Actor == "" {
			e.Actor = "ana"
		}
		if err := s.record(context.Background(), e); err != nil {
			t.Fatal(err)
		}
	}
	batch := func(instrument, run string, first uint64, series ...*pb.Series) {
		m := &pb.ReadingBatch{Instrument: instrument, Run: run, FirstNumber: first, Start: at(now), StartElapsedUs: int64(now * 1e6), ReceivedAt: at(now), Series: series}
		for _, one := range series {
			m.Count += uint32(len(one.GetRow()))
		}
		s.book.Bind(m)
		enter(&pb.Entry{Actor: actorDriver, Body: &pb.Entry_Readings{Readings: m}})
	}
	series := func(channel, quantity, unit string, values ...float64) *pb.Series {
		one := &pb.Series{Channel: channel, Quantity: quantity, Unit: unit, DeviceUnit: unit, StandardUncertainty: []float64{0.05}}
		for i, v := range values {
			one.Row = append(one.Row, uint32(i))
			one.AfterUs = append(one.AfterUs, int32(i)*1_000_000)
			one.Value = append(one.Value, v)
			one.DeviceText = append(one.DeviceText, fmt.Sprint(v))
		}
		// As the hub stores them: without the texts that the values give, where there are
		// such, and without device values that are the values.
		one.DeviceValue = values
		one.LeaveOutTexts()
		one.DeviceValue = nil
		return one
	}
	enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_LabLoaded{LabLoaded: &pb.LabLoaded{LabName: "Kept lab", Digest: "00", Stations: []*pb.Station{
		{Name: "reception", Kind: pb.StationKind_STATION_KIND_BENCH}, {Name: "drum-1", Kind: pb.StationKind_STATION_KIND_DRUM}, {Name: "room", Kind: pb.StationKind_STATION_KIND_ROOM},
	}, Criteria: []*pb.Criteria{{Name: "house", Digest: "01", AcceptedRisk: 0.05, Windows: []*pb.Window{
		{Finding: "total_time", Unit: "s", Low: proto.Float64(200), High: proto.Float64(300), Source: "house rule"},
	}}}}}})
	low, high := 0.0, 2000.0
	enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{Instrument: "scale", Run: "run-scale", Station: "reception", Driver: "ascii", Sheet: "bench-scale", OpenedAt: at(0), Channels: []*pb.Channel{
		{Name: "mass", Quantity: "mass", Unit: "g", DeviceUnit: "g", Low: &low, High: &high, Property: "received_mass", Kind: pb.ChannelKind_CHANNEL_KIND_SPOT},
	}}}})
	probes := func(run string) {
		enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_RunOpened{RunOpened: &pb.RunOpened{Instrument: "probes", Run: run, Station: "drum-1", Driver: "modbus", Sheet: "thermocouple-reader", OpenedAt: at(now), Channels: []*pb.Channel{
			{Name: "bean", Quantity: "temperature", Unit: "Cel", DeviceUnit: "Cel", Role: "bean", Cadence: durationpb.New(time.Second), Kind: pb.ChannelKind_CHANNEL_KIND_CONTINUOUS},
		}}}})
	}
	probes("run-probes")
	enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_InstrumentChanged{InstrumentChanged: &pb.InstrumentChanged{Instrument: "scale", State: pb.InstrumentState_INSTRUMENT_STATE_MEASURING}}})
	for _, code := range []string{"K-001", "K-002"} {
		enter(&pb.Entry{RequestId: "register " + code, Body: &pb.Entry_SampleRegistered{SampleRegistered: &pb.SampleRegistered{Sample: code, Identity: &pb.SampleIdentity{
			Kind: pb.SampleKind_SAMPLE_KIND_OFFER, Lot: "26-01", Process: "washed", Origin: "a hill",
		}}}})
	}
	enter(&pb.Entry{Body: &pb.Entry_SampleAmended{SampleAmended: &pb.SampleAmended{Sample: "K-001", Reason: "misread", Changes: []*pb.FieldChange{{Field: "lot", Old: "26-01", New: "26-10"}}}}})
	batch("scale", "run-scale", 1, series("mass", "mass", "g", 351.2)) // nobody's, until it is assigned
	enter(&pb.Entry{Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{Station: "reception", Sample: "K-001", At: at(now), By: pb.PlacementMeans_PLACEMENT_MEANS_CALL}}})
	batch("scale", "run-scale", 2, series("mass", "mass", "g", 352.4))
	enter(&pb.Entry{Body: &pb.Entry_ReadingsAssigned{ReadingsAssigned: &pb.ReadingsAssigned{Instrument: "scale", Run: "run-scale", FirstNumber: 1, LastNumber: 1, Sample: "K-002", Reason: "it was on the pan"}}})
	enter(&pb.Entry{Body: &pb.Entry_SampleRemoved{SampleRemoved: &pb.SampleRemoved{Station: "reception", Sample: "K-001", At: at(now), Reason: "done"}}})
	enter(&pb.Entry{Body: &pb.Entry_InstrumentAsked{InstrumentAsked: &pb.InstrumentAsked{Instrument: "scale", Action: "tare"}}})
	for _, seen := range [][2]string{{"SN 1", ""}, {"SN 2", "SN 1"}} {
		enter(&pb.Entry{Actor: actorDriver, Body: &pb.Entry_InstrumentIdentified{InstrumentIdentified: &pb.InstrumentIdentified{Instrument: "scale", Run: "run-scale", Identity: seen[0], Expected: seen[1]}}})
	}
	enter(&pb.Entry{Body: &pb.Entry_InstrumentAdopted{InstrumentAdopted: &pb.InstrumentAdopted{Instrument: "scale", Identity: "SN 2", Was: "SN 1", Reason: "the old one is at the mender's"}}})
	calibration := &pb.Calibration{
		Id: "weights", Instrument: "scale", Channel: "mass", DeviceIdentity: "SN 2", Unit: "g", Form: pb.CalibrationForm_CALIBRATION_FORM_OFFSET,
		Coefficients: []float64{0.2, 1}, Covariance: []float64{0.0004, 0, 0, 0}, Low: 100, High: 500, From: at(0), Method: "least_squares/1",
		Points:    []*pb.CalibrationPoint{{Read: 499.8, Reference: 500, ReferenceUncertainty: 0.02, Means: pb.ReferenceMeans_REFERENCE_MEANS_WEIGHT, WeightClass: "M1"}},
		Confirmed: []*pb.CalibrationConcern{{Code: "one_point", Text: "it rests on one point"}},
	}
	enter(&pb.Entry{Body: &pb.Entry_CalibrationMade{CalibrationMade: &pb.CalibrationMade{Calibration: calibration, Reason: "it was moved"}}})
	for _, read := range []float64{500.01, 501.2} {
		verdict := pb.CheckVerdict_CHECK_VERDICT_INSIDE
		if read > 501 {
			verdict = pb.CheckVerdict_CHECK_VERDICT_OUTSIDE
		}
		enter(&pb.Entry{Body: &pb.Entry_InstrumentChecked{InstrumentChecked: &pb.InstrumentChecked{
			Instrument: "scale", Channel: "mass", Check: "weight 500 g", DeviceIdentity: "SN 2", Unit: "g", Reference: 500, ReferenceUncertainty: 0.02,
			Value: read, ValueUncertainty: 0.05, Limit: 0.3, Verdict: verdict, Calibration: "weights",
		}}})
	}
	enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_ClockStepped{ClockStepped: &pb.ClockStepped{Instrument: "scale", Run: "run-scale", Step: durationpb.New(-3 * time.Second)}}})
	enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_Gap{Gap: &pb.Gap{Instrument: "scale", Run: "run-scale", FirstNumber: 3, Count: 4, From: at(now), To: at(now + 1), Reason: pb.GapReason_GAP_REASON_DRIVER_DROPPED}}})
	enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_RunClosed{RunClosed: &pb.RunClosed{Instrument: "scale", Run: "run-scale", LastNumber: 6, Reason: "stopped"}}})
	enter(&pb.Entry{Body: &pb.Entry_SampleQueued{SampleQueued: &pb.SampleQueued{Station: "drum-1", Sample: "K-002", Position: 1}}})
	enter(&pb.Entry{Body: &pb.Entry_SampleUnqueued{SampleUnqueued: &pb.SampleUnqueued{Station: "drum-1", Sample: "K-002", Reason: "later"}}})
	enter(&pb.Entry{Body: &pb.Entry_NoteAdded{NoteAdded: &pb.NoteAdded{Sample: "K-001", Text: "smells of fruit"}}})

	// A roast as a person sets its marks: what follows from them is of the hub.
	bean := make([]float64, 300)
	for i := range bean {
		bean[i] = 200 - 100*float64(i)/300
	}
	batch("probes", "run-probes", 1, series("bean", "temperature", "Cel", bean...))
	charge := 200.0
	enter(&pb.Entry{Body: &pb.Entry_RoastOpened{RoastOpened: &pb.RoastOpened{Roast: "R-0001", Sample: "K-001", Station: "drum-1", Instrument: "probes", Run: "run-probes", FirstNumber: 1, ChargedAt: at(now), Method: "person", BeanCel: &charge}}})
	mark := func(kind pb.MarkKind, elapsed float64) {
		enter(&pb.Entry{Body: &pb.Entry_MarkSet{MarkSet: &pb.MarkSet{Roast: "R-0001", Kind: kind, At: at(now + elapsed), ElapsedS: elapsed, Method: "person"}}})
	}
	mark(pb.MarkKind_MARK_KIND_CHARGE, 0)
	mark(pb.MarkKind_MARK_KIND_FIRST_CRACK, 200)
	// The driver is started anew, and the roast goes on.
	enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_RunClosed{RunClosed: &pb.RunClosed{Instrument: "probes", Run: "run-probes", LastNumber: 300, Reason: "crashed"}}})
	probes("run-probes-2")
	batch("probes", "run-probes-2", 1, series("bean", "temperature", "Cel", bean[:10]...))
	mark(pb.MarkKind_MARK_KIND_DROP, 260)
	enter(&pb.Entry{Body: &pb.Entry_RoastClosed{RoastClosed: &pb.RoastClosed{Roast: "R-0001", LastNumber: 10}}})
	enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_VerdictGiven{VerdictGiven: &pb.VerdictGiven{Sample: "K-001", Criteria: "house", Digest: "01", AcceptedRisk: 0.05, Verdict: pb.Verdict_VERDICT_NOT_MEASURED, Windows: []*pb.WindowVerdict{
		{Window: &pb.Window{Property: "water_activity", Unit: "1", High: proto.Float64(0.7), Source: "house rule"}, Verdict: pb.Verdict_VERDICT_NOT_MEASURED},
	}}}})
	enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_FlagRaised{FlagRaised: &pb.FlagRaised{Code: pb.FlagCode_FLAG_CODE_UNKNOWN_CODE, Station: "reception", Sample: "K-002", Text: "a code that no sample has"}}})
	enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_CheckpointSigned{CheckpointSigned: &pb.CheckpointSigned{Note: "a note", Size: 40, Key: "kept-lab+00000000+AA=="}}})
	enter(&pb.Entry{Body: &pb.Entry_CheckpointCosigned{CheckpointCosigned: &pb.CheckpointCosigned{Note: "a note of two", Size: 40, Key: "buyer+00000000+AA=="}}})
	tellOfComparisons(enter)
	tellOfPanels(enter, at)
}

// tellOfComparisons records a study of drums that was given up, a drum that drifts and a
// decision.
func tellOfComparisons(enter func(*pb.Entry)) {
	terms := &pb.ParityTerms{Confidence: 0.95, Tolerances: []*pb.Tolerance{{Name: "total_time", Within: 30, Unit: "s", Source: "house rule"}}}
	enter(&pb.Entry{Body: &pb.Entry_MatchingPlanned{MatchingPlanned: &pb.MatchingPlanned{
		Study: "M-0001", Samples: []string{"K-002"}, Drums: []string{"drum-1"}, Blocks: 1, Seed: 7, Terms: terms, Reason: "a new burner",
		Charges: []*pb.MatchingCharge{{Block: 1, Place: 1, Drum: "drum-1", Sample: "K-002", Lot: "26-01"}},
	}}})
	enter(&pb.Entry{Body: &pb.Entry_MatchingEnded{MatchingEnded: &pb.MatchingEnded{Study: "M-0001", Reason: "no gas"}}})
	enter(&pb.Entry{Actor: actorHub, Body: &pb.Entry_DrumDrifted{DrumDrifted: &pb.DrumDrifted{
		Station: "drum-1", Lot: "26-10", Name: "total_time", Unit: "s", Roast: "R-0001", Sample: "K-001", Target: 240, Lower: 230, Upper: 250, Average: 252, Suggested: 12,
	}}})
	enter(&pb.Entry{Body: &pb.Entry_DecisionMade{DecisionMade: &pb.DecisionMade{
		Lot: "26-10", Decision: pb.Decision_DECISION_BLEND, Reason: "clean, and not much else", DecidedBy: "ana", Samples: []string{"K-001"},
		Recommended: pb.Decision_DECISION_SELL, RuleSource: "house rule", AsOf: 7,
	}}})
}
