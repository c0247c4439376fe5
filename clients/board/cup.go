package board

import (
	"cmp"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// The page of an assessor, for a phone. It is behind a link that the session gave; nothing
// but codes is on it, in the order of that assessor.

const (
	// seatCookie holds the token of the link; the hub reads it on requests under cupBase.
	seatCookie = "evenbench-seat"
	cupBase    = base + "cup/"
	// mostSteps of an attribute are shown as buttons to press; what has more is typed.
	mostSteps = 11
	// seatDays is how long a browser keeps a link; the hub says when it ends.
	seatDays = 7
)

func (b *Board) cupRoutes() map[string]http.HandlerFunc {
	return map[string]http.HandlerFunc{
		"GET " + cupBase + "in":       b.takeSeat,
		"GET " + cupBase + "language": b.cupLanguage,
		"GET " + cupBase + "static/":  serveCupStatic,
		"GET " + cupBase + "{$}":      b.cupPage,
		"POST " + cupBase + "ballot":  b.cast,
	}
}

func serveCupStatic(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-cache")
	http.ServeFileFS(w, r, staticFiles, "static/"+strings.TrimPrefix(r.URL.Path, cupBase+"static/"))
}

// takeSeat keeps the token of a link in the browser. The cookie goes with requests from other
// sites that open the page, for the link may have come in a message.
func (b *Board) takeSeat(w http.ResponseWriter, r *http.Request) {
	http.SetCookie(w, &http.Cookie{
		Name: seatCookie, Value: r.URL.Query().Get("token"), Path: cupBase, MaxAge: seatDays * 24 * 3600,
		HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: r.TLS != nil,
	})
	http.Redirect(w, r, cupBase, http.StatusSeeOther)
}

func (b *Board) cupLanguage(w http.ResponseWriter, r *http.Request) {
	if lang := r.URL.Query().Get("to"); catalogue[lang] != nil {
		keep(w, r, cookieLang, lang)
	}
	http.Redirect(w, r, cupBase+"?code="+strconv.Itoa(numberOf(r.URL.Query().Get("code"))), http.StatusSeeOther)
}

func numberOf(text string) int {
	n, err := strconv.Atoi(text)
	if err != nil {
		return 0
	}
	return n
}

// cupView is one cup of one assessor, and which others there are.
type cupView struct {
	V                        visitor
	Session, Title, Assessor string
	Open                     bool
	Cups                     []cupChip
	Done                     int
	Code                     uint32
	Next                     uint32
	Request                  string
	Attributes, Deductions   []scaleView
	Words                    []wordView
	Other, Note, Absent      string
	Score                    string
	Missing                  int
	Until                    string
	// Other language that the page can be shown in.
	OtherLang, OtherName string
}

// cupChip is a cup in the row of all: still empty, begun or whole.
type cupChip struct {
	Code    uint32
	State   string // "empty", "begun", "whole"
	Sign    string
	Current bool
}

// scaleView is an attribute or a deduction.
type scaleView struct {
	Field, Word    string
	Steps          []stepView
	Low, High, One string // of what is typed
	Value          string
}

type stepView struct {
	Value string
	On    bool
}

type wordView struct {
	Word, Shown string
	On          bool
}

func (b *Board) cupPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	s, err := b.panels.GetServing(r.Context(), &pb.GetServingRequest{})
	if err != nil {
		view := cupView{V: v}
		text := problem(err)
		if c := status.Code(err); c == codes.Unauthenticated || c == codes.NotFound || c == codes.PermissionDenied {
			text = v.T("This link is not, or no longer, of an open session: ask whoever leads it for a new one.")
		}
		b.show(w, r, httpStatus(err), "cup", "", view, text)
		return
	}
	b.show(w, r, http.StatusOK, "cup", cmp.Or(s.GetTitle(), s.GetSession()), v.cup(s, uint32(numberOf(r.URL.Query().Get("code")))), "")
}

// cup shows the cup of a code, or else the first one that is not whole.
func (v visitor) cup(s *pb.GetServingResponse, code uint32) cupView {
	view := cupView{
		V: v, Session: s.GetSession(), Title: s.GetTitle(), Assessor: s.GetAssessor(), Open: s.GetState() == pb.PanelState_PANEL_STATE_OPEN,
		Request: newRequest(), Until: v.clock(s.GetUntil()),
	}
	for _, l := range languages {
		if l.Code != v.Lang {
			view.OtherLang, view.OtherName = l.Code, l.Name
		}
	}
	casts := map[uint32]*pb.BallotCast{}
	for _, x := range s.GetBallots() {
		casts[x.GetCast().GetCode()] = x.GetCast()
	}
	open := func(c uint32) bool { return casts[c] == nil || casts[c].Score == nil && casts[c].GetAbsent() == "" }
	if !slices.Contains(s.GetCodes(), code) {
		code = s.GetCodes()[max(0, slices.IndexFunc(s.GetCodes(), open))]
	}
	for i, c := range s.GetCodes() {
		chip := cupChip{Code: c, State: "empty", Sign: "·", Current: c == code}
		switch {
		case !open(c):
			chip.State, chip.Sign = "whole", "✓"
			view.Done++
		case casts[c] != nil:
			chip.State, chip.Sign = "begun", "…"
		}
		view.Cups = append(view.Cups, chip)
		if c == code && i+1 < len(s.GetCodes()) {
			view.Next = s.GetCodes()[i+1]
		}
	}
	view.Code = code
	view.fill(s.GetForm(), casts[code])
	return view
}

