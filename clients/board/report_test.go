package board_test

import (
	"bytes"
	"image/png"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A report has who the sample is, what was measured with its uncertainty and calibration,
// how it stands to the criteria, what was corrected, and the curves; what does not count
// any more is left out.
func TestReport(t *testing.T) {
	o := open(t, fakehub.Bench())
	code, body := o.get("samples/K-001/report")
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	wants(t, body, "Cerro Azul sample room", ">K-001<", "LOT-17", "002-1961-0978", "312.42 ± 0.05 g", "cal-2026-01", "11.2 ± 0.3 % wet", "calibration expired",
		"128.90 ± 0.05 g", "14.18 ± 0.04 %", "✕ outside", "house rule 2", "<del>LOT-71</del>", "label misread", `class="curve ink-bean"`, "first crack", "record rec-7d1f", "as of entry 22")
	if strings.Contains(body, "150.40 ± 0.05 g") {
		t.Error("a weighing that was repeated is in the report")
	}
	if code, _ := o.get("samples/NONE/report"); code != http.StatusNotFound {
		t.Errorf("of an unknown sample: %d", code)
	}
}

// The report as a file needs nothing from elsewhere, and runs nothing.
func TestReportFileIsWhole(t *testing.T) {
	h := fakehub.Bench()
	evil := `</style><script src="http://elsewhere.example/x.js"></script>`
	h.Records[0].Identity.Origin, h.Info.LabName = evil, evil
	o := open(t, h)
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, o.url+"samples/K-001/report.html", nil)
	if err != nil {
		t.Fatal(err)
	}
	code, body, header := o.do(r)
	if code != http.StatusOK || !strings.Contains(header.Get("Content-Disposition"), `filename="K-001-report.html"`) {
		t.Fatalf("%d %v", code, header)
	}
	wants(t, body, "<!doctype html>", "Content-Security-Policy", "@page", "312.42 ± 0.05 g", `class="curve ink-bean"`, "</html>")
	for _, bad := range []string{"<script", "<link", "<img", "<form", "<iframe", "url(", "@import", ` href="`, ` src="`} {
		if strings.Contains(body, bad) {
			t.Errorf("%q is in it", bad)
		}
	}
	if n := strings.Count(body, "</style>"); n != 1 {
		t.Errorf("%d styles end in it", n)
	}
}

// The curve of a roast as a picture is drawn in the colours of its probes.
func TestCurvePicture(t *testing.T) {
	h := fakehub.Bench()
	long := proto.CloneOf(h.Traces["R-1"])
	for i := range 600 {
		long.Curves[0].ElapsedS, long.Curves[0].Value = append(long.Curves[0].ElapsedS, float64(i+2)), append(long.Curves[0].Value, 90+0.2*float64(i))
	}
	h.Traces["R-1"] = long
	o := open(t, h)
	code, body := o.get("curves/R-1.png")
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	picture, err := png.Decode(bytes.NewReader([]byte(body)))
	if err != nil {
		t.Fatal(err)
	}
	orange := 0
	for y := range picture.Bounds().Dy() {
		for x := range picture.Bounds().Dx() {
			if r, g, b, _ := picture.At(x, y).RGBA(); r>>8 == 0xe6 && g>>8 == 0x9f && b>>8 == 0 {
				orange++
			}
		}
	}
	if orange < 2000 {
		t.Errorf("%d pixels are of the bean's orange", orange)
	}
	if code, _ := o.get("curves/R-99.png"); code != http.StatusNotFound {
		t.Errorf("of an unknown roast: %d", code)
	}
	if code, _ := o.get("curves/R-1.svg"); code != http.StatusNotFound {
		t.Errorf("as something else: %d", code)
	}
}

// Numbers of a report are in the units of who reads it.
func TestReportInOtherUnits(t *testing.T) {
	o := open(t, fakehub.Bench())
	o.post("settings", "temperature", "[degF]", "mass", "[oz_av]", "language", "es")
	_, body := o.get("samples/K-001/report")
	// By definition of the units: 312.42 g are 11.0203 oz, 196.3 °C are 385.34 °F.
	wants(t, body, "11.0203 ± 0.0018 oz", "385.3 °F", "Café verde", "Veredictos", `data-unit="°F"`)
	if m := regexp.MustCompile(`\d (°C|g)<`).FindString(body); m != "" {
		t.Errorf("%q is in a report in °F and ounces", m)
	}
}

