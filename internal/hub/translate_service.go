package hub

import (
	"context"
	"math"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/compare"
	"github.com/evenbench/evenbench/internal/curves"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Of so many roasts, the nearest ones, the curves are read; and a curve from elsewhere may
// have so many points.
const (
	mostCurves = 10
	mostPoints = 100_000
)

// Translate says which roasts are nearest to a reference.
func (s *compareService) Translate(ctx context.Context, r *pb.TranslateRequest) (*pb.TranslateResponse, error) {
	named := 0
	for _, given := range []bool{r.GetSample() != "", r.GetRoast() != "", r.GetCurve() != nil} {
		if given {
			named++
		}
	}
	if named != 1 {
		return nil, invalid("sample", "roast and curve: give one of the three, which is the reference")
	}
	var records []*pb.SampleRecord
	var of *pb.SampleRecord // the reference's, if it is in the record
	var refusal error
	reference := r.GetRoast()
	err := s.scribe.read(ctx, func(b *book.Book) {
		if r.GetCurve() == nil {
			if of, reference, refusal = referenceOf(b, r.GetSample(), r.GetRoast()); refusal != nil {
				return
			}
		}
		records, refusal = selected(b, selection{"among", r.GetAmong(), r.GetSearch(), r.GetSince()})
	})
	if err := first(refusal, err); err != nil {
		return nil, err
	}
	written := r.GetTerms()
	if written == nil {
		written = compare.UsualTranslation()
	}
	if written, err = checkedTerms(written, append(slices.Clone(records), of)); err != nil {
		return nil, err
	}
	terms, _ := compare.Read(written) // it has been checked
	answer := &pb.TranslateResponse{Terms: written}
	var roasts []compare.Roast
	for _, record := range records {
		list, err := compare.OfRecord(record, terms.Aspects)
		if err != nil {
			return nil, refuse(pb.ErrorReason_ERROR_REASON_NOT_COMPARABLE, "%v", err)
		}
		if len(list) == 0 {
			answer.LeftOut = append(answer.LeftOut, record.GetSample()+" has no roast that ended")
		}
		roasts = append(roasts, slices.DeleteFunc(list, func(x compare.Roast) bool { return x.Name == reference })...)
	}
	from, curve, err := s.reference(ctx, r, of, reference, terms)
	if err != nil {
		return nil, err
	}
	answer.Reference = from.Told(terms.Aspects)
	if answer.Translations, err = compare.Nearest(from, roasts, terms); err != nil {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_NOT_COMPARABLE, "%v", err)
	}
	for _, t := range answer.Translations[:min(mostCurves, len(answer.Translations))] {
		one, err := s.curve(ctx, t.GetRoast())
		if err != nil {
			return nil, err
		}
		phases, _, err := curves.OnMarks(curve, one)
		if err != nil {
			answer.LeftOut = append(answer.LeftOut, t.GetRoast()+" has no phases to hold against the reference: "+err.Error())
			continue
		}
		t.Phases = translatedPhases(phases)
	}
	return answer, nil
}

// referenceOf returns the record and the roast that are meant: of a sample its latest
// roast that ended.
func referenceOf(b *book.Book, sample, name string) (*pb.SampleRecord, string, error) {
	if name != "" {
		x, code, ok := b.Roast(name)
		if !ok {
			return nil, "", refuse(pb.ErrorReason_ERROR_REASON_ROAST_UNKNOWN, "roast: there is no roast %q", name)
		}
		if code == "" || x.GetState() != pb.RoastState_ROAST_STATE_DROPPED {
			return nil, "", refuse(pb.ErrorReason_ERROR_REASON_NOT_COMPARABLE, "roast: %s has not ended with a drop, or is no sample's: name another", name)
		}
		sample = code
	}
	if err := known(b, sample); err != nil {
		return nil, "", err
	}
	record, _ := b.Record(sample)
	for _, x := range slices.Backward(record.GetRoasts()) {
		if x.GetState() == pb.RoastState_ROAST_STATE_DROPPED && (name == "" || x.GetRoast() == name) {
			return record, x.GetRoast(), nil
		}
	}
	return nil, "", refuse(pb.ErrorReason_ERROR_REASON_NOT_COMPARABLE, "sample: %s has no roast that ended: name another", sample)
}

