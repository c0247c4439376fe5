package board

import (
	"context"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"

	"github.com/evenbench/evenbench/clients/board/chart"
	"github.com/evenbench/evenbench/clients/show"
	"github.com/evenbench/evenbench/internal/curves"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// overlayView is roasts laid over a reference, with how far they ran from it.
type overlayView struct {
	V         visitor
	Choices   []overlayChoice
	Search    string
	Reference string
	// On is the mark that the roasts are aligned on, of Marks.
	On       string
	Marks    []choice
	Kinds    []string // of the marks in the table of roasts
	Roasts   []overlaid
	Chart    template.HTML
	Problems []string
	// Differences are to the reference; Phases name what lies between two marks.
	Differences []differenceRow
	Phases      []phaseRow
}

// overlayChoice is a roast that can be laid over others.
type overlayChoice struct {
	Roast, Sample, Lot, Station, At string
	Chosen, Reference               bool
}

// overlaid is one of the roasts, with its marks from the charge.
type overlaid struct {
	Roast, Sample, Station, At string
	Ink                        chart.Ink
	Marks                      []string

	trace  *pb.GetTraceResponse
	shift  float64 // of its clock, s
	course curves.Roast
}

// differenceRow says how far a roast ran from the reference.
type differenceRow struct {
	Roast, Sample                          string
	Ink                                    chart.Ink
	Mean, RMS, Shape, Most, MostAt, Shared string
	Problem                                string
}

// phaseRow is a phase in a roast and in the reference.
type phaseRow struct {
	Roast, Phase         string
	Ink                  chart.Ink
	Took, Reference      string
	Share, SharedBy      string
	End, EndOf, Distance string
}

// overlayLink leads to a roast laid over others.
func overlayLink(name string) string { return "overlay?roast=" + url.QueryEscape(name) }

// alignable are the marks that roasts can be aligned on.
var alignable = []pb.MarkKind{
	pb.MarkKind_MARK_KIND_CHARGE, pb.MarkKind_MARK_KIND_TURNING_POINT, pb.MarkKind_MARK_KIND_YELLOWING,
	pb.MarkKind_MARK_KIND_FIRST_CRACK, pb.MarkKind_MARK_KIND_DROP,
}

func (b *Board) overlayPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	q := r.URL.Query()
	view := overlayView{V: v, Search: q.Get("search"), Reference: q.Get("reference"), On: q.Get("on")}
	on, ok := show.Choice(pb.MarkKind(0).Descriptor(), view.On)
	if !ok {
		on, view.On = pb.MarkKind_MARK_KIND_CHARGE.Number(), "charge"
	}
	for _, k := range alignable {
		view.Marks = append(view.Marks, choice{show.Hyphened(k), v.T(show.Words(k))})
		view.Kinds = append(view.Kinds, v.T(show.Words(k)))
	}
	names := slices.Compact(slices.DeleteFunc(q["roast"], func(s string) bool { return s == "" }))
	if view.Reference != "" && !slices.Contains(names, view.Reference) {
		names = append([]string{view.Reference}, names...)
	}
	if len(names) > 0 && view.Reference == "" {
		view.Reference = names[0]
	}
	if len(names) > chart.MostOthers+1 {
		view.Problems = append(view.Problems, v.T("No more than %d roasts can be told apart; the first of them are shown.", chart.MostOthers+1))
		names = names[:chart.MostOthers+1]
	}
	if err := b.overlayChoices(r.Context(), &view, names); err != nil {
		b.refused(w, r, err)
		return
	}
	if err := b.lay(r.Context(), &view, names, pb.MarkKind(on)); err != nil {
		b.refused(w, r, err)
		return
	}
	view.compare(pb.MarkKind(on))
	b.show(w, r, http.StatusOK, "overlay", v.T("Overlay"), view, "")
}

