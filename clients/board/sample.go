package board

import (
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// sampleView is everything that is known of one sample.
type sampleView struct {
	V        visitor
	Request  string
	Code     string
	Identity []fact
	State    string
	Where    []string
	Revision uint64
	Flags    []flagRow
	Green    []measureRow
	Roasts   []roastView
	Findings []findingRow
	Notes    []noteRow
	History  []historyRow
	Places   []placementRow
	Verdicts []verdictView
}

type fact struct{ Word, Value string }

type flagRow struct{ Word, Text, At string }

// measureRow is a measurement, with what it is made of for whoever asks.
type measureRow struct {
	Word, Value, At, Station, Quality string
	Superseded                        bool
	Details                           []fact
}

type findingRow struct {
	Word, Value string
	Details     []fact
}

type noteRow struct{ Text, Who, At string }

type historyRow struct{ Field, Old, New, Reason, Who, At string }

type placementRow struct{ Station, From, To, How string }

// roastView is one roast of the sample.
type roastView struct {
	Name, Station, State, At string
	Marks                    []roastMark
	Measured                 []measureRow
	Findings                 []findingRow
	Chart                    template.HTML
	Problem                  string
	Verdicts                 []verdictView
}

type roastMark struct{ Kind, Word, Elapsed, Bean, How string }

func (b *Board) samplePage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	got, err := b.record.GetSample(r.Context(), &pb.GetSampleRequest{Sample: r.PathValue("code")})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	rec := got.GetRecord()
	view := sampleView{V: v, Request: newRequest(), Code: rec.GetSample(), Revision: rec.GetRevision(), State: v.T(stateOf(rec)), Identity: v.identity(rec)}
	for _, m := range rec.GetMeasurements() {
		if m.GetRoast() == "" {
			view.Green = append(view.Green, v.measurement(m))
		}
	}
	for _, x := range slices.Backward(rec.GetRoasts()) {
		view.Roasts = append(view.Roasts, b.roastOf(r, v, rec, x))
	}
	view.Findings, view.Verdicts = v.findings(rec.GetFindings()), v.verdicts(rec.GetVerdicts())
	for _, f := range rec.GetFlags() {
		view.Flags = append(view.Flags, flagRow{v.T(flagWords(f.GetCode())), f.GetText(), v.stamp(f.GetAt())})
	}
	for _, n := range rec.GetNotes() {
		view.Notes = append(view.Notes, noteRow{n.GetText(), who(n), v.stamp(n.GetAt())})
	}
	for _, c := range rec.GetCorrections() {
		view.History = append(view.History, historyRow{v.T(spaced(c.GetField())), c.GetOld(), c.GetNew(), c.GetReason(), who(c), v.stamp(c.GetAt())})
	}
	for _, p := range rec.GetPlacements() {
		row := placementRow{Station: p.GetStation(), From: v.stamp(p.GetFrom()), To: v.stamp(p.GetTo()), How: v.T(show.Words(p.GetBy()))}
		if p.GetTo() == nil {
			view.Where = append(view.Where, p.GetStation())
		}
		view.Places = append(view.Places, row)
	}
	if q := rec.GetQueuedFor(); q != "" {
		view.Where = append(view.Where, v.T("waits for %s", q))
	}
	b.show(w, r, http.StatusOK, "sample", rec.GetSample(), view, "")
}

func (v visitor) identity(rec *pb.SampleRecord) (facts []fact) {
	id := rec.GetIdentity()
	add := func(word, value string) {
		if value != "" {
			facts = append(facts, fact{v.T(word), value})
		}
	}
	add("kind", v.T(show.Hyphened(id.GetKind())))
	add("lot", id.GetLot())
	if id.GetIcoMark() != "" {
		add("ICO mark", strings.TrimSpace(id.GetIcoMark()+"  "+id.GetCoffeeYear()))
	}
	add("process", id.GetProcess())
	add("origin", id.GetOrigin())
	add("registered", v.stamp(rec.GetRegisteredAt()))
	return facts
}

