package hub

import (
	"bytes"
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/book"
	"github.com/evenbench/evenbench/internal/panel"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// panelService runs blind cuppings. What a code stands for leaves the keyring only in the
// entry that closes a session.
type panelService struct {
	pb.UnimplementedPanelServiceServer
	scribe *scribe
	guard  *access.Guard
	keys   keyring
	random io.Reader
	// address that pages are served on, and whether over TLS.
	address string
	tls     bool

	plans sync.Mutex // they wait for each other
}

func newPanelService(h *Hub) *panelService {
	s := &panelService{
		scribe: h.scribe, guard: h.guard, keys: keyring{h.lab.Data}, random: h.options.Random, address: h.HTTP(), tls: h.lab.Access != nil,
	}
	if s.random == nil {
		s.random = rand.Reader
	}
	return s
}

const (
	// leastSamples of a session: with one there is nothing to be blind to.
	leastSamples = 2
	// mostAssessors and mostCups of a session: a large championship is smaller.
	mostAssessors = 100
	mostCups      = 200
	// avoidedCodes is how many codes of the latest sessions are not used again.
	avoidedCodes = 400
)

func (s *panelService) PlanSession(ctx context.Context, r *pb.PlanSessionRequest) (*pb.PlanSessionResponse, error) {
	s.plans.Lock()
	defer s.plans.Unlock()
	// What is kept of the request must not tell which samples are served: not even its
	// digest, against which guesses could be held.
	open := proto.CloneOf(r)
	open.Samples, open.Doubles = nil, 0
	if err := checkOrder(ctx, open); err != nil {
		return nil, err
	}
	planned, key, err := s.draw(ctx, r)
	if err != nil {
		return nil, err
	}
	if key != nil {
		if err := s.keys.keep(*key); err != nil {
			return nil, refuse(pb.ErrorReason_ERROR_REASON_RECORD_UNWRITABLE, "%v: mend the cause and plan it again", err)
		}
	}
	e, err := s.scribe.take(ctx, open, func(*book.Book, time.Time) (*pb.Entry, error) {
		return &pb.Entry{Body: &pb.Entry_PanelPlanned{PanelPlanned: planned}}, nil
	})
	if err != nil {
		return nil, err
	}
	m := e.GetPanelPlanned()
	if key == nil {
		if err := s.sameSamples(r, m); err != nil {
			return nil, err
		}
	}
	return &pb.PlanSessionResponse{Session: m.GetSession(), Cursor: e.GetCursor(), Codes: m.GetCodes(), KeyFile: s.keys.file(m.GetSession())}, nil
}

// sameSamples holds a retry against the plan that it repeats.
func (s *panelService) sameSamples(r *pb.PlanSessionRequest, m *pb.PanelPlanned) error {
	k, err := s.keys.read(m)
	if err != nil {
		return err
	}
	names, doubles := map[string]bool{}, 0
	for _, c := range k.Cups {
		names[c.Lot] = true
		doubles += c.Copy
	}
	same := len(names) == len(r.GetSamples()) && doubles == int(r.GetDoubles())
	for _, x := range r.GetSamples() {
		same = same && names[x.GetSample()]
	}
	if !same {
		return refuse(pb.ErrorReason_ERROR_REASON_REQUEST_ID_REUSED,
			"request_id: %q was used for another plan, %s: make a new id for every call, and repeat one only to retry", r.GetRequestId(), m.GetSession())
	}
	return nil
}

// draw plans what a request asks for; nothing, if the request is a retry.
func (s *panelService) draw(ctx context.Context, r *pb.PlanSessionRequest) (*pb.PanelPlanned, *panel.Key, error) {
	form, err := formMeant(r)
	if err != nil {
		return nil, nil, err
	}
	setting := panel.Setting{Assessors: r.GetAssessors(), Doubles: int(r.GetDoubles())}
	for _, c := range r.GetCodes() {
		setting.Labels = append(setting.Labels, panel.Code(c))
	}
	name, retry := "", false
	var refusal error
	err = s.scribe.read(ctx, func(b *book.Book) {
		if _, retry = b.Request(r.GetRequestId()); retry {
			return
		}
		if name, refusal = newSession(b, r); refusal != nil {
			return
		}
		setting.Avoid = taken(b, len(setting.Labels) > 0)
		setting.Lots, refusal = lotsMeant(b, r)
	})
	if err := first(refusal, err); err != nil || retry {
		return nil, nil, err
	}
	if _, err := io.ReadFull(s.random, setting.Seed[:]); err != nil {
		return nil, nil, fmt.Errorf("draw the seed of a session: %w", err)
	}
	session, err := panel.Plan(setting)
	if err != nil {
		return nil, nil, invalid("samples", "%v", err)
	}
	key := &panel.Key{Session: name, Seed: setting.Seed, Cups: session.Cups}
	commitment := key.Commitment()
	m := &pb.PanelPlanned{Session: name, Title: r.GetTitle(), Form: form.Message(), Commitment: commitment[:]}
	for _, c := range session.Cups {
		m.Codes = append(m.Codes, uint32(c.Code))
	}
	for _, v := range session.Servings {
		serving := &pb.PanelServing{Assessor: v.Assessor}
		for _, c := range v.Codes {
			serving.Codes = append(serving.Codes, uint32(c))
		}
		m.Servings = append(m.Servings, serving)
	}
	return m, key, nil
}

// formMeant returns the form of a plan.
func formMeant(r *pb.PlanSessionRequest) (panel.Form, error) {
	if r.GetForm() != nil && r.GetFormName() != "" {
		return panel.Form{}, invalid("form", "is given, and form_name too: give one of the two")
	}
	if r.GetForm() != nil {
		f := panel.FormOf(r.GetForm())
		if err := f.Check(); err != nil {
			return panel.Form{}, invalid("form", "%q: %v", f.Name, err)
		}
		return f, checkText("form", fmt.Sprint(f), largestForm)
	}
	var all []string
	for _, f := range panel.Forms() {
		if f.Name == r.GetFormName() {
			return f, nil
		}
		all = append(all, fmt.Sprintf("%q", f.Name))
	}
	return panel.Form{}, invalid("form_name", "there is no form %q; %s, or give one of your own", r.GetFormName(), names(all))
}

// largestForm is more than any form of paper has, in bytes of text.
const largestForm = 20_000

// newSession judges the names of a plan, and returns that of the session.
func newSession(b *book.Book, r *pb.PlanSessionRequest) (string, error) {
	name := r.GetSession()
	if name == "" {
		name = b.FreeSession()
	}
	switch {
	case !codeForm.MatchString(name):
		return "", invalid("session", "%q is no name of a session: 1 to 32 of A-Z, 0-9 and '-'", name)
	case b.Session(name) != nil:
		return "", invalid("session", "%s is planned already: choose another name, or leave it out", name)
	case len(r.GetSamples()) < leastSamples:
		return "", invalid("samples", "are %d: with fewer than %d everybody knows what the codes stand for; name them all", len(r.GetSamples()), leastSamples)
	case len(r.GetAssessors()) > mostAssessors:
		return "", invalid("assessors", "are %d; at most %d can take part", len(r.GetAssessors()), mostAssessors)
	case len(r.GetSamples())+int(r.GetDoubles()) > mostCups:
		return "", invalid("samples", "make %d cups; at most %d can be served", len(r.GetSamples())+int(r.GetDoubles()), mostCups)
	}
	if err := checkText("title", r.GetTitle(), longestName); err != nil {
		return "", err
	}
	for _, a := range r.GetAssessors() {
		if err := checkText("assessors", a, longestName); err != nil {
			return "", err
		}
		if strings.TrimSpace(a) != a || strings.ContainsAny(a, "/\n\t") {
			return "", invalid("assessors", "%q is no name: no '/', and no space at its ends", a)
		}
	}
	return name, nil
}

// lotsMeant returns the samples of a plan with their roasts.
func lotsMeant(b *book.Book, r *pb.PlanSessionRequest) ([]panel.Lot, error) {
	var lots []panel.Lot
	for _, x := range r.GetSamples() {
		if err := known(b, x.GetSample()); err != nil {
			return nil, err
		}
		record, _ := b.Record(x.GetSample())
		lot := panel.Lot{Name: x.GetSample(), Roast: x.GetRoast()}
		has := lot.Roast == ""
		for _, roast := range record.GetRoasts() {
			has = has || roast.GetRoast() == x.GetRoast()
			if x.GetRoast() == "" && roast.GetState() == pb.RoastState_ROAST_STATE_DROPPED {
				lot.Roast = roast.GetRoast()
			}
		}
		if !has {
			return nil, refuse(pb.ErrorReason_ERROR_REASON_ROAST_UNKNOWN, "samples: %s has no roast %q", lot.Name, lot.Roast)
		}
		lots = append(lots, lot)
	}
	return lots, nil
}

// taken returns the codes that a new session must not have: those of sessions that are not
// closed, and, where codes are drawn, as many of the latest others as leave enough.
func taken(b *book.Book, labelled bool) (codes []panel.Code) {
	sessions := slices.Clone(b.Sessions())
	slices.Reverse(sessions)
	for _, pending := range []bool{true, false} {
		for _, x := range sessions {
			if going(x) != pending || !pending && (labelled || len(codes) > avoidedCodes) {
				continue
			}
			for _, c := range x.GetPlanned().GetCodes() {
				codes = append(codes, panel.Code(c))
			}
		}
	}
	return codes
}

// going tells whether a session has not ended.
func going(x *pb.PanelSession) bool {
	return x.GetState() == pb.PanelState_PANEL_STATE_PLANNED || x.GetState() == pb.PanelState_PANEL_STATE_OPEN
}

// sessionMeant returns a session; it must not be changed.
func sessionMeant(b *book.Book, name string) (*pb.PanelSession, error) {
	x := b.Session(name)
	if x == nil {
		var all []string
		for _, y := range b.Sessions() {
			all = append(all, y.GetPlanned().GetSession())
		}
		return nil, refuse(pb.ErrorReason_ERROR_REASON_SESSION_UNKNOWN, "session: there is no session %q; %s", name, names(all))
	}
	return x, nil
}

// How long links last, in hours.
const (
	usualHours = 12
	mostHours  = 7 * 24
)

func (s *panelService) OpenSession(ctx context.Context, r *pb.OpenSessionRequest) (*pb.OpenSessionResponse, error) {
	planned, err := s.planned(ctx, r.GetSession())
	if err != nil {
		return nil, err
	}
	key, lost := s.keys.read(planned)
	hours := r.GetHours()
	if hours == 0 {
		hours = usualHours
	}
	e, err := s.scribe.take(ctx, r, func(b *book.Book, now time.Time) (*pb.Entry, error) {
		x, err := sessionMeant(b, r.GetSession())
		if err := first(err, lost); err != nil {
			return nil, err
		}
		if !going(x) {
			return nil, noLonger(x)
		}
		if hours > mostHours {
			return nil, invalid("hours", "are %d; links last at most %d, and can be given anew", hours, mostHours)
		}
		m := &pb.PanelOpened{Session: r.GetSession(), Until: timestamppb.New(now.Add(time.Duration(hours) * time.Hour))}
		for _, v := range planned.GetServings() {
			digest := access.TokenDigest(access.PassToken(key.Pass(r.GetRequestId(), v.GetAssessor())))
			m.Seats = append(m.Seats, &pb.PanelSeat{Assessor: v.GetAssessor(), TokenDigest: digest[:]})
		}
		return &pb.Entry{Body: &pb.Entry_PanelOpened{PanelOpened: m}}, nil
	})
	if err := first(err, lost); err != nil {
		return nil, err
	}
	s.seat(ctx, r.GetSession())
	answer := &pb.OpenSessionResponse{Until: e.GetPanelOpened().GetUntil(), Address: s.address, Tls: s.tls, Cursor: e.GetCursor()}
	for _, v := range planned.GetServings() {
		token := access.PassToken(key.Pass(r.GetRequestId(), v.GetAssessor()))
		answer.Links = append(answer.Links, &pb.PanelLink{Assessor: v.GetAssessor(), Token: token, Path: access.SeatPages + "in?token=" + token})
	}
	return answer, nil
}

// planned returns the plan of a session.
func (s *panelService) planned(ctx context.Context, name string) (m *pb.PanelPlanned, err error) {
	var refusal error
	err = s.scribe.read(ctx, func(b *book.Book) {
		var x *pb.PanelSession
		x, refusal = sessionMeant(b, name)
		m = x.GetPlanned()
	})
	return m, first(refusal, err)
}

// seat lets the assessors of a session in as it was opened last, and nobody if it has ended.
func (s *panelService) seat(ctx context.Context, name string) {
	_ = s.scribe.read(ctx, func(b *book.Book) {
		s.guard.Unseat(name)
		x := b.Session(name)
		if x.GetState() != pb.PanelState_PANEL_STATE_OPEN {
			return
		}
		for _, y := range x.GetOpened().GetSeats() {
			s.guard.Seat(access.Digest(y.GetTokenDigest()), access.Seat{Session: name, Assessor: y.GetAssessor()})
		}
	})
}

// seatAll lets the assessors of all sessions that are open in: after a start.
func (s *panelService) seatAll(ctx context.Context) error {
	var open []string
	err := s.scribe.read(ctx, func(b *book.Book) {
		for _, x := range b.Sessions() {
			open = append(open, x.GetPlanned().GetSession())
		}
	})
	for _, name := range open {
		s.seat(ctx, name)
	}
	return err
}

// noLonger refuses what a session is not open for any more.
func noLonger(x *pb.PanelSession) error {
	how := "was closed"
	if x.GetState() == pb.PanelState_PANEL_STATE_ABANDONED {
		how = "was given up"
	}
	return refuse(pb.ErrorReason_ERROR_REASON_SESSION_STATE, "session: %s %s at %s, and nothing is taken for it any more: what its codes stood for may be known since; plan a new one",
		x.GetPlanned().GetSession(), how, x.GetClosedAt().AsTime().Format(time.RFC3339))
}

func (s *panelService) ListSessions(ctx context.Context, _ *pb.ListSessionsRequest) (*pb.ListSessionsResponse, error) {
	list := &pb.ListSessionsResponse{}
	err := s.scribe.read(ctx, func(b *book.Book) {
		for _, x := range slices.Backward(b.Sessions()) {
			x = proto.CloneOf(x)
			x.Ballots = nil
			if x.Closed != nil {
				x.Closed.Outcome = nil
			}
			list.Sessions = append(list.Sessions, x)
		}
	})
	return list, err
}

func (s *panelService) GetSession(ctx context.Context, r *pb.GetSessionRequest) (*pb.GetSessionResponse, error) {
	var x *pb.PanelSession
	var refusal error
	err := s.scribe.read(ctx, func(b *book.Book) {
		if x, refusal = sessionMeant(b, r.GetSession()); refusal == nil {
			x = proto.CloneOf(x)
		}
	})
	return &pb.GetSessionResponse{Session: x}, first(refusal, err)
}

// sameBallot tells whether a ballot says what another one says.
func sameBallot(a, b *pb.BallotCast) bool {
	x, y := proto.CloneOf(a), proto.CloneOf(b)
	x.Replaces, y.Replaces = 0, 0
	options := proto.MarshalOptions{Deterministic: true}
	first, errA := options.Marshal(x)
	second, errB := options.Marshal(y)
	return errA == nil && errB == nil && bytes.Equal(first, second)
}
