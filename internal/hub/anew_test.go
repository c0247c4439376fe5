package hub

import (
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// beanOff makes anew, from the beginning of a season, what the bean probe of its first drum
// said: it read so many kelvins too much.
func beanOff(t *testing.T, s *season, id string, kelvins float64) {
	t.Helper()
	c := &pb.Calibration{
		Id: id, Instrument: "drum-1-probes", Channel: "bean", Unit: "Cel", Form: pb.CalibrationForm_CALIBRATION_FORM_OFFSET,
		Coefficients: []float64{-kelvins, 1}, Covariance: []float64{0.01, 0, 0, 0}, High: 300, From: timestamppb.New(s.runs["drum-1-probes"]),
	}
	var roasts roastsToRead
	if err := s.scribe.read(t.Context(), func(b *book.Book) { roasts = roastsAnew(b, c) }); err != nil {
		t.Fatal(err)
	}
	curves, err := roasts.read(t.Context(), s.scribe.ledger)
	if err != nil {
		t.Fatal(err)
	}
	for roast, curve := range curves {
		s.scribe.book.Lend(roast, curve)
	}
	s.enter(&pb.Entry{Actor: "ana", Body: &pb.Entry_CalibrationMade{CalibrationMade: &pb.CalibrationMade{Calibration: c}}})
}

// withoutTimes returns the records of samples without when the hub made them anew.
func withoutTimes(b *book.Book) (list []*pb.SampleRecord) {
	list, _ = b.List("", 0, 1<<20, 1<<30)
	for _, r := range list {
		for _, c := range r.GetCorrections() {
			c.At = nil
		}
	}
	return list
}

// However far a hub has come with making anew what a calibration concerns, the next one
// makes the rest of it: the marks of the roasts too, whose curves it reads from the record.
func TestP3_KilledWhileACalibrationIsMade(t *testing.T) {
	dir := t.TempDir()
	var made uint64 // the cursor of the calibration
	var all []*pb.SampleRecord
	writeSeason(t, filepath.Join(dir, "ledger"), 2, 20, func(s *season) {
		made = s.scribe.book.Last() + 1
		beanOff(t, s, "ice", 2)
		all = withoutTimes(s.scribe.book)
	})
	whole, err := ledger.Open(t.Context(), ledger.Options{Dir: filepath.Join(dir, "ledger"), HubVersion: "season"})
	if err != nil {
		t.Fatal(err)
	}
	defer whole.Close()
	killed, err := ledger.Open(t.Context(), ledger.Options{Dir: filepath.Join(dir, "killed"), HubVersion: "season"})
	if err != nil {
		t.Fatal(err)
	}
	defer killed.Close()
	marks := 0
	for reader := whole.Read(killed.Last()); reader.Cursor() < whole.Last(); {
		entries, err := reader.Next(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, stored := range entries {
			e, err := stored.Entry()
			if err != nil {
				t.Fatal(err)
			}
			if e.GetMarkSet() != nil && stored.Cursor > made {
				marks++
			}
			killed.Append(e, ignore)
			if err := killed.Await(t.Context(), stored.Cursor); err != nil {
				t.Fatal(err)
			}
			if stored.Cursor < made {
				continue
			}
			for _, unsure := range []error{nil, book.ErrUnsure} {
				if b := started(t, killed, unsure); b.Last() != whole.Last() || !alike(withoutTimes(b), all) {
					t.Fatalf("killed after entry %d of %d (shortcuts: %v), the next hub comes to entry %d and\n%v\nwant\n%v",
						stored.Cursor, whole.Last(), unsure == nil, b.Last(), withoutTimes(b), all)
				}
			}
		}
	}
	if marks < 3 {
		t.Errorf("%d marks were made anew, want those of a roast: this shows nothing", marks)
	}
}

func alike(a, b []*pb.SampleRecord) bool {
	for i := range a {
		if len(a) != len(b) || !proto.Equal(a[i], b[i]) {
			return false
		}
	}
	return len(a) == len(b)
}

// started returns the book of a hub that starts on a record, with what it owes.
func started(t *testing.T, l *ledger.Ledger, unsure error) *book.Book {
	t.Helper()
	f := newFold()
	for reader := l.Read(0); reader.Cursor() < l.Last(); {
		entries, err := reader.Next(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, stored := range entries {
			if err := f.visit(stored); err != nil {
				t.Fatal(err)
			}
		}
	}
	f.unsure = unsure
	b, owed, err := f.finish(t.Context(), l, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	s := &scribe{book: b, tally: newTally()}
	for len(owed) > 0 {
		owed = append(s.place(owed[0], time.Now()), owed[1:]...)
	}
	return b
}

// A curve says which of its values a failed check has cast doubt on, and that a calibration
// which made them anew has taken it away.
func TestP8_ACurveSaysWhatIsDoubtful(t *testing.T) {
	var trace func(roast string) *pb.GetTraceResponse
	check := func(s *season, verdict pb.CheckVerdict) {
		s.enter(&pb.Entry{Actor: "ana", Body: &pb.Entry_InstrumentChecked{InstrumentChecked: &pb.InstrumentChecked{
			Instrument: "drum-1-probes", Channel: "bean", Check: "ice", Unit: "Cel", Value: 2, Limit: 0.5, Verdict: verdict,
		}}})
	}
	// Roasts of the first drum, and the reasons of doubt in their curves.
	look := func(t *testing.T, s *season, code string, want ...pb.QualityReason) {
		t.Helper()
		record, _ := s.scribe.book.Record(code)
		for _, c := range trace(record.GetRoasts()[0].GetRoast()).GetCurves() {
			if c.GetChannel() != "bean" {
				if len(c.GetDoubts()) > 0 {
					t.Errorf("%s, %s: %v; only the bean probe was checked", code, c.GetChannel(), c.GetDoubts())
				}
				continue
			}
			if len(c.GetDoubts()) != len(want) {
				t.Errorf("%s: %v, want %v", code, c.GetDoubts(), want)
				continue
			}
			for i, d := range c.GetDoubts() {
				if d.GetReason() != want[i] || d.GetFirst() != 0 || int(d.GetLast()) != len(c.GetValue())-1 {
					t.Errorf("%s: %v of %d values, want all of them, for %v", code, d, len(c.GetValue()), want[i])
				}
			}
		}
	}
	n := 0
	writeSeason(t, filepath.Join(t.TempDir(), "ledger"), 2*seasonDrums, 20, func(s *season) {
		service := &recordService{scribe: s.scribe}
		trace = func(roast string) *pb.GetTraceResponse {
			r, err := service.GetTrace(t.Context(), &pb.GetTraceRequest{Roast: roast})
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		if n++; n == 1 {
			check(s, pb.CheckVerdict_CHECK_VERDICT_INSIDE)
			return
		}
		look(t, s, "K-00005")
		check(s, pb.CheckVerdict_CHECK_VERDICT_OUTSIDE)
		look(t, s, "K-00001")
		look(t, s, "K-00005", pb.QualityReason_QUALITY_REASON_CHECK_FAILED)
		beanOff(t, s, "ice", 2)
		look(t, s, "K-00005")
	})
}
