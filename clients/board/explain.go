package board

import (
	"cmp"
	"context"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// explainView is how values came about.
type explainView struct {
	V            visitor
	Sample       string
	Roast        string
	Name         string
	Verdicts     []verdictView
	Explanations []explanationView
}

type explanationView struct {
	Word, Value, Says string
	Formula, Computed string
	Inputs            []inputRow
	Marks             []roastMark
	Shares            []shareRow
	Correlations      []correlationRow
	Expanded          string
	Factor, Coverage  string
	Sources, Remarks  []string
	Method            string
	Cursor            uint64
}

// inputRow is a reading that a value rests on.
type inputRow struct{ Name, Value, By, At, Raw, Calibration, Quality string }

// shareRow is what an input contributes to the uncertainty of a value.
type shareRow struct {
	Name, Gives, Because string
	Bar                  template.HTML
}

type correlationRow struct{ A, B, R, Why string }

// explainLink leads to how a value of a sample, or of one of its roasts, came about.
func explainLink(sample, roast, name string) string {
	link := "samples/" + url.PathEscape(sample) + "/explain/" + url.PathEscape(name)
	if roast != "" {
		link += "?roast=" + url.QueryEscape(roast)
	}
	return link
}

func (b *Board) explainPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	name := r.PathValue("name")
	req := &pb.ExplainFindingRequest{Sample: r.PathValue("code"), Name: name}
	if roast := r.URL.Query().Get("roast"); roast != "" {
		req.Sample, req.Roast = "", roast
	}
	got, err := b.record.ExplainFinding(r.Context(), req)
	if err != nil {
		b.refused(w, r, err)
		return
	}
	view := explainView{V: v, Sample: got.GetSample(), Roast: got.GetRoast(), Name: v.T(spaced(name)), Verdicts: v.verdicts(got.GetVerdicts())}
	for _, e := range got.GetExplanations() {
		view.Explanations = append(view.Explanations, v.explanation(e))
	}
	b.show(w, r, http.StatusOK, "explain", v.T("How %s of %s came about", view.Name, view.Sample), view, "")
}

func (v visitor) explanation(e *pb.Explanation) explanationView {
	x := explanationView{
		Word: v.T(spaced(e.GetName())), Says: e.GetSays(), Formula: e.GetFormula(), Computed: e.GetComputed(),
		Value:   v.quantity(quantity{value: e.GetValue(), uncertainty: e.StandardUncertainty, unit: e.GetUnit(), basis: e.GetBasis()}),
		Sources: e.GetSources(), Remarks: e.GetRemarks(), Method: e.GetMethod(), Cursor: e.GetCursor(),
	}
	for _, i := range e.GetInputs() {
		if m := i.GetMark(); m != nil {
			x.Marks = append(x.Marks, v.mark(m))
			continue
		}
		m := i.GetMeasurement()
		x.Inputs = append(x.Inputs, inputRow{
			Name: i.GetName(), Value: v.quantity(quantity{value: i.GetValue(), uncertainty: i.StandardUncertainty, unit: i.GetUnit(), basis: i.GetBasis()}),
			By: m.GetInstrument(), At: v.stamp(m.GetAt()), Raw: strings.TrimSpace(m.GetDeviceText() + " " + m.GetDeviceUnit()), Calibration: m.GetCalibration(), Quality: v.quality(m),
		})
	}
	x.Shares = v.shares(e)
	for _, c := range e.GetCorrelations() {
		x.Correlations = append(x.Correlations, correlationRow{c.GetA(), c.GetB(), show.Number(c.GetCoefficient(), ""), c.GetWhy()})
	}
	if e.ExpandedUncertainty != nil {
		x.Expanded = v.quantity(quantity{value: e.GetValue(), uncertainty: e.ExpandedUncertainty, unit: e.GetUnit(), basis: e.GetBasis()})
		x.Factor, x.Coverage = printed(e.GetCoverageFactor(), 2), printed(100*e.GetCoverage(), 0)
	}
	return x
}

// shares says what each input contributes to the uncertainty, the largest first: a bar is
// as long as its part of the variance.
func (v visitor) shares(e *pb.Explanation) (rows []shareRow) {
	list := slices.DeleteFunc(slices.Clone(e.GetInputs()), func(i *pb.ExplainedInput) bool { return i.Contribution == nil })
	slices.SortStableFunc(list, func(a, b *pb.ExplainedInput) int {
		return cmp.Compare(b.GetContribution(), a.GetContribution())
	})
	sum := 0.0
	for _, i := range list {
		sum += i.GetContribution() * i.GetContribution()
	}
	for _, i := range list {
		part := i.GetContribution() * i.GetContribution() / math.Max(sum, math.SmallestNonzeroFloat64)
		rows = append(rows, shareRow{
			Name: i.GetName(), Gives: v.difference(i.GetContribution(), e.GetUnit()), Bar: bar(part),
			Because: v.T("%s, and the result changes by %s for 1 %s", "± "+v.difference(i.GetStandardUncertainty(), i.GetUnit()),
				significant(math.Abs(i.GetSensitivity()))+" "+show.Unit(e.GetUnit(), ""), show.Unit(i.GetUnit(), "")),
		})
	}
	return rows
}

// bar draws a part of a whole.
func bar(part float64) template.HTML {
	wide := printed(100*part, 1) + "%"
	return template.HTML(`<svg class="bar-of" role="img" aria-label="` + wide + `" width="120" height="12"><rect class="whole" width="100%" height="100%"/><rect width="` + wide + `" height="100%"/></svg>`) //nolint:gosec // a number of ours
}

// quality says why a measurement is not plainly good; empty if it is.
func (v visitor) quality(m *pb.Measurement) string {
	if m.GetQuality() <= pb.Quality_QUALITY_GOOD {
		return ""
	}
	words := []string{v.T(show.Words(m.GetQuality()))}
	for _, reason := range m.GetReasons() {
		words = append(words, v.T(show.Words(reason)))
	}
	return strings.Join(words, ", ")
}

// mark shows a mark of a roast.
func (v visitor) mark(m *pb.Mark) roastMark {
	row := roastMark{Kind: show.Hyphened(m.GetKind()), Word: v.T(show.Words(m.GetKind())), Elapsed: show.Elapsed(m.GetElapsedS()), How: v.foundBy(m)}
	if m.BeanCel != nil {
		row.Bean = v.temperature(m.GetBeanCel()) + " " + v.TempUnit()
	}
	return row
}

// entry returns an entry of the record.
func (b *Board) entry(ctx context.Context, cursor uint64) (*pb.Entry, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := b.record.Subscribe(ctx, &pb.SubscribeRequest{After: cursor - 1, StopAtEnd: true})
	if err != nil {
		return nil, err
	}
	for {
		m, err := stream.Recv()
		if err != nil {
			return nil, err
		}
		for _, e := range m.GetEntries() {
			return e, nil
		}
	}
}