// reference returns the reference's values and its curve.
func (s *compareService) reference(ctx context.Context, r *pb.TranslateRequest, of *pb.SampleRecord, name string, terms compare.Terms) (compare.Roast, curves.Roast, error) {
	if c := r.GetCurve(); c != nil {
		return imported(c, terms)
	}
	list, err := compare.OfRecord(of, terms.Aspects)
	if err != nil {
		return compare.Roast{}, curves.Roast{}, refuse(pb.ErrorReason_ERROR_REASON_NOT_COMPARABLE, "%v", err)
	}
	curve, err := s.curve(ctx, name)
	return list[slices.IndexFunc(list, func(x compare.Roast) bool { return x.Name == name })], curve, err
}

// imported reads a curve that comes from elsewhere.
func imported(c *pb.ReferenceCurve, terms compare.Terms) (compare.Roast, curves.Roast, error) {
	none := func(err error) (compare.Roast, curves.Roast, error) { return compare.Roast{}, curves.Roast{}, err }
	if len(c.GetAtS()) != len(c.GetCel()) || len(c.GetAtS()) > mostPoints {
		return none(invalid("curve", "has %d times and %d temperatures; as many of both are needed, and at most %d", len(c.GetAtS()), len(c.GetCel()), mostPoints))
	}
	if err := checkText("curve.name", c.GetName(), longestName); err != nil {
		return none(err)
	}
	marks, by := roast.Marks{}, roast.Methods{}
	for _, m := range c.GetMarks() {
		if _, twice := marks[m.GetKind()]; twice {
			return none(invalid("curve.marks", "has %s twice", book.MarkWord(m.GetKind())))
		}
		marks[m.GetKind()], by[m.GetKind()] = m.GetAtS(), roast.MethodPerson
	}
	trace := roast.Trace{At: c.GetAtS(), Cel: c.GetCel()}
	found, err := roast.Findings(trace, marks, by)
	if err != nil {
		return none(invalid("curve", "%v", err))
	}
	var made []*pb.FindingMade
	for _, f := range found {
		made = append(made, f.Entry())
	}
	out, wrong, ok := compare.OfCurve(c.GetName(), made, c.GetValues(), terms.Aspects)
	if !ok {
		return none(invalid("curve.values", "%s cannot be: give a finite number in the unit of its tolerance", wrong))
	}
	return out, curves.Roast{Trace: trace, Marks: marks}, nil
}

// curve returns the bean curve and the marks of a roast of the record.
func (s *compareService) curve(ctx context.Context, name string) (curves.Roast, error) {
	var at book.Span
	var by anew
	marks := roast.Marks{}
	if err := s.scribe.read(ctx, func(b *book.Book) {
		x, _, _ := b.Roast(name)
		at, by = b.Span(name), anewOf(b, x)
		for _, m := range x.GetMarks() {
			marks[m.GetKind()] = at.Charge + m.GetElapsedS()
		}
	}); err != nil {
		return curves.Roast{}, err
	}
	trace, err := beanCurve(ctx, s.scribe.ledger, at, by)
	return curves.Roast{Trace: trace, Marks: marks}, err
}

// translatedPhases says the phases of two roasts, of which the first is the reference.
func translatedPhases(list []curves.Phase) (out []*pb.TranslatedPhase) {
	for _, p := range list {
		t := &pb.TranslatedPhase{
			From: p.From, To: p.To, ReferenceS: p.Seconds[0], HereS: p.Seconds[1], ReferenceShare: p.Share[0], HereShare: p.Share[1],
		}
		if !math.IsNaN(p.Progress) {
			t.Progress = proto.Float64(p.Progress)
		}
		out = append(out, t)
	}
	return out
}