// How a value came about is shown with its numbers, and what each contributes.
func TestExplain(t *testing.T) {
	o := open(t, fakehub.Bench())
	_, body := o.get("samples/K-001")
	wants(t, body, `href="/board/samples/K-001/explain/loss_in_mass?roast=R-1"`)
	code, body := o.get("samples/K-001/explain/loss_in_mass?roast=R-1")
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	wants(t, body, "14.18 ± 0.04 %", "100 · (green mass − roasted mass) / green mass", "150.20 ± 0.05 g", "128.90 ± 0.05 g", "Where the uncertainty comes from", `class="bar-of"`, "entry 18 of the record")
	_, body = o.get("samples/K-001/explain/house")
	wants(t, body, "✕ outside", "house rule 2", "cooled with air")
	if code, _ := o.get("samples/K-001/explain/nothing"); code != http.StatusNotFound {
		t.Errorf("of nothing: %d", code)
	}
}

// A correction is taken back by a further one, with a reason and by who acts; an older one
// of the same field is not.
func TestTakeBack(t *testing.T) {
	h := fakehub.Bench()
	first := &pb.Correction{Field: "lot", Old: "LOT-07", New: "LOT-71", Reason: "smudged", Actor: "ben", At: fakehub.At(900), Cursor: 15}
	h.Records[0].Corrections = append([]*pb.Correction{first}, h.Records[0].Corrections...)
	o := open(t, h)
	o.post("settings", "person", "Ana")
	_, body := o.get("samples/K-001")
	if n := strings.Count(body, `name="correction"`); n != 1 {
		t.Errorf("%d corrections can be taken back", n)
	}
	if code, body := o.post("samples/K-001/undo", "correction", "15", "field", "lot", "reason", "it was right"); code != http.StatusUnprocessableEntity {
		t.Errorf("the older one: %d %s", code, body)
	}
	if code, body := o.post("samples/K-001/undo", "correction", "20", "field", "lot", "reason", "it was right"); code != http.StatusOK || !strings.Contains(body, "Taken back by a further correction") {
		t.Fatalf("%d %s", code, body)
	}
	got := o.hub.Writes()[0].(*pb.AmendSampleRequest)
	if got.GetIdentity().GetLot() != "LOT-71" || got.GetIdentity().GetIcoMark() != "002-1961-0978" || got.GetReason() != "it was right" || got.GetPerson() != "Ana" {
		t.Errorf("it was taken back by %v", got)
	}
}

// Marks and assigned readings are taken back as well.
func TestTakeBackMarksAndReadings(t *testing.T) {
	h := fakehub.Bench()
	h.Records[0].Corrections = []*pb.Correction{
		{Field: "R-1 first crack", Old: "498.0 s", New: "512.5 s", Reason: "heard late", Cursor: 14},
		{Field: "R-1 drop", Old: "", New: "587.0 s", Reason: "not found", Cursor: 15},
		{Field: "readings", Old: "", New: "K-001", Reason: "scanned late", Cursor: 21},
	}
	o := open(t, h)
	for _, cursor := range []string{"14", "15", "21"} {
		if code, body := o.post("samples/K-001/undo", "correction", cursor, "reason", "no"); code != http.StatusOK {
			t.Fatalf("%s: %d %s", cursor, code, body)
		}
	}
	writes := o.hub.Writes()
	mark, drop, readings := writes[0].(*pb.SetMarkRequest), writes[1].(*pb.SetMarkRequest), writes[2].(*pb.AssignReadingsRequest)
	if mark.GetKind() != pb.MarkKind_MARK_KIND_FIRST_CRACK || mark.GetWithdraw() || !mark.GetAt().AsTime().Equal(fakehub.At(300+498).AsTime()) {
		t.Errorf("the mark goes to %v", mark)
	}
	if drop.GetKind() != pb.MarkKind_MARK_KIND_DROP || !drop.GetWithdraw() {
		t.Errorf("the drop is %v", drop)
	}
	if readings.GetSample() != "" || readings.GetRun() != "run-s" || readings.GetFirstNumber() != 2 || readings.GetLastNumber() != 2 {
		t.Errorf("the readings go by %v", readings)
	}
}