// fill shows the form with what has been said of the cup.
func (view *cupView) fill(form *pb.CuppingForm, cast *pb.BallotCast) {
	marks, counts := map[string]string{}, map[string]int{}
	for _, m := range cast.GetMarks() {
		marks[m.GetAttribute()] = plainNumber(m.GetMark())
	}
	for _, c := range cast.GetCounted() {
		counts[c.GetDeduction()] = int(c.GetCups())
	}
	for _, a := range form.GetAttributes() {
		x := scaleView{Field: "m." + a.GetName(), Word: view.V.T(a.GetName()), Value: marks[a.GetName()],
			Low: plainNumber(a.GetLow()), High: plainNumber(a.GetHigh()), One: "any"}
		if a.GetStep() > 0 {
			x.One = plainNumber(a.GetStep())
			if n := int((a.GetHigh()-a.GetLow())/a.GetStep()+0.5) + 1; n <= mostSteps {
				for i := range n {
					value := plainNumber(a.GetLow() + float64(i)*a.GetStep())
					x.Steps = append(x.Steps, stepView{value, value == x.Value})
				}
			}
		}
		if x.Value == "" {
			view.Missing++
		}
		view.Attributes = append(view.Attributes, x)
	}
	for _, d := range form.GetDeductions() {
		x := scaleView{Field: "d." + d.GetName(), Word: view.V.T(d.GetName())}
		for n := range int(form.GetCups()) + 1 {
			x.Steps = append(x.Steps, stepView{strconv.Itoa(n), n == counts[d.GetName()]})
		}
		view.Deductions = append(view.Deductions, x)
	}
	for _, w := range form.GetWords() {
		view.Words = append(view.Words, wordView{w, view.V.T(w), slices.Contains(cast.GetWords(), w)})
	}
	var other []string
	for _, w := range cast.GetWords() {
		if !slices.Contains(form.GetWords(), w) {
			other = append(other, w)
		}
	}
	view.Other, view.Note, view.Absent = strings.Join(other, ", "), cast.GetNote(), cast.GetAbsent()
	if cast != nil && cast.Score != nil {
		view.Score = show.Points(cast.GetScore())
	}
}

func plainNumber(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// ballotOf reads a form that was sent.
func ballotOf(r *http.Request) (*pb.CastBallotRequest, error) {
	if err := r.ParseForm(); err != nil {
		return nil, err
	}
	q := &pb.CastBallotRequest{RequestId: requestID(r), Code: uint32(numberOf(r.PostForm.Get("code"))), Note: strings.TrimSpace(r.PostForm.Get("note")), Absent: strings.TrimSpace(r.PostForm.Get("absent"))}
	fields := make([]string, 0, len(r.PostForm))
	for field := range r.PostForm {
		fields = append(fields, field)
	}
	slices.Sort(fields)
	for _, field := range fields {
		value := strings.ReplaceAll(strings.TrimSpace(r.PostForm.Get(field)), ",", ".")
		kind, name, ok := strings.Cut(field, ".")
		if !ok || value == "" {
			continue
		}
		number, err := strconv.ParseFloat(value, 64)
		if err != nil {
			return nil, status.Errorf(codes.InvalidArgument, "%s: %q is no number", name, value)
		}
		switch kind {
		case "m":
			q.Marks = append(q.Marks, &pb.BallotMark{Attribute: name, Mark: number})
		case "d":
			q.Counted = append(q.Counted, &pb.BallotCount{Deduction: name, Cups: uint32(max(0, min(number, 1e6)))})
		}
	}
	q.Words = append(q.Words, r.PostForm["word"]...)
	for _, w := range strings.Split(r.PostForm.Get("other"), ",") {
		if w = strings.Join(strings.Fields(w), " "); w != "" && !slices.Contains(q.Words, w) {
			q.Words = append(q.Words, w)
		}
	}
	return q, nil
}

// cast records a ballot, whole or as far as it goes. The script is told what became of it;
// without one the page is shown again.
func (b *Board) cast(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	q, err := ballotOf(r)
	var a *pb.CastBallotResponse
	if err == nil {
		a, err = b.panels.CastBallot(r.Context(), q)
	}
	switch {
	case err != nil && byScript(r):
		http.Error(w, problem(err), httpStatus(err))
	case err != nil:
		b.show(w, r, httpStatus(err), "cup", "", cupView{V: v}, problem(err))
	case byScript(r):
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(struct {
			Text, State string
			Code        uint32
		}{v.kept(q, a), stateOfBallot(q, a), q.GetCode()})
	default:
		http.Redirect(w, r, fmt.Sprintf("%s?code=%d", cupBase, q.GetCode()), http.StatusSeeOther)
	}
}

func stateOfBallot(q *pb.CastBallotRequest, a *pb.CastBallotResponse) string {
	if a.Score != nil || q.GetAbsent() != "" {
		return "whole"
	}
	return "begun"
}

// kept says what became of a ballot.
func (v visitor) kept(q *pb.CastBallotRequest, a *pb.CastBallotResponse) string {
	switch {
	case q.GetAbsent() != "":
		return v.T("Kept: no score for cup %d.", q.GetCode())
	case a.Score != nil:
		return v.T("Kept: cup %d has %s.", q.GetCode(), show.Points(a.GetScore()))
	}
	return v.T("Kept. %d still to mark.", len(a.GetMissing()))
}
