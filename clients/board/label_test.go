package board_test

import (
	"fmt"
	"image"
	"image/color"
	"image/png"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	"github.com/evenbench/evenbench/internal/peers"
)

// A label has the code in large type and says what the sample is.
func TestLabel(t *testing.T) {
	o := open(t, fakehub.Bench())
	code, body := o.get("samples/K-001/label")
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	wants(t, body, `<p class="code ">K-001</p>`, "LOT-17", "pre-shipment", "washed", "002-1961-0978  2026/27", `class="qr"`)
	if code, _ := o.get("samples/NONE/label"); code != http.StatusNotFound {
		t.Errorf("of an unknown sample: %d", code)
	}
}

// A sheet has as many labels as asked for, behind those that are used up.
func TestSheetOfLabels(t *testing.T) {
	o := open(t, fakehub.Bench())
	_, body := o.get("labels?code=K-001&code=K-003&copies=2&skip=5")
	if n := strings.Count(body, `<div class="label">`); n != 9 {
		t.Errorf("there are %d labels", n)
	}
	if n := strings.Count(body, `class="qr"`); n != 4 {
		t.Errorf("%d of them have a code", n)
	}
	wants(t, body, `value="K-001" checked`)
	_, body = o.get("labels?code=NONE&code=K-001")
	wants(t, body, "no sample has this code", `<p class="code ">K-001</p>`)
	_, body = o.get("labels")
	if strings.Contains(body, `class="label"`) {
		t.Error("there are labels of nothing")
	}
	_, body = o.get("labels?code=K-001&copies=1000000")
	if n := strings.Count(body, `<div class="label">`); n != 24 {
		t.Errorf("a million copies are %d", n)
	}
}

var (
	qrBox  = regexp.MustCompile(`<svg class="qr"[^>]*viewBox="(-?\d+) (-?\d+) (\d+) (\d+)"[^>]*><path d="([^"]+)"`)
	module = regexp.MustCompile(`M(\d+),(\d+)h1v1h-1z`)
)

// A scanner reads from the label the code and nothing else: zbar, which is not ours.
func TestLabelIsRead(t *testing.T) {
	zbar := peers.Command(t, "zbarimg")
	h := fakehub.Bench()
	h.Records[1].Sample = "EB-4110-REFERENCE-2026-11-26-XYZ" // as long as a code may be
	o := open(t, h)
	for _, sample := range []string{"K-001", h.Records[1].Sample} {
		_, body := o.get("samples/" + sample + "/label")
		m := qrBox.FindStringSubmatch(body)
		if m == nil {
			t.Fatalf("%s: there is no QR code in\n%s", sample, body)
		}
		var left, top, wide, high int
		if _, err := fmt.Sscan(m[1], &left); err != nil {
			t.Fatal(err)
		}
		fmt.Sscan(m[2], &top)
		fmt.Sscan(m[3], &wide)
		fmt.Sscan(m[4], &high)
		const scale = 6
		picture := image.NewGray(image.Rect(0, 0, wide*scale, high*scale))
		for i := range picture.Pix {
			picture.Pix[i] = 0xff
		}
		for _, at := range module.FindAllStringSubmatch(m[5], -1) {
			var x, y int
			fmt.Sscan(at[1], &x)
			fmt.Sscan(at[2], &y)
			for dx := range scale {
				for dy := range scale {
					picture.SetGray((x-left)*scale+dx, (y-top)*scale+dy, color.Gray{})
				}
			}
		}
		path := filepath.Join(t.TempDir(), "label.png")
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := png.Encode(f, picture); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		read, err := exec.Command(zbar, "--quiet", "--raw", path).Output()
		if err != nil {
			t.Fatalf("%s is not read: %v", sample, err)
		}
		if got := strings.TrimSpace(string(read)); got != sample {
			t.Errorf("%q is read as %q", sample, got)
		}
	}
}
