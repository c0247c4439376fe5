package hub

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/panel"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// errMoved says that a ballot came while the outcome was computed.
var errMoved = errors.New("a ballot came meanwhile")

// mostMoves is how often an outcome is computed anew because ballots came.
const mostMoves = 5

// CloseSession computes the outcome before the entry is made, and not while the record
// waits: a bootstrap takes longer than a reading may.
func (s *panelService) CloseSession(ctx context.Context, r *pb.CloseSessionRequest) (*pb.CloseSessionResponse, error) {
	if err := first(checkText("force", r.GetForce(), longestText), checkText("abandon", r.GetAbandon(), longestText)); err != nil {
		return nil, err
	}
	for range mostMoves {
		e, err := s.tryClose(ctx, r)
		if errors.Is(err, errMoved) {
			continue
		}
		if err != nil {
			return nil, err
		}
		s.seat(ctx, r.GetSession())
		return &pb.CloseSessionResponse{Cursor: e.GetCursor()}, nil
	}
	return nil, refuse(pb.ErrorReason_ERROR_REASON_BALLOTS_MISSING, "session: ballots for %s come faster than they can be computed: close it once they are in", r.GetSession())
}

func (s *panelService) tryClose(ctx context.Context, r *pb.CloseSessionRequest) (*pb.Entry, error) {
	var x *pb.PanelSession
	var refusal error
	lots := map[string]string{}
	if err := s.scribe.read(ctx, func(b *book.Book) {
		if x, refusal = sessionMeant(b, r.GetSession()); refusal != nil {
			return
		}
		x = proto.CloneOf(x)
	}); err != nil {
		return nil, err
	}
	m, err := s.drawClose(ctx, x, r, lots)
	return s.scribe.take(ctx, r, func(b *book.Book, _ time.Time) (*pb.Entry, error) {
		if err := first(refusal, err); err != nil {
			return nil, err
		}
		if b.Session(r.GetSession()).GetAsOf() != x.GetAsOf() {
			return nil, errMoved
		}
		return &pb.Entry{Body: &pb.Entry_PanelClosed{PanelClosed: m}}, nil
	})
}

// drawClose drafts the end of a session, or says why it cannot end.
func (s *panelService) drawClose(ctx context.Context, x *pb.PanelSession, r *pb.CloseSessionRequest, lots map[string]string) (*pb.PanelClosed, error) {
	m := &pb.PanelClosed{Session: r.GetSession(), Forced: r.GetForce(), Abandoned: r.GetAbandon()}
	switch {
	case x == nil:
		return nil, nil
	case !going(x):
		return nil, noLonger(x)
	case r.GetForce() != "" && r.GetAbandon() != "":
		return nil, invalid("abandon", "is given, and force too: close %s, or give it up", r.GetSession())
	case r.GetAbandon() != "":
		m.Missing, _ = lacking(x)
		return m, nil
	case x.GetState() == pb.PanelState_PANEL_STATE_PLANNED:
		return nil, refuse(pb.ErrorReason_ERROR_REASON_SESSION_STATE, "session: %s was not opened, so that nobody has tasted: open it, or give it up with abandon and a reason", r.GetSession())
	}
	var few string
	if m.Missing, few = lacking(x); len(m.Missing) > 0 && r.GetForce() == "" {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_BALLOTS_MISSING,
			"session: %s still lacks %s: wait for them, enter why there is none, or close it with force and a reason; after that nothing is taken for it", r.GetSession(), few)
	}
	if len(m.Missing) == 0 {
		m.Forced = ""
	}
	key, err := s.keys.read(x.GetPlanned())
	if err != nil {
		return nil, err
	}
	if err := s.scribe.read(ctx, func(b *book.Book) {
		for _, c := range key.Cups {
			record, _ := b.Record(c.Lot)
			lots[c.Lot] = record.GetIdentity().GetLot()
		}
	}); err != nil {
		return nil, err
	}
	m.Seed = key.Seed[:]
	for _, c := range key.Cups {
		m.Cups = append(m.Cups, &pb.PanelCup{Code: uint32(c.Code), Sample: c.Lot, Roast: c.Roast, Copy: uint32(c.Copy)})
	}
	m.Outcome, err = panel.Conclude(key, panel.FormOf(x.GetPlanned().GetForm()), x.GetBallots(), lots)
	return m, err
}

// lacking returns the ballots that a session lacks, and says it in words.
func lacking(x *pb.PanelSession) (list []string, words string) {
	whole := map[string]bool{}
	begun := map[string]bool{}
	at := func(assessor string, code uint32) string { return fmt.Sprintf("%s: %d", assessor, code) }
	for _, b := range x.GetBallots() {
		name := at(b.GetCast().GetAssessor(), b.GetCast().GetCode())
		begun[name] = true
		whole[name] = b.GetCast().Score != nil || b.GetCast().GetAbsent() != ""
	}
	var parts []string
	for _, v := range x.GetPlanned().GetServings() {
		var codes []string
		for _, c := range v.GetCodes() {
			name := at(v.GetAssessor(), c)
			if whole[name] {
				continue
			}
			list = append(list, name)
			if begun[name] {
				codes = append(codes, fmt.Sprintf("%d (not whole)", c))
			} else {
				codes = append(codes, fmt.Sprint(c))
			}
		}
		switch all := len(v.GetCodes()); {
		case len(codes) == 0:
		case len(codes) > 6:
			parts = append(parts, fmt.Sprintf("%d of %d ballots of %s", len(codes), all, v.GetAssessor()))
		default:
			parts = append(parts, fmt.Sprintf("%d of %d ballots of %s (%s)", len(codes), all, v.GetAssessor(), strings.Join(codes, ", ")))
		}
	}
	return list, strings.Join(parts, "; ")
}
