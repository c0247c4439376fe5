package board_test

import (
	"math"
	"net/http"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// twoRoasts is a hub with two roasts, of which the second runs 3 K above the first, second
// by second, and has its first crack 30 s earlier.
func twoRoasts() *fakehub.Hub {
	h := fakehub.Bench()
	roast := func(name string, above, crack float64) {
		t := proto.CloneOf(h.Traces["R-1"])
		t.Roast.Roast, t.Curves = name, []*pb.Curve{{Channel: "bean", Role: "bean", Unit: "Cel"}}
		t.RateOfRise = &pb.Curve{Unit: "K/min"}
		for s := range 590 {
			at := float64(s)
			t.Curves[0].ElapsedS, t.Curves[0].Value = append(t.Curves[0].ElapsedS, at), append(t.Curves[0].Value, above+210-130*math.Exp(-at/200))
			t.RateOfRise.ElapsedS, t.RateOfRise.Value = append(t.RateOfRise.ElapsedS, at), append(t.RateOfRise.Value, 39*math.Exp(-at/200))
		}
		for _, m := range t.Roast.Marks {
			if m.GetKind() == pb.MarkKind_MARK_KIND_FIRST_CRACK {
				m.ElapsedS = crack
			}
		}
		h.Traces[name] = t
	}
	roast("R-3", 3, 482)
	roast("R-1", 0, 512)
	other := proto.CloneOf(h.Records[0].Roasts[0])
	other.Roast = "R-3"
	h.Records[2].Roasts = []*pb.Roast{other}
	h.PageSize = 10
	return h
}

// Roasts are laid over a reference, and the table says how far they ran from it.
func TestOverlay(t *testing.T) {
	o := open(t, twoRoasts())
	_, body := o.get("overlay")
	wants(t, body, `value="R-1"`, `value="R-3"`)
	code, body := o.get("overlay?roast=R-1&roast=R-3&reference=R-1")
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	wants(t, body, `class="curve ink-reference"`, `class="curve ink-other-1"`, "How far from the reference",
		// 3 K above, always: the mean and its root mean square are 3, the shape is 0.
		`<td class="n">3.0</td><td class="n">3.0</td><td class="n">0.0</td><td class="n">3.0</td>`,
		// From first crack to drop: 1:45 and 1:15.
		"first crack → drop</td><td class=\"n\">1:45</td><td class=\"n\">1:15</td>")
	if n := strings.Count(body, "ink-other-2"); n != 0 {
		t.Errorf("there are %d things of a third roast", n)
	}
}

// Aligned on a mark, two roasts are beside each other from it on: the one that came to it
// 30 s earlier is as much behind on the way.
func TestOverlayOnAMark(t *testing.T) {
	o := open(t, twoRoasts())
	_, body := o.get("overlay?roast=R-1&roast=R-3&reference=R-1&on=first-crack")
	// The chart begins at the longer way to the mark.
	wants(t, body, `data-from="-512"`, `<option value="first-crack" selected>`)
	// t seconds after it they are 3 − 130·exp(−512/200)·(exp(30/200) − 1)·exp(−t/200) K apart:
	// 1.38 K at it, 1.88 K at the drop, 75 s later, and 1.65 K on the mean.
	wants(t, body, `<td class="n">1.6</td><td class="n">1.7</td><td class="n">0.1</td><td class="n">1.9</td><td class="n">1:15</td>`)
}

// What cannot be laid over is said, and does not keep the others from being shown.
func TestOverlaySaysWhatIsMissing(t *testing.T) {
	o := open(t, twoRoasts())
	code, body := o.get("overlay?roast=R-1&roast=R-99&on=yellowing")
	if code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	wants(t, body, "no roast has this name", "R-1 has no yellowing and is left out")
	_, body = o.get("overlay?roast=R-1&roast=R-3&reference=R-1", "Accept-Language", "es")
	wants(t, body, "A qué distancia de la referencia", "primer crac → descarga")
	o.post("settings", "temperature", "[degF]")
	_, body = o.get("overlay?roast=R-1&roast=R-3&reference=R-1")
	wants(t, body, `<td class="n">5.4</td><td class="n">5.4</td><td class="n">0.0</td>`) // 3 K
}
