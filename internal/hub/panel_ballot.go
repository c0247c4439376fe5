package hub

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/panel"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// mostWords of one ballot.
const mostWords = 40

// place says for whom a call is: the seat of whoever makes it, or what it names.
func place(ctx context.Context, session, assessor string) (access.Seat, bool, error) {
	c, _ := access.From(ctx)
	if c.Seat == (access.Seat{}) {
		return access.Seat{Session: session, Assessor: assessor}, false, nil
	}
	if cmp.Or(session, c.Seat.Session) != c.Seat.Session || cmp.Or(assessor, c.Seat.Assessor) != c.Seat.Assessor {
		return c.Seat, true, refuse(pb.ErrorReason_ERROR_REASON_SESSION_UNKNOWN,
			"assessor: this link is of %s in session %s, and of nobody else", c.Seat.Assessor, c.Seat.Session)
	}
	return c.Seat, true, nil
}

// servingOf returns the order of an assessor.
func servingOf(x *pb.PanelSession, assessor string) (*pb.PanelServing, error) {
	var all []string
	for _, v := range x.GetPlanned().GetServings() {
		if v.GetAssessor() == assessor {
			return v, nil
		}
		all = append(all, v.GetAssessor())
	}
	return nil, refuse(pb.ErrorReason_ERROR_REASON_SESSION_UNKNOWN, "assessor: %q takes no part in session %s; %s", assessor, x.GetPlanned().GetSession(), names(all))
}

func (s *panelService) GetServing(ctx context.Context, r *pb.GetServingRequest) (*pb.GetServingResponse, error) {
	seat, linked, err := place(ctx, r.GetSession(), r.GetAssessor())
	if err != nil {
		return nil, err
	}
	answer := &pb.GetServingResponse{Session: seat.Session, Assessor: seat.Assessor}
	var refusal error
	err = s.scribe.read(ctx, func(b *book.Book) {
		x, err := sessionMeant(b, seat.Session)
		if err == nil && linked {
			err = valid(x, seat, s.scribe.clock.Now())
		}
		var v *pb.PanelServing
		if err == nil {
			v, err = servingOf(x, seat.Assessor)
		}
		if refusal = err; err != nil {
			return
		}
		answer.Title, answer.State, answer.Form = x.GetPlanned().GetTitle(), x.GetState(), proto.CloneOf(x.GetPlanned().GetForm())
		answer.Codes, answer.Until = slices.Clone(v.GetCodes()), x.GetOpened().GetUntil()
		for _, ballot := range x.GetBallots() {
			if ballot.GetCast().GetAssessor() == seat.Assessor {
				answer.Ballots = append(answer.Ballots, proto.CloneOf(ballot))
			}
		}
	})
	if err := first(refusal, err); err != nil {
		return nil, err
	}
	return answer, nil
}

// valid refuses a link whose time is over.
func valid(x *pb.PanelSession, seat access.Seat, now time.Time) error {
	if until := x.GetOpened().GetUntil().AsTime(); now.After(until) {
		return refuse(pb.ErrorReason_ERROR_REASON_SESSION_STATE, "session: the link of %s to session %s ended at %s: ask whoever leads it for a new one; what was sent is kept",
			seat.Assessor, seat.Session, until.Format(time.RFC3339))
	}
	return nil
}

// unchanged says that a ballot is in the record already.
type unchanged struct{ ballot *pb.Ballot }

func (unchanged) Error() string { return "the ballot is in the record already" }

