package board

import (
	"bytes"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// reportView is a sample as it is handed on: a page with what it is, what was measured and
// what that comes to, and then the curves.
type reportView struct {
	sampleView
	Lab, Made string
	// Roast is the one that the sample is judged by; nil if it has none.
	Roast *roastView
	// Record, Version and Entry say of what it is a copy.
	Record  string
	Version string
	Entry   uint64
	// Simulated is the rate of the lab's clock where that is not time's own.
	Simulated string
	// Style is the stylesheet of a report that is a file of its own.
	Style template.CSS
}

// reportOf makes the report of a sample.
func (b *Board) reportOf(r *http.Request, v visitor) (*reportView, error) {
	got, err := b.record.GetSample(r.Context(), &pb.GetSampleRequest{Sample: r.PathValue("code")})
	if err != nil {
		return nil, err
	}
	info, err := b.record.GetRecordInfo(r.Context(), &pb.GetRecordInfoRequest{})
	if err != nil {
		return nil, err
	}
	rec := got.GetRecord()
	view := &reportView{
		sampleView: b.sampleOf(r, v, rec), Lab: info.GetLabName(), Made: v.stamp(timestamppb.New(info.GetLabTime().AsTime().Truncate(time.Second))),
		Record: info.GetRecordId(), Version: info.GetHubVersion(), Entry: rec.GetAsOf(),
	}
	if info.GetClockRate() > 0 && info.GetClockRate() != 1 {
		view.Simulated = printed(info.GetClockRate(), 0)
	}
	view.Green = counted(view.Green)
	for i := range view.Roasts {
		x := &view.Roasts[i]
		x.Measured = counted(x.Measured)
		if view.Roast == nil && !x.Aborted {
			view.Roast = x
		}
	}
	slices.Reverse(view.Roasts) // as they were made
	return view, nil
}

// Key are the findings of the roast that a reader looks for first; the others are with its
// curve.
func (r *reportView) Key() (list []findingRow) {
	for _, f := range r.Roast.Findings {
		if slices.Contains(keyFindings, f.Name) {
			list = append(list, f)
		}
	}
	return list
}

var keyFindings = []string{
	"loss_in_mass", "dry_matter_loss", "total_time", "development_time", "development_ratio", "colour_difference",
	"bean_at_charge", "bean_at_first_crack", "bean_at_drop", "rate_of_rise_at_first_crack", "rate_of_rise_at_drop",
}

// counted leaves out measurements that later ones count instead of.
func counted(list []measureRow) []measureRow {
	return slices.DeleteFunc(list, func(m measureRow) bool { return m.Superseded })
}

func (b *Board) reportPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	view, err := b.reportOf(r, v)
	if err != nil {
		b.refused(w, r, err)
		return
	}
	b.show(w, r, http.StatusOK, "report", v.T("Report of %s", view.Code), view, "")
}

// reportFile is the report as one file, which needs nothing from elsewhere and has no
// script.
func (b *Board) reportFile(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	view, err := b.reportOf(r, v)
	if err != nil {
		b.refused(w, r, err)
		return
	}
	style, err := staticFiles.ReadFile("static/paper.css")
	if err != nil {
		panic(err) // it is compiled in
	}
	view.Style = template.CSS(style) //nolint:gosec // ours
	var out bytes.Buffer
	if err := b.pages.whole["report"].ExecuteTemplate(&out, "report-file", page{V: v, Title: v.T("Report of %s", view.Code), Data: view}); err != nil {
		b.options.Log.Error("make the report of a sample", zap.String("sample", view.Code), zap.Error(err))
		http.Error(w, "this report could not be made; the hub's log says why", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	attach(w, view.Code+"-report.html")
	_, _ = out.WriteTo(w)
}

// attach lets a browser keep an answer as a file.
func attach(w http.ResponseWriter, name string) {
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", name))
	w.Header().Set("Cache-Control", "no-store")
}

// Size of a curve as a picture, px: half a page of A4 at 300 dots per inch.
const pictureWide, pictureHigh = 2100, 1240

// curvePicture is the curve of a roast as a PNG.
func (b *Board) curvePicture(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	roast, isPNG := strings.CutSuffix(r.PathValue("file"), ".png")
	if !isPNG {
		http.NotFound(w, r)
		return
	}
	trace, err := b.record.GetTrace(r.Context(), &pb.GetTraceRequest{Roast: roast})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	var out bytes.Buffer
	if err := v.roastChart(trace.GetRoast(), trace).PNG(&out, pictureWide, pictureHigh); err != nil {
		b.options.Log.Error("draw a roast", zap.String("roast", roast), zap.Error(err))
		http.Error(w, "this picture could not be drawn; the hub's log says why", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "image/png")
	attach(w, roast+".png")
	_, _ = out.WriteTo(w)
}

// pictureLink leads to the picture of a roast.
func pictureLink(roast string) string { return "curves/" + url.PathEscape(roast) + ".png" }
