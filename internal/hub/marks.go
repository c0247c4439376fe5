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
	if roast == "" {
		return judgeCharge(b, r, at)
	}
	m := &pb.MarkSet{Roast: roast, Kind: r.GetKind(), Method: "person", Reason: r.GetReason(), Withdrawn: r.GetWithdraw()}
	was, set := b.Mark(roast, r.GetKind())
	switch {
	case r.GetWithdraw() && !set:
		return nil, refuse(pb.ErrorReason_ERROR_REASON_MARK_ORDER, "kind: roast %s has no %s to withdraw", roast, book.MarkWord(r.GetKind()))
	case r.GetWithdraw() && r.GetKind() == pb.MarkKind_MARK_KIND_CHARGE:
		return nil, refuse(pb.ErrorReason_ERROR_REASON_MARK_ORDER, "kind: the charge of roast %s cannot be withdrawn, for all its times run from it: move it instead", roast)
	case set:
		if err := checkReason(r.GetReason()); err != nil {
			return nil, invalid("reason", "is missing: roast %s has its %s at %.1f s already; say why it is %s", roast,
				book.MarkWord(r.GetKind()), was.GetElapsedS(), map[bool]string{true: "withdrawn", false: "moved"}[r.GetWithdraw()])
		}
		m.Replaces = was.GetCursor()
	}
	if r.GetWithdraw() {
		m.ElapsedS, m.At = was.GetElapsedS(), was.GetAt()
		return &pb.Entry{Body: &pb.Entry_MarkSet{MarkSet: m}}, nil
	}
	m.At, m.ElapsedS = timestamppb.New(at), b.Elapsed(roast, at)
	if err := inOrder(b, m); err != nil {
		return nil, err
	}
	if cel, ok := b.BeanAt(roast, at); ok {
		m.BeanCel = proto.Float64(cel)
	}
	return &pb.Entry{Body: &pb.Entry_MarkSet{MarkSet: m}}, nil
}

// roastMeant returns the roast of a request, "" if there is none yet.
func roastMeant(b *book.Book, r *pb.SetMarkRequest) (string, error) {
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
			"station: no roast goes on in %s, so it has no %s: mark the charge first, or name the roast to correct", r.GetStation(), book.MarkWord(r.GetKind()))
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
	return &pb.Entry{Body: &pb.Entry_RoastOpened{RoastOpened: opened}}, nil
}

// inOrder refuses a mark that would stand before one that comes before it, or
// after one that comes after it.
func inOrder(b *book.Book, m *pb.MarkSet) error {
	for kind := pb.MarkKind_MARK_KIND_CHARGE; kind <= pb.MarkKind_MARK_KIND_COOLED; kind++ {
		other, set := b.Mark(m.GetRoast(), kind)
		if !set || kind == m.GetKind() {
			continue
		}
		early := kind < m.GetKind() && m.GetAt().AsTime().Before(other.GetAt().AsTime())
		late := kind > m.GetKind() && m.GetAt().AsTime().After(other.GetAt().AsTime())
		if early || late {
			return refuse(pb.ErrorReason_ERROR_REASON_MARK_ORDER,
				"at: %s at %.1f s would be %s the %s of roast %s, which is at %.1f s: correct the time, or move that mark first",
				book.MarkWord(m.GetKind()), m.GetElapsedS(), map[bool]string{true: "before", false: "after"}[early],
				book.MarkWord(kind), m.GetRoast(), other.GetElapsedS())
		}
	}
	return nil
}