func (s *panelService) CastBallot(ctx context.Context, r *pb.CastBallotRequest) (*pb.CastBallotResponse, error) {
	seat, linked, err := place(ctx, r.GetSession(), r.GetAssessor())
	if err != nil {
		return nil, err
	}
	planned, refusal := s.planned(ctx, seat.Session)
	m, missing, wrong := judgeBallot(planned.GetForm(), r)
	e, err := s.scribe.take(ctx, r, func(b *book.Book, now time.Time) (*pb.Entry, error) {
		x, err := sessionMeant(b, seat.Session)
		if err == nil && linked {
			err = valid(x, seat, now)
		}
		if err == nil {
			err = castable(x, seat, r.GetCode())
		}
		if err := first(err, refusal, wrong); err != nil {
			return nil, err
		}
		m.Session, m.Assessor = seat.Session, seat.Assessor
		if was := b.Ballot(seat.Session, seat.Assessor, r.GetCode()); was != nil {
			if sameBallot(was.GetCast(), m) {
				return nil, unchanged{proto.CloneOf(was)}
			}
			m.Replaces = was.GetCursor()
		}
		return &pb.Entry{Body: &pb.Entry_BallotCast{BallotCast: m}}, nil
	})
	var already unchanged
	switch {
	case errors.As(err, &already):
		was := already.ballot
		return &pb.CastBallotResponse{Cursor: was.GetCursor(), Score: was.GetCast().Score, Missing: missing}, s.scribe.onDisk(ctx, was.GetCursor())
	case err != nil:
		return nil, err
	}
	return &pb.CastBallotResponse{Cursor: e.GetCursor(), Score: e.GetBallotCast().Score, Missing: missing}, nil
}

// castable refuses a ballot that a session does not take.
func castable(x *pb.PanelSession, seat access.Seat, code uint32) error {
	v, err := servingOf(x, seat.Assessor)
	switch {
	case err != nil:
		return err
	case x.GetState() == pb.PanelState_PANEL_STATE_PLANNED:
		return refuse(pb.ErrorReason_ERROR_REASON_SESSION_STATE, "session: %s is not open yet: open it, and send the ballot again", seat.Session)
	case !going(x):
		return noLonger(x)
	case !slices.Contains(v.GetCodes(), code):
		return refuse(pb.ErrorReason_ERROR_REASON_SESSION_UNKNOWN, "code: no cup of session %s is called %d: look at its label again", seat.Session, code)
	}
	return nil
}

// judgeBallot holds what an assessor says against the form, and returns it with the
// attributes that are not marked yet.
func judgeBallot(m *pb.CuppingForm, r *pb.CastBallotRequest) (*pb.BallotCast, []string, error) {
	form := panel.FormOf(m)
	filled := panel.Filled{Marks: map[string]float64{}, Counted: map[string]int{}}
	for _, x := range r.GetMarks() {
		if _, twice := filled.Marks[x.GetAttribute()]; twice {
			return nil, nil, invalid("marks", "%s is marked twice", x.GetAttribute())
		}
		filled.Marks[x.GetAttribute()] = x.GetMark()
	}
	for _, x := range r.GetCounted() {
		if _, twice := filled.Counted[x.GetDeduction()]; twice {
			return nil, nil, invalid("counted", "%s is counted twice", x.GetDeduction())
		}
		if x.GetCups() > 0 {
			filled.Counted[x.GetDeduction()] = int(x.GetCups())
		}
	}
	missing, err := form.Missing(filled)
	if err != nil {
		return nil, nil, invalid("marks", "cup %d: %v", r.GetCode(), err)
	}
	ballot := &pb.BallotCast{Code: r.GetCode(), Absent: r.GetAbsent(), Note: r.GetNote()}
	if len(r.GetWords()) > mostWords {
		return nil, nil, invalid("words", "are %d; at most %d are taken", len(r.GetWords()), mostWords)
	}
	for _, text := range append(slices.Clone(r.GetWords()), r.GetAbsent()) {
		if err := checkText("words", text, longestName); err != nil {
			return nil, nil, err
		}
	}
	if err := checkText("note", r.GetNote(), longestText); err != nil {
		return nil, nil, err
	}
	ballot.Words = r.GetWords()
	for _, a := range form.Attributes {
		if mark, ok := filled.Marks[a.Name]; ok {
			ballot.Marks = append(ballot.Marks, &pb.BallotMark{Attribute: a.Name, Mark: mark})
		}
	}
	for _, d := range form.Deductions {
		if n := filled.Counted[d.Name]; n > 0 {
			ballot.Counted = append(ballot.Counted, &pb.BallotCount{Deduction: d.Name, Cups: uint32(n)})
		}
	}
	if len(missing) > 0 || r.GetAbsent() != "" {
		return ballot, missing, nil
	}
	score, err := form.Score(filled)
	if err != nil {
		return nil, nil, invalid("marks", "cup %d: %v", r.GetCode(), err)
	}
	ballot.Score = proto.Float64(score)
	return ballot, nil, nil
}
