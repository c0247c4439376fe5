package board

import (
	"cmp"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/clients/board/chart"
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

// inkWord says what is drawn in an ink.
type inkWord struct {
	Ink  chart.Ink
	Word string
}

// Legend names the curves of a roast.
func (s sampleView) Legend() (list []inkWord) {
	for _, p := range probes {
		list = append(list, inkWord{p.ink, s.V.T(p.word)})
	}
	return list
}

type fact struct{ Word, Value string }

type flagRow struct{ Word, Text, At string }

// measureRow is a measurement, with what it is made of for whoever asks.
type measureRow struct {
	Word, Value, At, Station, Quality string
	// By is the instrument with the calibration that made the value.
	By         string
	Superseded bool
	Details    []fact
}

type findingRow struct {
	Name, Word, Value string
	Details           []fact
	// Link leads to how it came about, and is called Ask.
	Link, Ask string
}

type noteRow struct{ Text, Who, At string }

// historyRow is a correction; Undo is the cursor of its entry where it can be taken back,
// else 0.
type historyRow struct {
	Name, Field, Old, New, Reason, Who, At string
	Undo                                   uint64
}

type placementRow struct{ Station, From, To, How string }

// roastView is one roast of the sample.
type roastView struct {
	Name, Station, State, At string
	Marks                    []roastMark
	Measured                 []measureRow
	Findings                 []findingRow
	Aborted                  bool
	Chart                    template.HTML
	// Picture leads to the chart as a PNG, Overlay to it with others.
	Picture, Overlay string
	Problem          string
	Verdicts         []verdictView
}

type roastMark struct{ Kind, Word, Elapsed, Bean, How string }

func (b *Board) samplePage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	got, err := b.record.GetSample(r.Context(), &pb.GetSampleRequest{Sample: r.PathValue("code")})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	b.show(w, r, http.StatusOK, "sample", got.GetRecord().GetSample(), b.sampleOf(r, v, got.GetRecord()), "")
}

// sampleOf returns everything that is known of a sample.
func (b *Board) sampleOf(r *http.Request, v visitor, rec *pb.SampleRecord) sampleView {
	view := sampleView{V: v, Request: newRequest(), Code: rec.GetSample(), Revision: rec.GetRevision(), State: v.T(stateOf(rec)), Identity: v.identity(rec)}
	for _, m := range rec.GetMeasurements() {
		if m.GetRoast() == "" {
			view.Green = append(view.Green, v.measurement(m))
		}
	}
	for _, x := range slices.Backward(rec.GetRoasts()) {
		view.Roasts = append(view.Roasts, b.roastOf(r, v, rec, x))
	}
	view.Findings, view.Verdicts = v.findings(rec.GetFindings(), rec.GetSample(), ""), v.verdicts(rec.GetVerdicts())
	for _, f := range rec.GetFlags() {
		view.Flags = append(view.Flags, flagRow{v.T(flagWords(f.GetCode())), f.GetText(), v.stamp(f.GetAt())})
	}
	for _, n := range rec.GetNotes() {
		view.Notes = append(view.Notes, noteRow{n.GetText(), who(n), v.stamp(n.GetAt())})
	}
	for i, c := range rec.GetCorrections() {
		view.History = append(view.History, historyRow{
			Name: c.GetField(), Field: v.T(spaced(c.GetField())), Old: c.GetOld(), New: c.GetNew(), Reason: c.GetReason(), Who: who(c), At: v.stamp(c.GetAt()),
			Undo: undoable(rec.GetCorrections(), i),
		})
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
	return view
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
	row := measureRow{Word: v.T(spaced(m.GetProperty())), Value: v.quantity(q), At: v.stamp(m.GetAt()), Station: m.GetStation(), Superseded: m.GetSuperseded(), By: m.GetInstrument()}
	if c := m.GetCalibration(); c != "" {
		row.By += ", " + c
	}
	row.Quality = v.quality(m)
	add := func(word, value string) {
		if value != "" {
			row.Details = append(row.Details, fact{v.T(word), value})
		}
	}
	add("the device said", strings.TrimSpace(m.GetDeviceText()+" "+m.GetDeviceUnit()))
	add("instrument", m.GetInstrument()+", "+v.T("reading %d of run %s", m.GetNumber(), m.GetRun()))
	add("calibration", m.GetCalibration())
	if m.StandardUncertainty != nil {
		add("standard uncertainty", v.difference(m.GetStandardUncertainty(), m.GetUnit()))
	} else {
		add("standard uncertainty", v.T("not known"))
	}
	add("entry", itoa(m.GetTaken()))
	return row
}

// usual is the order in which findings are read: what the roast came to, how long it and
// its phases took, then what the probe showed.
var usual = []string{
	"loss_in_mass", "dry_matter_loss", "total_time", "development_time", "development_ratio", "drying_time", "drying_share", "browning_time", "browning_share",
	"time_to_turning_point", "colour_difference", "time_to_colour_whole", "time_to_colour_ground",
	"bean_at_charge", "bean_at_turning_point", "bean_at_yellowing", "bean_at_first_crack", "bean_at_drop",
	"rate_of_rise_at_yellowing", "rate_of_rise_at_first_crack", "rate_of_rise_at_drop",
	"greatest_rate_of_rise", "time_to_greatest_rate_of_rise", "bean_at_greatest_rate_of_rise", "time_temperature_area",
}

// place returns where a finding stands in that order; one that is not in it comes last.
func place(name string) int {
	if i := slices.Index(usual, name); i >= 0 {
		return i
	}
	return len(usual)
}

func (v visitor) findings(list []*pb.Finding, sample, roast string) (rows []findingRow) {
	list = slices.SortedStableFunc(slices.Values(list), func(a, b *pb.Finding) int {
		return cmp.Compare(place(a.GetName()), place(b.GetName()))
	})
	for _, f := range list {
		row := findingRow{
			Name: f.GetName(),
			Word: v.T(spaced(f.GetName())),
			Link: explainLink(sample, roast, f.GetName()), Ask: v.T("How this came about"),
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
	view := roastView{Name: x.GetRoast(), Station: x.GetStation(), State: v.T(show.Words(x.GetState())), Aborted: x.GetState() == pb.RoastState_ROAST_STATE_ABORTED, At: v.stamp(x.GetChargedAt()), Findings: v.findings(x.GetFindings(), rec.GetSample(), x.GetRoast()), Verdicts: v.verdicts(x.GetVerdicts())}
	view.Picture, view.Overlay = pictureLink(x.GetRoast()), overlayLink(x.GetRoast())
	for _, m := range x.GetMarks() {
		view.Marks = append(view.Marks, v.mark(m))
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
