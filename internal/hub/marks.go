package hub

import (
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/book"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// judgeMark judges a mark that a person sets, moves or withdraws.
func judgeMark(b *book.Book, r *pb.SetMarkRequest, now time.Time) (*pb.Entry, error) {
	if r.GetKind() == pb.MarkKind_MARK_KIND_UNSPECIFIED || pb.MarkKind_name[int32(r.GetKind())] == "" {
		return nil, invalid("kind", "is missing: charge, turning point, yellowing, first crack, second crack, drop or cooled")
	}
	at, err := when("at", r.GetAt(), now)
	if err != nil {
		return nil, err
	}
	roast, err := roastMeant(b, r)
	if err != nil {
		return nil, err
	}
	if roast == "" && r.GetWithdraw() {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_MARK_ORDER, "station: no roast goes on in %s: name the roast whose mark to withdraw", r.GetStation())
	}
	if roast == "" {
		return judgeCharge(b, r, at)
	}
	m := &pb.MarkSet{Roast: roast, Kind: r.GetKind(), Method: book.MethodPerson, Reason: r.GetReason(), Withdrawn: r.GetWithdraw()}
	was, set := b.Mark(roast, r.GetKind())
	switch {
	case r.GetWithdraw() && !set:
		return nil, refuse(pb.ErrorReason_ERROR_REASON_MARK_ORDER, "kind: roast %s has no %s to withdraw", roast, book.MarkWord(r.GetKind()))
	case r.GetWithdraw() && r.GetKind() == pb.MarkKind_MARK_KIND_CHARGE:
		return nil, refuse(pb.ErrorReason_ERROR_REASON_MARK_ORDER, "kind: the charge of roast %s cannot be withdrawn, for all its times run from it: move it instead", roast)
	case set:
		if err := checkReason(r.GetReason()); err != nil {
			return nil, invalid("reason", "is missing: roast %s has its %s at %.1f s already; say why that changes", roast,
				book.MarkWord(r.GetKind()), was.GetElapsedS())
		}
		m.Replaces = was.GetCursor()
	}
	if r.GetWithdraw() {
		m.ElapsedS, m.At = was.GetElapsedS(), was.GetAt()
		return &pb.Entry{Body: &pb.Entry_MarkSet{MarkSet: m}}, nil
	}
	m.At, m.ElapsedS = timestamppb.New(at), b.Elapsed(roast, at)
	if err := b.CheckMark(roast, r.GetKind(), at); err != nil {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_MARK_ORDER, "at: roast %s, in seconds from its charge: %v: correct the time, or move the other mark first", roast, err)
	}
	if cel, ok := b.BeanAt(roast, at); ok {
		m.BeanCel = proto.Float64(cel)
	}
	return &pb.Entry{Body: &pb.Entry_MarkSet{MarkSet: m}}, nil
}

// roastMeant returns the roast of a request, "" if there is none yet.
func roastMeant(b *book.Book, r *pb.SetMarkRequest) (string, error) {
	if r.GetRoast() != "" && r.GetStation() != "" {
		return "", invalid("station", "is set, and roast too: name one of the two")
	}
	if name := r.GetRoast(); name != "" {
		if _, _, ok := b.Roast(name); !ok {
			return "", refuse(pb.ErrorReason_ERROR_REASON_ROAST_UNKNOWN, "roast: there is no roast %q", name)
		}
		return name, nil
	}
	if err := drum(b, r.GetStation()); err != nil {
		return "", err
	}
	roast := b.RoastOn(r.GetStation())
	if roast == "" && r.GetKind() != pb.MarkKind_MARK_KIND_CHARGE {
		return "", refuse(pb.ErrorReason_ERROR_REASON_MARK_ORDER,
			"station: no roast goes on in %s, so it has no %s: mark the charge first, with the time at which the beans went in if that is a while ago, and then the %[2]s; or name the roast to correct",
			r.GetStation(), book.MarkWord(r.GetKind()))
	}
	return roast, nil
}

// judgeCharge begins a roast whose charge was not found.
func judgeCharge(b *book.Book, r *pb.SetMarkRequest, at time.Time) (*pb.Entry, error) {
	opened := b.DraftRoast(r.GetStation(), at)
	if opened == nil {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_INSTRUMENT_AWAY,
			"station: no bean probe measures in %s, so a roast cannot be followed there: check its instrument", r.GetStation())
	}
	if since := b.ChargeableSince(r.GetStation()); !at.After(since) {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_MARK_ORDER,
			"at: %s has been measured, and been without a roast, only since %s, so a charge at %s cannot be followed: give a later time, or name the roast whose charge to move",
			r.GetStation(), since.Format(time.RFC3339), at.Format(time.RFC3339))
	}
	return &pb.Entry{Body: &pb.Entry_RoastOpened{RoastOpened: opened}}, nil
}
