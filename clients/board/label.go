package board

import (
	"fmt"
	"html/template"
	"image/color"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/boombuler/barcode/qr"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// labelsView is labels of samples, on a sheet that is printed.
type labelsView struct {
	V      visitor
	Labels []labelView
	// One says that it is a single label, and no sheet.
	One bool
	// Choices are samples that a sheet can be made of, with what was searched for.
	Choices []labelChoice
	Search  string
	// Skip is how many labels of the sheet are used up, Copies how many each sample gets.
	Skip, Copies int
	Problem      string
}

// labelView is one label; a place that is used up has no code.
type labelView struct {
	Code, Size string
	Rest       string
	QR         template.HTML
}

type labelChoice struct {
	Code, Lot string
	Chosen    bool
}

const (
	// onSheet is how many labels an A4 sheet has, 70 by 37 mm each: a size that labels
	// are sold in.
	onSheet = 24
	// mostLabels are made at once, on ten sheets.
	mostLabels = 10 * onSheet
)

// labelOf makes the label of a sample. Its QR code is the code and nothing else, which is
// what a scanner at the bench types.
func (v visitor) labelOf(rec *pb.SampleRecord) (labelView, error) {
	code := rec.GetSample()
	drawn, err := qrCode(code)
	if err != nil {
		return labelView{}, err
	}
	id := rec.GetIdentity()
	l := labelView{Code: code, QR: drawn}
	switch n := utf8.RuneCountInString(code); {
	case n > 14:
		l.Size = "longer"
	case n > 7:
		l.Size = "long"
	}
	words := []string{id.GetLot(), v.T(show.Hyphened(id.GetKind())), id.GetProcess()}
	if id.GetKind() == pb.SampleKind_SAMPLE_KIND_UNSPECIFIED {
		words[1] = ""
	}
	if id.GetIcoMark() != "" {
		words = append(words, strings.TrimSpace(id.GetIcoMark()+"  "+id.GetCoffeeYear()))
	}
	l.Rest = strings.Join(slices.DeleteFunc(append(words, id.GetOrigin()), func(s string) bool { return s == "" }), " · ")
	return l, nil
}

// quiet is how many modules are left free round a QR code, which the standard asks for
// (ISO/IEC 18004).
const quiet = 4

// qrCode draws a text as a QR code, of which up to a quarter may be lost.
func qrCode(text string) (template.HTML, error) {
	code, err := qr.Encode(text, qr.Q, qr.Unicode)
	if err != nil {
		return "", fmt.Errorf("make a QR code of %q: %w", text, err)
	}
	size := code.Bounds().Dx()
	var path strings.Builder
	for y := range size {
		for x := range size {
			if code.At(x, y) == color.Black {
				fmt.Fprintf(&path, "M%d,%dh1v1h-1z", x, y)
			}
		}
	}
	return template.HTML(fmt.Sprintf(`<svg class="qr" role="img" aria-label="QR" viewBox="%d %d %d %d" shape-rendering="crispEdges"><path d="%s"/></svg>`, //nolint:gosec // numbers of ours
		-quiet, -quiet, size+2*quiet, size+2*quiet, path.String())), nil
}

func (b *Board) labelPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	got, err := b.record.GetSample(r.Context(), &pb.GetSampleRequest{Sample: r.PathValue("code")})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	l, err := v.labelOf(got.GetRecord())
	if err != nil {
		b.refused(w, r, err)
		return
	}
	b.show(w, r, http.StatusOK, "labels", v.T("Label of %s", l.Code), labelsView{V: v, One: true, Labels: []labelView{l}}, "")
}

// labelsPage makes a sheet of the labels of the samples that were chosen.
func (b *Board) labelsPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	q := r.URL.Query()
	view := labelsView{V: v, Search: q.Get("search"), Skip: within(q.Get("skip"), 0, onSheet-1), Copies: within(q.Get("copies"), 1, onSheet)}
	list, err := b.record.ListSamples(r.Context(), &pb.ListSamplesRequest{PageSize: pageSize, Search: view.Search})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	chosen := q["code"]
	for _, rec := range list.GetRecords() {
		view.Choices = append(view.Choices, labelChoice{rec.GetSample(), rec.GetIdentity().GetLot(), slices.Contains(chosen, rec.GetSample())})
	}
	for range view.Skip {
		view.Labels = append(view.Labels, labelView{})
	}
	for _, code := range chosen {
		if len(view.Labels)+view.Copies > mostLabels {
			view.Problem = v.T("No more than %d labels are made at once.", mostLabels)
			break
		}
		got, err := b.record.GetSample(r.Context(), &pb.GetSampleRequest{Sample: code})
		if err != nil {
			view.Problem = problem(err)
			continue
		}
		l, err := v.labelOf(got.GetRecord())
		if err != nil {
			view.Problem = err.Error()
			continue
		}
		for range view.Copies {
			view.Labels = append(view.Labels, l)
		}
	}
	if len(chosen) == 0 {
		view.Labels = nil
	}
	b.show(w, r, http.StatusOK, "labels", v.T("Labels"), view, "")
}

// within reads a number that must lie between two others; what is none is the least.
func within(text string, least, most int) int {
	n, err := strconv.Atoi(text)
	if err != nil {
		return least
	}
	return max(least, min(most, n))
}