// overlayChoices lists the roasts of the samples that were searched for, the newest sample
// first.
func (b *Board) overlayChoices(ctx context.Context, view *overlayView, names []string) error {
	list, err := b.record.ListSamples(ctx, &pb.ListSamplesRequest{PageSize: pageSize, Search: view.Search})
	if err != nil {
		return err
	}
	for _, rec := range list.GetRecords() {
		for _, x := range rec.GetRoasts() {
			if x.GetState() == pb.RoastState_ROAST_STATE_ABORTED {
				continue
			}
			view.Choices = append(view.Choices, overlayChoice{
				Roast: x.GetRoast(), Sample: rec.GetSample(), Lot: rec.GetIdentity().GetLot(), Station: x.GetStation(), At: view.V.stamp(x.GetChargedAt()),
				Chosen: slices.Contains(names, x.GetRoast()), Reference: rec.GetIdentity().GetKind() == pb.SampleKind_SAMPLE_KIND_REFERENCE,
			})
		}
	}
	return nil
}

// lay fetches the roasts, aligns them and draws them.
func (b *Board) lay(ctx context.Context, view *overlayView, names []string, on pb.MarkKind) error {
	v := view.V
	others := 0
	for _, name := range names {
		t, err := b.record.GetTrace(ctx, &pb.GetTraceRequest{Roast: name})
		if httpStatus(err) == http.StatusServiceUnavailable {
			return err
		}
		if err != nil {
			view.Problems = append(view.Problems, problem(err))
			continue
		}
		x := overlaid{Roast: name, Sample: t.GetSample(), Station: t.GetRoast().GetStation(), At: v.stamp(t.GetRoast().GetChargedAt()), Ink: chart.Reference, trace: t, course: courseOf(t)}
		at, marked := x.course.Marks[on]
		if !marked {
			view.Problems = append(view.Problems, v.T("%s has no %s and is left out.", name, v.T(show.Words(on))))
			continue
		}
		x.shift = at
		if name != view.Reference {
			x.Ink = chart.Nth(others)
			others++
		}
		for _, k := range alignable {
			text := "–"
			if at, ok := x.course.Marks[k]; ok {
				text = show.Elapsed(at)
			}
			x.Marks = append(x.Marks, text)
		}
		view.Roasts = append(view.Roasts, x)
	}
	if len(view.Roasts) > 0 {
		view.Chart = template.HTML(view.draw(on).SVG()) //nolint:gosec // drawn by us, with its texts escaped
	}
	return nil
}

// courseOf returns the bean probe and the marks of a roast, in s from the charge.
func courseOf(t *pb.GetTraceResponse) curves.Roast {
	c := curves.Roast{Marks: roast.Marks{}}
	for _, m := range t.GetRoast().GetMarks() {
		c.Marks[m.GetKind()] = m.GetElapsedS()
	}
	if t.GetRoast().GetChargedAt() != nil {
		c.Marks[pb.MarkKind_MARK_KIND_CHARGE] = 0
	}
	for _, x := range t.GetCurves() {
		if x.GetRole() == roleBean || x.GetRole() == "" && x.GetChannel() == roleBean {
			c.Trace = roast.Trace{At: x.GetElapsedS(), Cel: x.GetValue()}
		}
	}
	return c
}

