package board

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// amendPage shows what is said of a sample, to be corrected.
func (b *Board) amendPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	got, err := b.record.GetSample(r.Context(), &pb.GetSampleRequest{Sample: r.PathValue("code")})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	f := newForm(v)
	id := got.GetRecord().GetIdentity()
	f.Code = got.GetRecord().GetSample()
	f.Values = map[string]string{
		"kind": show.Hyphened(id.GetKind()), "lot": id.GetLot(), "ico_mark": id.GetIcoMark(), "coffee_year": id.GetCoffeeYear(),
		"process": id.GetProcess(), "origin": id.GetOrigin(),
	}
	b.show(w, r, http.StatusOK, "amend", v.T("Correct %s", f.Code), f, "")
}

func (b *Board) amend(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	f := newForm(v)
	f.Code = r.PathValue("code")
	f.typed(r, append(identityFields, "reason")...)
	_, err := b.desk.AmendSample(r.Context(), &pb.AmendSampleRequest{
		RequestId: f.Request, Person: v.actor(), Sample: f.Code, Identity: identityOf(f.Values), Reason: f.Values["reason"],
	})
	if err != nil {
		f.fails(err)
		b.show(w, r, httpStatus(err), "amend", v.T("Correct %s", f.Code), f, "")
		return
	}
	http.Redirect(w, r, base+"samples/"+url.PathEscape(f.Code)+"?done="+url.QueryEscape(v.T("Corrected; the old value stays in the history.")), http.StatusSeeOther)
}

// undoable returns the cursor of the n-th correction if it can be taken back: a later one
// of the same field would have to be taken back first. Values made anew with another
// calibration are none of a person's corrections.
func undoable(list []*pb.Correction, n int) uint64 {
	c := list[n]
	if c.GetCursor() == 0 || c.GetReason() == "" {
		return 0
	}
	for _, later := range list[n+1:] {
		if later.GetField() == c.GetField() {
			return 0
		}
	}
	return c.GetCursor()
}

// undo takes a correction of a sample back, by a further one that puts the old value in
// its place again.
func (b *Board) undo(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	sample := r.PathValue("code")
	cursor, _ := strconv.ParseUint(r.PostFormValue("correction"), 10, 64)
	err := b.takeBack(r, sample, cursor)
	if err != nil {
		b.failed(w, r, err)
		return
	}
	b.done303(w, r, v.T("Taken back by a further correction; both stay in the history."), "samples/"+url.PathEscape(sample)+"#history")
}

func (b *Board) takeBack(r *http.Request, sample string, cursor uint64) error {
	ctx, person, id, reason := r.Context(), visitorOf(r).actor(), requestID(r), strings.TrimSpace(r.PostFormValue("reason"))
	got, err := b.record.GetSample(ctx, &pb.GetSampleRequest{Sample: sample})
	if err != nil {
		return err
	}
	rec := got.GetRecord()
	var c *pb.Correction
	for i, x := range rec.GetCorrections() {
		if cursor != 0 && undoable(rec.GetCorrections(), i) == cursor && (c == nil || x.GetField() == r.PostFormValue("field")) {
			c = x
		}
	}
	if c == nil {
		return status.Errorf(codes.FailedPrecondition, "correction: entry %d is not the last correction of a field of %s: load the page again", cursor, sample)
	}
	e, err := b.entry(ctx, cursor)
	if err != nil {
		return err
	}
	switch m := e.GetBody().(type) {
	case *pb.Entry_SampleAmended:
		identity := rec.GetIdentity()
		if err := put(identity, c.GetField(), c.GetOld()); err != nil {
			return err
		}
		_, err = b.desk.AmendSample(ctx, &pb.AmendSampleRequest{RequestId: id, Person: person, Sample: sample, Identity: identity, Reason: reason})
	case *pb.Entry_MarkSet:
		req := &pb.SetMarkRequest{RequestId: id, Person: person, Roast: m.MarkSet.GetRoast(), Kind: m.MarkSet.GetKind(), Reason: reason, Withdraw: c.GetOld() == ""}
		if !req.GetWithdraw() {
			if req.At, err = markedAt(rec, m.MarkSet.GetRoast(), c.GetOld()); err != nil {
				return err
			}
		}
		_, err = b.desk.SetMark(ctx, req)
	case *pb.Entry_ReadingsAssigned:
		a := m.ReadingsAssigned
		_, err = b.desk.AssignReadings(ctx, &pb.AssignReadingsRequest{
			RequestId: id, Person: person, Instrument: a.GetInstrument(), Run: a.GetRun(), FirstNumber: a.GetFirstNumber(), LastNumber: a.GetLastNumber(),
			Sample: c.GetOld(), Reason: reason,
		})
	default:
		return status.Errorf(codes.FailedPrecondition, "correction: entry %d is none that a person can take back", cursor)
	}
	return err
}

// markedAt reads the time of a mark from a correction, where it is counted from the charge.
func markedAt(rec *pb.SampleRecord, roast, elapsed string) (*timestamppb.Timestamp, error) {
	s, err := strconv.ParseFloat(strings.TrimSuffix(elapsed, " s"), 64)
	for _, x := range rec.GetRoasts() {
		if x.GetRoast() == roast && err == nil {
			return timestamppb.New(x.GetChargedAt().AsTime().Add(time.Duration(s * float64(time.Second)))), nil
		}
	}
	return nil, status.Errorf(codes.FailedPrecondition, "correction: %q is no time of a mark of roast %s: set the mark anew", elapsed, roast)
}

// put sets a field of an identity to what it was.
func put(id *pb.SampleIdentity, field, value string) error {
	switch field {
	case "kind":
		n, ok := show.Choice(pb.SampleKind(0).Descriptor(), value)
		if !ok {
			return status.Errorf(codes.FailedPrecondition, "correction: there is no kind of sample %q", value)
		}
		id.Kind = pb.SampleKind(n)
	case "lot":
		id.Lot = value
	case "ico_mark":
		id.IcoMark = value
	case "coffee_year":
		id.CoffeeYear = value
	case "process":
		id.Process = value
	case "origin":
		id.Origin = value
	default:
		return status.Errorf(codes.FailedPrecondition, "correction: there is no field %q to put back: correct the sample instead", field)
	}
	return nil
}
