package book

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// sessionPrefix begins the names of sessions that the hub gave.
const sessionPrefix = "P-"

// scoreFinding is the finding of a sample that its latest session makes.
const scoreFinding = "cupping_score"

func (b *Book) panelPlanned(e *pb.Entry, m *pb.PanelPlanned) {
	b.sessions = append(b.sessions, &pb.PanelSession{
		Planned: m, PlannedAt: e.GetRecordedAt(), State: pb.PanelState_PANEL_STATE_PLANNED, AsOf: e.GetCursor(),
	})
}

func (b *Book) panelOpened(e *pb.Entry, m *pb.PanelOpened) {
	s := b.session(m.GetSession())
	if s == nil {
		return
	}
	s.Opened, s.OpenedAt, s.State, s.AsOf = m, e.GetRecordedAt(), pb.PanelState_PANEL_STATE_OPEN, e.GetCursor()
	s.Openings++
}

func (b *Book) ballotCast(e *pb.Entry, m *pb.BallotCast) {
	s := b.session(m.GetSession())
	if s == nil {
		return
	}
	s.AsOf = e.GetCursor()
	ballot := &pb.Ballot{Cast: m, Cursor: e.GetCursor(), At: e.GetRecordedAt(), Actor: e.GetActor(), Person: e.GetPerson()}
	if i := ballotOf(s, m.GetAssessor(), m.GetCode()); i >= 0 {
		ballot.Earlier = s.Ballots[i].GetEarlier() + 1
		s.Ballots[i] = ballot
		return
	}
	s.Ballots = append(s.Ballots, ballot)
}

// panelClosed gives every sample of a session what it said of it. Nothing of a session is in
// the record of a sample before.
func (b *Book) panelClosed(e *pb.Entry, m *pb.PanelClosed) {
	s := b.session(m.GetSession())
	if s == nil {
		return
	}
	s.Closed, s.ClosedAt, s.State, s.AsOf = m, e.GetRecordedAt(), pb.PanelState_PANEL_STATE_CLOSED, e.GetCursor()
	if m.GetAbandoned() != "" {
		s.State = pb.PanelState_PANEL_STATE_ABANDONED
	}
	for _, lot := range m.GetOutcome().GetLots() {
		x := b.samples[lot.GetSample()]
		if x == nil || lot.GetBest() == 0 {
			continue
		}
		x.record.Scores = append(x.record.Scores, &pb.PanelScore{
			Session: m.GetSession(), Form: s.GetPlanned().GetForm().GetName(), At: e.GetRecordedAt(), Lot: proto.CloneOf(lot), Cursor: e.GetCursor(),
		})
		x.record.Findings = slices.DeleteFunc(x.record.Findings, func(f *pb.Finding) bool { return f.GetName() == scoreFinding })
		x.record.Findings = append(x.record.Findings, &pb.Finding{
			Name: scoreFinding, Value: lot.GetMean(), Unit: "1", StandardUncertainty: lot.StandardUncertainty,
			Method: m.GetOutcome().GetMethod(), Inputs: []uint64{e.GetCursor()}, Cursor: e.GetCursor(),
		})
		b.touch(x)
	}
}

func (b *Book) session(name string) *pb.PanelSession {
	for _, s := range b.sessions {
		if s.GetPlanned().GetSession() == name {
			return s
		}
	}
	return nil
}

// ballotOf returns the place of the ballot of an assessor for a code; -1 if there is none.
func ballotOf(s *pb.PanelSession, assessor string, code uint32) int {
	return slices.IndexFunc(s.GetBallots(), func(x *pb.Ballot) bool {
		return x.GetCast().GetAssessor() == assessor && x.GetCast().GetCode() == code
	})
}

// Session returns a session of a panel as it is; nil if there is none. It must not be
// changed, nor kept.
func (b *Book) Session(name string) *pb.PanelSession { return b.session(name) }

// Ballot returns the ballot of an assessor for a code that counts; nil if there is none.
func (b *Book) Ballot(session, assessor string, code uint32) *pb.Ballot {
	s := b.session(session)
	if i := ballotOf(s, assessor, code); i >= 0 {
		return s.Ballots[i]
	}
	return nil
}

// Sessions returns all sessions in the order of their plans. They must not be changed, nor
// kept.
func (b *Book) Sessions() []*pb.PanelSession { return b.sessions }

// FreeSession returns a name that no session has.
func (b *Book) FreeSession() string {
	for n := len(b.sessions) + 1; ; n++ {
		if name := fmt.Sprintf("%s%04d", sessionPrefix, n); b.session(name) == nil {
			return name
		}
	}
}