// draw draws the bean probes above and their rates of rise below, on the clock of the mark
// that they are aligned on.
func (view *overlayView) draw(on pb.MarkKind) *chart.Chart {
	v := view.V
	low, _, _ := v.in(50, nil, "Cel")
	high, _, _ := v.in(250, nil, "Cel")
	top, _, _ := v.in(rateTop, nil, "K/min")
	c := &chart.Chart{
		From: math.Inf(1), To: math.Inf(-1), Title: v.T("Roasts over each other, aligned on %s", v.T(show.Words(on))),
		Panes: []chart.Pane{
			{Top: 0.06, Bottom: 0.7, Min: low, Max: high, Ticks: ticks(low, high, 5), Unit: v.TempUnit()},
			{Top: 0.73, Bottom: 0.95, Min: 0, Max: top, Ticks: ticks(0, top, 2), Unit: v.RateUnit()},
		},
	}
	for _, x := range slices.Backward(view.Roasts) { // the first lies on top
		bean := chart.Curve{Ink: x.Ink, Name: x.Roast}
		at, cel := x.course.Trace.At, x.course.Trace.Cel
		for _, i := range thin(at) {
			y, _, _ := v.in(cel[i], nil, "Cel")
			bean.Points = append(bean.Points, chart.Point{X: at[i] - x.shift, Y: y})
		}
		rate := chart.Curve{Ink: x.Ink, Name: x.Roast}
		for _, i := range thin(x.trace.GetRateOfRise().GetElapsedS()) {
			y, _, _ := v.in(x.trace.GetRateOfRise().GetValue()[i], nil, "K/min")
			rate.Points = append(rate.Points, chart.Point{X: x.trace.GetRateOfRise().GetElapsedS()[i] - x.shift, Y: y})
		}
		c.Panes[0].Curves, c.Panes[1].Curves = append(c.Panes[0].Curves, bean), append(c.Panes[1].Curves, rate)
		c.From = min(c.From, -x.shift)
		end := 60.0
		if drop, ok := x.course.Marks[pb.MarkKind_MARK_KIND_DROP]; ok {
			end = drop + 15
		} else if n := len(at); n > 0 {
			end = at[n-1]
		}
		c.To = max(c.To, end-x.shift)
	}
	for minute := math.Ceil(c.From / 60); minute*60 < c.To; minute++ {
		if minute != 0 {
			c.Ticks = append(c.Ticks, chart.Tick{At: 60 * minute, Label: printed(minute, 0)})
		}
	}
	c.Lines = []chart.Line{{Ink: chart.Moment, X: 0, Label: v.T(show.Words(on))}}
	return c
}

// compare says how far each roast ran from the reference.
func (view *overlayView) compare(on pb.MarkKind) {
	i := slices.IndexFunc(view.Roasts, func(x overlaid) bool { return x.Roast == view.Reference })
	if i < 0 {
		return
	}
	v, reference := view.V, view.Roasts[i]
	for _, x := range view.Roasts {
		if x.Roast == view.Reference {
			continue
		}
		row := differenceRow{Roast: x.Roast, Sample: x.Sample, Ink: x.Ink}
		if d, err := curves.FromCharge(from(x.course, on), from(reference.course, on)); err != nil {
			row.Problem = err.Error()
		} else {
			row.Mean, row.RMS, row.Shape = v.apart(d.Mean), v.apart(d.RMS), v.apart(d.Shape)
			row.Most, row.MostAt, row.Shared = v.apart(d.Most), show.Elapsed(d.MostAt), printed(100*d.Covered, 0)+" %"
		}
		view.Differences = append(view.Differences, row)
		phases, _, err := curves.OnMarks(x.course, reference.course)
		if err != nil {
			continue // too few marks; their table shows it
		}
		for _, p := range phases {
			view.Phases = append(view.Phases, phaseRow{
				Roast: x.Roast, Ink: x.Ink, Phase: v.T(show.Words(p.From)) + " → " + v.T(show.Words(p.To)),
				Took: show.Elapsed(p.Seconds[0]), Reference: show.Elapsed(p.Seconds[1]), Share: printed(p.Share[0], 1), SharedBy: printed(p.Share[1], 1),
				End: v.temperature(p.Cel[0]), EndOf: v.temperature(p.Cel[1]), Distance: v.apart(p.RMS),
			})
		}
	}
}

// from returns a roast whose course counts from a mark on instead of from the charge.
func from(c curves.Roast, on pb.MarkKind) curves.Roast {
	marks := roast.Marks{}
	for k, at := range c.Marks {
		marks[k] = at
	}
	marks[pb.MarkKind_MARK_KIND_CHARGE] = c.Marks[on]
	return curves.Roast{Trace: c.Trace, Marks: marks}
}

// apart shows a difference of temperatures without its unit.
func (v visitor) apart(kelvin float64) string {
	value, _, _ := v.in(kelvin, nil, "K")
	return v.fixed(value, 1)
}
