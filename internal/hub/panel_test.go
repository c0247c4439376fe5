package hub_test

import (
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/panel"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// cupping is a session of a panel on a hub.
type cupping struct {
	*bench
	panel   pb.PanelServiceClient
	session string
	codes   []uint32
	keyFile string
}

// convene registers samples and plans a session of them.
func convene(b *bench, r *pb.PlanSessionRequest) *cupping {
	b.t.Helper()
	c := &cupping{bench: b, panel: pb.NewPanelServiceClient(b.conn)}
	for _, s := range r.GetSamples() {
		if _, err := b.record.GetSample(b.t.Context(), &pb.GetSampleRequest{Sample: s.GetSample()}); err != nil {
			b.register(s.GetSample())
		}
	}
	r.RequestId, r.Person = b.id(), "ana"
	if r.GetForm() == nil && r.GetFormName() == "" {
		r.FormName = "affective"
	}
	p, err := c.panel.PlanSession(b.t.Context(), r)
	if err != nil {
		b.t.Fatal(err)
	}
	c.session, c.codes, c.keyFile = p.GetSession(), p.GetCodes(), filepath.Join(filepath.Dir(b.file), "data", p.GetKeyFile())
	return c
}

func cupped(codes ...string) (list []*pb.PanelSample) {
	for _, code := range codes {
		list = append(list, &pb.PanelSample{Sample: code})
	}
	return list
}

func (c *cupping) open() *pb.OpenSessionResponse {
	c.t.Helper()
	r, err := c.panel.OpenSession(c.t.Context(), &pb.OpenSessionRequest{RequestId: c.id(), Person: "ana", Session: c.session})
	if err != nil {
		c.t.Fatal(err)
	}
	return r
}

// affective are marks by the affective form that sum up to 8 times a mark and some more.
func affective(mark, more int) (marks []*pb.BallotMark) {
	for i, name := range []string{"fragrance", "aroma", "flavour", "aftertaste", "acidity", "sweetness", "mouthfeel", "overall"} {
		m := mark
		if i < more {
			m++
		}
		marks = append(marks, &pb.BallotMark{Attribute: name, Mark: float64(m)})
	}
	return marks
}

func (c *cupping) ballot(assessor string, code uint32, marks []*pb.BallotMark) *pb.CastBallotRequest {
	return &pb.CastBallotRequest{RequestId: c.id(), Person: "ana", Session: c.session, Assessor: assessor, Code: code, Marks: marks}
}

func (c *cupping) cast(r *pb.CastBallotRequest) *pb.CastBallotResponse {
	c.t.Helper()
	a, err := c.panel.CastBallot(c.t.Context(), r)
	if err != nil {
		c.t.Fatal(err)
	}
	return a
}

func (c *cupping) close(force string) error {
	_, err := c.panel.CloseSession(c.t.Context(), &pb.CloseSessionRequest{RequestId: c.id(), Person: "ana", Session: c.session, Force: force})
	return err
}

func (c *cupping) results() *pb.GetResultsResponse {
	c.t.Helper()
	r, err := c.panel.GetResults(c.t.Context(), &pb.GetResultsRequest{Session: c.session})
	if err != nil {
		c.t.Fatal(err)
	}
	return r
}

// key reads the key file, as whoever sets the table does.
func (c *cupping) key() panel.Key {
	c.t.Helper()
	text, err := os.ReadFile(c.keyFile)
	if err != nil {
		c.t.Fatal(err)
	}
	k, err := panel.ParseKey(text)
	if err != nil {
		c.t.Fatal(err)
	}
	return k
}

// taste has all assessors score every cup by how good its sample is: 0 to 8 more than six
// in every attribute. An assessor's place in the list makes its scores differ.
func (c *cupping) taste(good map[string]int, assessors ...string) {
	c.t.Helper()
	for _, cup := range c.key().Cups {
		for i, a := range assessors {
			c.cast(c.ballot(a, uint32(cup.Code), affective(6, good[cup.Lot]+i%2)))
		}
	}
}

var fourAssessors = []string{"Bastu", "Ilka", "Oren", "Tamsin"}

func TestASessionFromPlanToRanking(t *testing.T) {
	b := start(t, hands)
	c := convene(b, &pb.PlanSessionRequest{Samples: cupped("K-001", "K-002", "K-003"), Assessors: fourAssessors, Doubles: 1, Title: "arrivals"})
	if c.session != "P-0001" || len(c.codes) != 4 || !slices.IsSorted(c.codes) {
		t.Fatalf("%s with codes %v", c.session, c.codes)
	}
	if is, err := os.Stat(c.keyFile); err != nil || is.Mode().Perm() != 0o600 {
		t.Errorf("the key is %v, %v; want it to be its owner's alone", is, err)
	}
	opened := c.open()
	if len(opened.GetLinks()) != 4 || opened.GetAddress() != b.hub.HTTP() {
		t.Fatalf("%v", opened)
	}
	c.taste(map[string]int{"K-001": 0, "K-002": 7, "K-003": 1}, fourAssessors...)
	if err := c.close(""); err != nil {
		t.Fatal(err)
	}
	r := c.results()
	out := r.GetSession().GetClosed().GetOutcome()
	if len(out.GetLots()) != 3 || out.GetLots()[0].GetSample() != "K-002" || out.GetLots()[0].GetBest() != 1 || out.GetLots()[0].GetWorst() != 1 {
		t.Fatalf("%v", out)
	}
	if out.GetAgreement().GetConcordance() < 0.9 || out.Repeatability == nil || len(out.GetAssessors()) != 4 {
		t.Errorf("agreement %v, repeatability %v, assessors %v", out.GetAgreement(), out.Repeatability, out.GetAssessors())
	}
	// Whoever has the record can see that the key was not changed.
	closed := r.GetSession().GetClosed()
	k := panel.Key{Session: c.session, Seed: panel.Seed(closed.GetSeed())}
	for _, cup := range closed.GetCups() {
		k.Cups = append(k.Cups, panel.Cup{Code: panel.Code(cup.GetCode()), Lot: cup.GetSample(), Roast: cup.GetRoast(), Copy: int(cup.GetCopy())})
	}
	if sha256.Sum256(k.Text()) != [32]byte(r.GetSession().GetPlanned().GetCommitment()) {
		t.Error("what was revealed is not what was committed to")
	}
	// An assessor is an instrument: its score is in the sample's record with calibration and
	// uncertainty.
	record := b.sample("K-002")
	if len(record.GetScores()) != 1 || len(record.GetFindings()) != 1 {
		t.Fatalf("the record has the scores %v and the findings %v", record.GetScores(), record.GetFindings())
	}
	f, lot := record.GetFindings()[0], record.GetScores()[0].GetLot()
	if f.GetName() != "cupping_score" || f.GetValue() != lot.GetMean() || f.GetStandardUncertainty() <= 0 {
		t.Errorf("the finding is %v", f)
	}
	for _, x := range lot.GetReadings() {
		if x.StandardUncertainty == nil || x.GetDoubt() != "" || x.GetValue() == x.GetScore() {
			t.Errorf("the score of %s is %v: want it calibrated against the panel", x.GetAssessor(), x)
		}
	}
	list, err := c.panel.ListAssessors(t.Context(), &pb.ListAssessorsRequest{})
	if err != nil || len(list.GetAssessors()) != 4 || list.GetAssessors()[0].Bias == nil {
		t.Errorf("assessors %v, %v", list, err)
	}
	// None of the three was roasted here, and the ranking says so.
	if len(r.GetCautions()) != 3 || r.GetCautions()[0].GetKind() != pb.CautionKind_CAUTION_KIND_NO_ROAST {
		t.Errorf("cautions %v", r.GetCautions())
	}
	// The next session has other codes.
	next := convene(b, &pb.PlanSessionRequest{Samples: cupped("K-001", "K-002", "K-003"), Assessors: fourAssessors})
	for _, code := range next.codes {
		if slices.Contains(c.codes, code) {
			t.Errorf("code %d is used again in the next session", code)
		}
	}
	if entries := b.entries(&pb.EntryFilter{Samples: []string{"K-002"}, Kinds: []string{"panel_closed"}}); len(entries) != 1 {
		t.Errorf("%d ends of sessions are found by the sample", len(entries))
	}
}

// What an assessor changes is a correction, and the ballot before stays in the record;
// what is sent twice is there once.
func TestP5_ABallotChangedIsACorrection(t *testing.T) {
	b := start(t, hands)
	c := convene(b, &pb.PlanSessionRequest{Samples: cupped("K-001", "K-002"), Assessors: fourAssessors})
	c.open()
	partial := c.ballot("Ilka", c.codes[0], affective(7, 0)[:3])
	partial.Words, partial.Note = []string{"citrus", "wet stone"}, "fades"
	first := c.cast(partial)
	if first.Score != nil || !slices.Equal(first.GetMissing(), []string{"aftertaste", "acidity", "sweetness", "mouthfeel", "overall"}) {
		t.Errorf("a ballot begun is answered with %v", first)
	}
	if again := c.cast(partial); again.GetCursor() != first.GetCursor() {
		t.Errorf("sent twice it is entries %d and %d", first.GetCursor(), again.GetCursor())
	}
	same := proto.CloneOf(partial)
	same.RequestId = c.id()
	if again := c.cast(same); again.GetCursor() != first.GetCursor() || len(again.GetMissing()) != 5 {
		t.Errorf("sent anew without a change it is %v", again)
	}
	whole := c.cast(c.ballot("Ilka", c.codes[0], affective(7, 0)))
	if whole.GetScore() != 89.5 { // the published form: a sum of 56 is 89.50
		t.Errorf("score %v", whole)
	}
	reused := c.ballot("Ilka", c.codes[0], affective(6, 0))
	reused.RequestId = partial.GetRequestId()
	if _, err := c.panel.CastBallot(t.Context(), reused); status.Convert(err).Message() == "" || !strings.Contains(err.Error(), "was used for another call") {
		t.Errorf("another ballot with a used id: %v", err)
	}
	entries := b.entries(&pb.EntryFilter{Kinds: []string{"ballot_cast"}})
	if len(entries) != 2 || entries[0].GetBallotCast().GetNote() != "fades" || entries[1].GetBallotCast().GetReplaces() != entries[0].GetCursor() {
		t.Errorf("the record has the ballots %v", entries)
	}
	s, err := c.panel.GetServing(t.Context(), &pb.GetServingRequest{Session: c.session, Assessor: "Ilka"})
	if err != nil || len(s.GetBallots()) != 1 || s.GetBallots()[0].GetEarlier() != 1 || len(s.GetCodes()) != 2 {
		t.Errorf("the serving is %v, %v", s, err)
	}
}

// Each of these is said plainly, and loses nothing.
func TestBadCuppings(t *testing.T) {
	b := start(t, hands)
	plan := func(change func(*pb.PlanSessionRequest)) error {
		r := &pb.PlanSessionRequest{RequestId: b.id(), Person: "ana", Samples: cupped("K-001", "K-002"), Assessors: fourAssessors, FormName: "affective"}
		change(r)
		_, err := pb.NewPanelServiceClient(b.conn).PlanSession(t.Context(), r)
		return err
	}
	two := func() *cupping {
		c := convene(b, &pb.PlanSessionRequest{Samples: cupped("K-001", "K-002"), Assessors: []string{"Ilka", "Oren"}})
		c.open()
		return c
	}
	first := two()
	for _, x := range []struct {
		what, says string
		err        func() error
	}{
		{"one sample", "with fewer than 2 everybody knows", func() error { return plan(func(r *pb.PlanSessionRequest) { r.Samples = r.Samples[:1] }) }},
		{"a sample that is not there", `no sample is registered as "K-009"`, func() error { return plan(func(r *pb.PlanSessionRequest) { r.Samples[1].Sample = "K-009" }) }},
		{"a sample twice", `lot 2 is "K-001"; name each once`, func() error { return plan(func(r *pb.PlanSessionRequest) { r.Samples[1].Sample = "K-001" }) }},
		{"a roast of another", `K-001 has no roast "R-0009"`, func() error { return plan(func(r *pb.PlanSessionRequest) { r.Samples[0].Roast = "R-0009" }) }},
		{"no assessor", "no assessor is named", func() error { return plan(func(r *pb.PlanSessionRequest) { r.Assessors = nil }) }},
		{"an assessor twice", `assessor 2 is "Ilka"; name each once`, func() error {
			return plan(func(r *pb.PlanSessionRequest) { r.Assessors = []string{"Ilka", "Ilka"} })
		}},
		{"a form that is not there", `there is no form "tea"`, func() error { return plan(func(r *pb.PlanSessionRequest) { r.FormName = "tea" }) }},
		{"a form that makes no score", "it has no attributes", func() error {
			return plan(func(r *pb.PlanSessionRequest) { r.FormName, r.Form = "", &pb.CuppingForm{Name: "x", Source: "y"} })
		}},
		{"labels that collide", "code 345 is on two cups", func() error { return plan(func(r *pb.PlanSessionRequest) { r.Codes = []uint32{345, 345} }) }},
		{"labels of a session that goes on", "is of another session that is not closed", func() error { return plan(func(r *pb.PlanSessionRequest) { r.Codes = first.codes }) }},
		{"too few labels", "1 codes are given for 2 cups", func() error { return plan(func(r *pb.PlanSessionRequest) { r.Codes = []uint32{345} }) }},
		{"a session that is planned", "P-0001 is planned already", func() error { return plan(func(r *pb.PlanSessionRequest) { r.Session = "P-0001" }) }},
		{"a code that no cup has", "no cup of session P-0001 is called 99", func() error {
			_, err := first.panel.CastBallot(t.Context(), first.ballot("Ilka", 99, nil))
			return err
		}},
		{"an assessor of no session", `"Zoe" takes no part in session P-0001; there are Ilka, Oren`, func() error {
			_, err := first.panel.CastBallot(t.Context(), first.ballot("Zoe", first.codes[0], nil))
			return err
		}},
		{"marks beyond the form", "flavour is marked 10, and can be 1 to 9 in steps of 1; smell is not on the form", func() error {
			_, err := first.panel.CastBallot(t.Context(), first.ballot("Ilka", first.codes[0], []*pb.BallotMark{{Attribute: "flavour", Mark: 10}, {Attribute: "smell", Mark: 3}}))
			return err
		}},
		{"a mark twice", "flavour is marked twice", func() error {
			_, err := first.panel.CastBallot(t.Context(), first.ballot("Ilka", first.codes[0], []*pb.BallotMark{{Attribute: "flavour", Mark: 7}, {Attribute: "flavour", Mark: 3}}))
			return err
		}},
		{"closed too early", "P-0001 still lacks 2 of 2 ballots of Ilka (", func() error { return first.close("") }},
		{"results too early", "P-0001 is not closed, and has no results before", func() error {
			_, err := first.panel.GetResults(t.Context(), &pb.GetResultsRequest{Session: "P-0001"})
			return err
		}},
		{"a session that is not there", `there is no session "P-9"; there are P-0001`, func() error {
			_, err := first.panel.GetSession(t.Context(), &pb.GetSessionRequest{Session: "P-9"})
			return err
		}},
		{"links for a year", "hours: are 8760; links last at most 168", func() error {
			_, err := first.panel.OpenSession(t.Context(), &pb.OpenSessionRequest{RequestId: b.id(), Person: "ana", Session: "P-0001", Hours: 8760})
			return err
		}},
	} {
		if err := x.err(); err == nil || !strings.Contains(status.Convert(err).Message(), x.says) {
			t.Errorf("%s: %v, want it to say %q", x.what, err, x.says)
		}
	}

	// A cup that is missing, a form that came late: forced, with the reason and what was
	// lacking in the record. After it nothing is taken, and what was is still there.
	missing := two()
	missing.cast(missing.ballot("Ilka", missing.codes[0], affective(6, 1)))
	gone := missing.ballot("Ilka", missing.codes[1], nil)
	gone.Absent = "spilled"
	missing.cast(gone)
	missing.cast(missing.ballot("Oren", missing.codes[0], affective(6, 2)[:5]))
	err := missing.close("")
	if want := fmt.Sprintf("2 of 2 ballots of Oren (%d", min(missing.codes[0], missing.codes[1])); err == nil ||
		!strings.Contains(err.Error(), "of Oren (") || !strings.Contains(err.Error(), fmt.Sprintf("%d (not whole)", missing.codes[0])) {
		t.Errorf("closed while a form is late: %v, want it to say %q", err, want)
	}
	if err := missing.close("Oren had to leave"); err != nil {
		t.Fatal(err)
	}
	closed := missing.results().GetSession().GetClosed()
	if closed.GetForced() != "Oren had to leave" || len(closed.GetMissing()) != 2 || len(closed.GetOutcome().GetLots()) != 2 || closed.GetOutcome().GetLots()[1].GetBest() != 0 {
		t.Errorf("forced it is closed as %v", closed)
	}
	if _, err := missing.panel.CastBallot(t.Context(), missing.ballot("Oren", missing.codes[0], affective(6, 2))); err == nil || !strings.Contains(err.Error(), "nothing is taken for it any more") {
		t.Errorf("a ballot after the close: %v", err)
	}
	if err := missing.close("again"); err == nil || !strings.Contains(err.Error(), "was closed at") {
		t.Errorf("closed twice: %v", err)
	}

	// One assessor shows no agreement, and all are tied.
	alone := convene(b, &pb.PlanSessionRequest{Samples: cupped("K-001", "K-002"), Assessors: []string{"Ilka"}})
	alone.open()
	alone.taste(map[string]int{"K-001": 5}, "Ilka")
	if err := alone.close(""); err != nil {
		t.Fatal(err)
	}
	out := alone.results().GetSession().GetClosed().GetOutcome()
	if !strings.Contains(out.GetRemark(), "one assessor") || !strings.Contains(out.GetNoAgreement(), "2 and 2 at least") ||
		out.GetLots()[0].GetWorst() != 2 || out.GetLots()[0].Low != nil || out.GetLots()[0].GetReadings()[0].GetDoubt() == "" {
		t.Errorf("one assessor: %v", out)
	}

	// All ties.
	ties := two()
	ties.taste(nil, "Ilka", "Oren")
	if err := ties.close(""); err != nil {
		t.Fatal(err)
	}
	out = ties.results().GetSession().GetClosed().GetOutcome()
	if !strings.Contains(out.GetNoAgreement(), "all lots have the same mean score") || out.GetLots()[0].GetBest() != 1 || out.GetLots()[0].GetWorst() != 2 || len(out.GetLots()[1].GetTies()) != 1 {
		t.Errorf("all ties: %v", out)
	}

	// The key is gone: said, and the ballots stay; the session can be given up.
	lost := two()
	lost.taste(nil, "Ilka", "Oren")
	if err := os.Rename(lost.keyFile, lost.keyFile+".away"); err != nil {
		t.Fatal(err)
	}
	if err := lost.close(""); err == nil || !strings.Contains(err.Error(), "put the file back") {
		t.Errorf("closed without its key: %v", err)
	}
	if err := os.WriteFile(lost.keyFile, alone.key().Text(), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := lost.close(""); err == nil || !strings.Contains(err.Error(), "not what the session was planned with") {
		t.Errorf("closed with another's key: %v", err)
	}
	if _, err := lost.panel.CloseSession(t.Context(), &pb.CloseSessionRequest{RequestId: b.id(), Person: "ana", Session: lost.session, Abandon: "the disk broke"}); err != nil {
		t.Fatal(err)
	}
	s, err := lost.panel.GetSession(t.Context(), &pb.GetSessionRequest{Session: lost.session})
	if err != nil || s.GetSession().GetState() != pb.PanelState_PANEL_STATE_ABANDONED || len(s.GetSession().GetBallots()) != 4 || len(s.GetSession().GetClosed().GetCups()) != 0 {
		t.Errorf("given up it is %v, %v", s, err)
	}
}