func (v visitor) measurement(m *pb.Measurement) measureRow {
	q := valueOf(m)
	q.name = ""
	row := measureRow{Word: v.T(spaced(m.GetProperty())), Value: v.quantity(q), At: v.stamp(m.GetAt()), Station: m.GetStation(), Superseded: m.GetSuperseded()}
	if m.GetQuality() > pb.Quality_QUALITY_GOOD {
		words := []string{v.T(show.Words(m.GetQuality()))}
		for _, reason := range m.GetReasons() {
			words = append(words, v.T(show.Words(reason)))
		}
		row.Quality = strings.Join(words, ", ")
	}
	add := func(word, value string) {
		if value != "" {
			row.Details = append(row.Details, fact{v.T(word), value})
		}
	}
	add("the device said", strings.TrimSpace(m.GetDeviceText()+" "+m.GetDeviceUnit()))
	add("instrument", m.GetInstrument()+", "+v.T("reading %d of run %s", m.GetNumber(), m.GetRun()))
	add("calibration", m.GetCalibration())
	if m.StandardUncertainty != nil {
		u := m.GetStandardUncertainty()
		add("standard uncertainty", show.Quantity(u, m.GetUnit(), ""))
	} else {
		add("standard uncertainty", v.T("not known"))
	}
	add("entry", itoa(m.GetTaken()))
	return row
}

func (v visitor) findings(list []*pb.Finding) (rows []findingRow) {
	for _, f := range list {
		row := findingRow{
			Word:  v.T(spaced(f.GetName())),
			Value: v.quantity(quantity{value: f.GetValue(), uncertainty: f.StandardUncertainty, unit: f.GetUnit()}),
		}
		inputs := make([]string, len(f.GetInputs()))
		for i, c := range f.GetInputs() {
			inputs[i] = itoa(c)
		}
		row.Details = append(row.Details, fact{v.T("method"), f.GetMethod()})
		if len(inputs) > 0 {
			row.Details = append(row.Details, fact{v.T("computed from entries"), strings.Join(inputs, ", ")})
		}
		rows = append(rows, row)
	}
	return rows
}

// roastOf shows one roast of a sample with its curves.
func (b *Board) roastOf(r *http.Request, v visitor, rec *pb.SampleRecord, x *pb.Roast) roastView {
	view := roastView{Name: x.GetRoast(), Station: x.GetStation(), State: v.T(show.Words(x.GetState())), At: v.stamp(x.GetChargedAt()), Findings: v.findings(x.GetFindings()), Verdicts: v.verdicts(x.GetVerdicts())}
	for _, m := range x.GetMarks() {
		row := roastMark{Kind: show.Hyphened(m.GetKind()), Word: v.T(show.Words(m.GetKind())), Elapsed: show.Elapsed(m.GetElapsedS()), How: v.foundBy(m)}
		if m.BeanCel != nil {
			row.Bean = v.temperature(m.GetBeanCel()) + " " + v.TempUnit()
		}
		view.Marks = append(view.Marks, row)
	}
	for _, m := range rec.GetMeasurements() {
		if m.GetRoast() == x.GetRoast() {
			view.Measured = append(view.Measured, v.measurement(m))
		}
	}
	trace, err := b.record.GetTrace(r.Context(), &pb.GetTraceRequest{Roast: x.GetRoast()})
	if err != nil {
		view.Problem = problem(err)
		return view
	}
	c := v.roastChart(x, trace)
	view.Chart = template.HTML(c.SVG()) //nolint:gosec // drawn by us, with its texts escaped
	return view
}

// foundBy says who set a mark.
func (v visitor) foundBy(m *pb.Mark) string {
	if m.GetMethod() == "person" {
		return who(m)
	}
	return v.T("found by the hub") + " (" + m.GetMethod() + ")"
}

// who names the actor, and the person it said it acted for where that is another name.
func who(x interface {
	GetActor() string
	GetPerson() string
}) string {
	if p := x.GetPerson(); p != "" && p != x.GetActor() {
		return p + " (" + x.GetActor() + ")"
	}
	return x.GetActor()
}

// note adds a note to a sample.
func (b *Board) note(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	sample := r.PathValue("code")
	_, err := b.desk.AddNote(r.Context(), &pb.AddNoteRequest{RequestId: requestID(r), Person: v.actor(), Sample: sample, Text: strings.TrimSpace(r.PostFormValue("text"))})
	if err != nil {
		b.failed(w, r, err)
		return
	}
	b.done303(w, r, v.T("Noted."), "samples/"+url.PathEscape(sample))
}

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
