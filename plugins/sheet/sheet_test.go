package sheet_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

var update = flag.Bool("update", false, "write the golden files anew")

// talker stands for a driver that adds a section of its own.
var talker = sheet.Drivers{"talker": {Sheet: func(n *document.Node) {
	n.Field("talk").Field("mode").OneOf("listen", "ask")
}}}

func TestEveryMistakeOfASheetIsListed(t *testing.T) {
	const dir = "../../testdata/sheets"
	data, err := os.ReadFile(filepath.Join(dir, "many-mistakes.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	_, problems := sheet.Parse("many-mistakes.yaml", data, talker)
	got := problems.Error() + "\n"
	golden := filepath.Join(dir, "many-mistakes.golden")
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	// Each mistake is marked in the file by a comment on its line.
	marked := map[int]bool{}
	for i, line := range strings.Split(string(data), "\n") {
		if strings.Contains(line, "# mistake") {
			marked[i+1] = true
		}
	}
	for _, p := range problems {
		if !marked[p.Line] {
			t.Errorf("a problem on a line without a mistake: %v", p)
		}
		delete(marked, p.Line)
	}
	for line := range marked {
		t.Errorf("the mistake on line %d was not found", line)
	}
}

func TestASheetIsReadWhole(t *testing.T) {
	s, problems := sheet.Parse("scale.yaml", []byte(`
sheet: scale-1
title: A scale
driver: talker
talk: {mode: ask}
channels:
  mass:
    quantity: mass
    unit: "[oz_av]"
    kind: settling
    property: received_mass
    range: [-1, 100]
    cadence: 500ms
    resolution: 0.005
    uncertainty: 0.003
    rate: 40
    broken: [OVER, 9999]
    unsettled: MOVING
    doubtful: [LOW BATTERY]
    settled: {spread: 0.01, time: 2s}
  label: {quantity: code}
`), talker)
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	if s.Name != "scale-1" || s.Driver != "talker" || s.Title != "A scale" || len(s.Digest) != 64 {
		t.Errorf("head: %+v", s)
	}
	if got := strings.Join(s.ChannelNames(), " "); got != "mass label" {
		t.Errorf("channels: %s, want them in the order of the file", got)
	}
	c, _ := s.Channel("mass")
	if c.Unit != "[oz_av]" || c.Low != -1 || c.High != 100 || c.Cadence != 500*time.Millisecond ||
		c.Resolution != 0.005 || c.Uncertainty != 0.003 || c.Rate != 40 || c.Property != "received_mass" ||
		strings.Join(c.Broken, "|") != "OVER|9999" || strings.Join(c.Unsettled, "|") != "MOVING" ||
		strings.Join(c.Doubtful, "|") != "LOW BATTERY" ||
		c.Settled == nil || *c.Settled != (sheet.Settled{Spread: 0.01, Time: 2 * time.Second}) {
		t.Errorf("mass: %+v, %+v", c, c.Settled)
	}
	if label, _ := s.Channel("label"); label.Kind != pb.ChannelKind_CHANNEL_KIND_CODE {
		t.Errorf("label: %+v", label)
	}
	if mode := s.Raw["talk"].(map[string]any)["mode"]; mode != "ask" {
		t.Errorf("raw: %v", s.Raw)
	}
}

// A sheet for a driver that is not known here is checked as far as it can be.
func TestAForeignDriversSectionsAreLeftAlone(t *testing.T) {
	const head = "sheet: a\ntitle: A\ndriver: foreign\nport: {pins: [1, 2]}\n"
	_, problems := sheet.Parse("a.yaml", []byte(head+"channels: {t: {quantity: temperature, unit: Cel, kind: spot, pin: 3}}\n"), nil)
	if err := problems.Err(); err != nil {
		t.Error(err)
	}
	_, problems = sheet.Parse("a.yaml", []byte(head+"channels: {t: {quantity: temperature, unit: Cel, kind: spot, cadense: 3s}}\n"), nil)
	if len(problems) != 1 || !strings.Contains(problems[0].Text, `did you mean "cadence"?`) {
		t.Errorf("a slip in a shared key: %v", problems)
	}
}

func FuzzParse(f *testing.F) {
	for _, name := range []string{"many-mistakes.yaml"} {
		data, err := os.ReadFile(filepath.Join("../../testdata/sheets", name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte("sheet: a\ntitle: A\ndriver: talker\nchannels: {t: {quantity: temperature, unit: Cel, kind: spot}}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, problems := sheet.Parse("f", data, talker)
		if len(problems) == 0 && (s.Name == "" || len(s.Channels) == 0) {
			t.Errorf("accepted without a name or channels: %+v", s)
		}
	})
}
