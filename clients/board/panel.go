package board

import (
	"fmt"
	"net/http"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (b *Board) panelRoutes() map[string]http.HandlerFunc {
	return map[string]http.HandlerFunc{
		"GET " + base + "panel":           b.panelPage,
		"GET " + base + "panel/{session}": b.sessionPage,
	}
}

type sessionRow struct {
	Session, Title, State, Form, At string
	Cups, Assessors                 int
}

// panelPage lists the sessions, the latest first.
func (b *Board) panelPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	list, err := b.panels.ListSessions(r.Context(), &pb.ListSessionsRequest{})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	var rows []sessionRow
	for _, x := range list.GetSessions() {
		m := x.GetPlanned()
		rows = append(rows, sessionRow{m.GetSession(), m.GetTitle(), v.T(show.Words(x.GetState())), m.GetForm().GetName(), v.stamp(x.GetPlannedAt()), len(m.GetCodes()), len(m.GetServings())})
	}
	b.show(w, r, http.StatusOK, "panel", v.T("Cuppings"), struct {
		V    visitor
		Rows []sessionRow
	}{v, rows}, "")
}

// sessionView is one session: how far its assessors are, and after its close what it came to.
type sessionView struct {
	V              visitor
	Session, Title string
	State          string
	Going          bool
	Progress       []progressRow
	Lots           []lotRow
	Remarks        []string
	Assessors      []ratingRow
}

type progressRow struct {
	Assessor         string
	Whole, Begun, Of int
}

type lotRow struct {
	Place, Sample, Lot, Score, Between, Codes, Words string
	Cautions                                         []string
}

type ratingRow struct {
	Assessor, Bias, Spread, Follows, Repeats string
}

func (b *Board) sessionPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	got, err := b.panels.GetSession(r.Context(), &pb.GetSessionRequest{Session: r.PathValue("session")})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	x := got.GetSession()
	view := sessionView{V: v, Session: x.GetPlanned().GetSession(), Title: x.GetPlanned().GetTitle(), State: v.T(show.Words(x.GetState())), Progress: progressOf(x)}
	view.Going = x.GetState() == pb.PanelState_PANEL_STATE_PLANNED || x.GetState() == pb.PanelState_PANEL_STATE_OPEN
	if x.GetState() == pb.PanelState_PANEL_STATE_CLOSED {
		results, err := b.panels.GetResults(r.Context(), &pb.GetResultsRequest{Session: view.Session})
		if err != nil {
			b.refused(w, r, err)
			return
		}
		view.results(results)
	}
	b.show(w, r, http.StatusOK, "session", view.Session, view, "")
}

func progressOf(x *pb.PanelSession) (rows []progressRow) {
	for _, s := range x.GetPlanned().GetServings() {
		row := progressRow{Assessor: s.GetAssessor(), Of: len(s.GetCodes())}
		for _, ballot := range x.GetBallots() {
			switch c := ballot.GetCast(); {
			case c.GetAssessor() != s.GetAssessor():
			case c.Score != nil || c.GetAbsent() != "":
				row.Whole++
			default:
				row.Begun++
			}
		}
		rows = append(rows, row)
	}
	return rows
}

func (view *sessionView) results(r *pb.GetResultsResponse) {
	v, closed := view.V, r.GetSession().GetClosed()
	out := closed.GetOutcome()
	for _, lot := range out.GetLots() {
		row := lotRow{Place: strings.ReplaceAll(show.Place(lot), "to", "–"), Sample: lot.GetSample(), Lot: lot.GetLot()}
		if lot.GetBest() > 0 {
			row.Score = show.Points(lot.GetMean())
		}
		if lot.Low != nil {
			row.Between = show.Points(lot.GetLow()) + " – " + show.Points(lot.GetHigh())
		}
		var codes, words []string
		for _, c := range closed.GetCups() {
			if c.GetSample() == lot.GetSample() {
				codes = append(codes, fmt.Sprint(c.GetCode()))
			}
		}
		for _, word := range lot.GetWords() {
			words = append(words, fmt.Sprintf("%s %d", v.T(word.GetWord()), word.GetAssessors()))
		}
		row.Codes, row.Words = strings.Join(codes, " "), strings.Join(words[:min(len(words), 6)], ", ")
		for _, c := range r.GetCautions() {
			if c.GetSample() == lot.GetSample() {
				row.Cautions = append(row.Cautions, v.T(show.Words(c.GetKind()))+": "+c.GetText())
			}
		}
		view.Lots = append(view.Lots, row)
	}
	view.remark(closed)
	for _, a := range out.GetAssessors() {
		row := ratingRow{Assessor: a.GetAssessor(), Spread: pointsOf(a.Spread), Follows: pointsOf(a.Follows), Repeats: pointsOf(a.Repeatability), Bias: "–"}
		if a.Bias != nil {
			row.Bias = fmt.Sprintf("%+.2f ± %.2f", a.GetBias(), a.GetBiasUncertainty())
		}
		view.Assessors = append(view.Assessors, row)
	}
}

// remark says what the numbers are worth.
func (view *sessionView) remark(closed *pb.PanelClosed) {
	v, out := view.V, closed.GetOutcome()
	if out.GetRemark() != "" {
		view.Remarks = append(view.Remarks, v.T("All are tied, without intervals: %s", out.GetRemark()))
	} else {
		view.Remarks = append(view.Remarks, v.T("Places that overlap are ties. The panel tells samples apart that differ by %s or more.", show.Points(out.GetTold())))
	}
	if a := out.GetAgreement(); a != nil {
		view.Remarks = append(view.Remarks, v.T("Agreement: intraclass correlation %s, Kendall's W %s.", show.Points(a.GetIccSingle()), show.Points(a.GetConcordance())))
	} else {
		view.Remarks = append(view.Remarks, v.T("No agreement can be stated: %s", out.GetNoAgreement()))
	}
	if closed.GetForced() != "" {
		view.Remarks = append(view.Remarks, v.T("Closed while %d ballots were missing: %s", len(closed.GetMissing()), closed.GetForced()))
	}
	view.Remarks = slices.DeleteFunc(view.Remarks, func(s string) bool { return s == "" })
}

func pointsOf(x *float64) string {
	if x == nil {
		return "–"
	}
	return show.Points(*x)
}
