package command_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/clients/internal/fakehub"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// translatedHub has the nearest roast to any reference.
func translatedHub() *fakehub.Hub {
	h := compareHub()
	h.Translated = &pb.TranslateResponse{
		Terms: &pb.ParityTerms{Confidence: 0.95, Tolerances: []*pb.Tolerance{{Name: "development_ratio", Within: 2, Unit: "%", Source: "where a lab may begin: no standard states it"}, {Name: "colour_ground", Within: 2, Unit: "1"}}},
		Translations: []*pb.Translation{{Sample: "K-010", Roast: "R-10", Distance: proto.Float64(0.42), Alike: 1, Values: []*pb.TranslatedValue{
			{Name: "development_ratio", Unit: "%", Reference: proto.Float64(16.7), Here: proto.Float64(15.6), Difference: proto.Float64(-1.1), Change: proto.Float64(1.1), Verdict: pb.ParityVerdict_PARITY_VERDICT_ALIKE},
			{Name: "colour_ground", Unit: "1", Here: proto.Float64(63), Verdict: pb.ParityVerdict_PARITY_VERDICT_UNKNOWN, Missing: "colour ground of large (reference) is missing"},
		}, Phases: []*pb.TranslatedPhase{{From: pb.MarkKind_MARK_KIND_FIRST_CRACK, To: pb.MarkKind_MARK_KIND_DROP, ReferenceS: 140, HereS: 100, ReferenceShare: 16.7, HereShare: 15.6, Progress: proto.Float64(3.1)}}}},
		LeftOut: []string{"K-014 has no roast that ended"},
	}
	return h
}

func csvFile(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "large.csv")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// A table with declared columns and units becomes a curve in seconds and degree Celsius,
// with its marks.
func TestReferenceFromATable(t *testing.T) {
	h := translatedHub()
	server := fakehub.Start(t, h)
	path := csvFile(t, "Elapsed,Bean,Note\n0:00,392,charge\n0:30,,\n1:00,212,\n10:00,392,first crack\n12:00,410,\n")
	r := run(t, server, "compare", "K-010", "--reference", path, "--time", "Elapsed:m:s", "--bean", "Bean:[degF]", "--event", "Note",
		"--mark", "drop=12:00", "--value", "colour_ground=63~0.3@bench-100")
	if r.code != 0 || r.err != "" {
		t.Fatalf("it ended with %d: %s", r.code, r.err)
	}
	golden(t, "translate.txt", r.out)
	c := h.Reference.GetCurve()
	if c.GetName() != "large" || len(c.GetAtS()) != 4 || c.GetAtS()[2] != 600 || int(c.GetCel()[0]+0.5) != 200 || int(c.GetCel()[1]+0.5) != 100 {
		t.Errorf("%v", c)
	}
	if m := c.GetMarks(); len(m) != 3 || m[1].GetKind() != pb.MarkKind_MARK_KIND_FIRST_CRACK || m[1].GetAtS() != 600 || m[2].GetAtS() != 720 {
		t.Errorf("marks %v", m)
	}
	if v := c.GetValues(); len(v) != 1 || v[0].GetValue() != 63 || v[0].GetStandardUncertainty() != 0.3 || v[0].GetBasis() != "bench-100" {
		t.Errorf("values %v", v)
	}
	if r := run(t, server, "compare", "--reference", "K-012"); r.code != 0 || h.Reference.GetSample() != "K-012" {
		t.Errorf("a sample: %d, %s, %v", r.code, r.err, h.Reference)
	}
}

// Every mistake in a table is said with its line and column.
func TestMistakesInATable(t *testing.T) {
	server := fakehub.Start(t, translatedHub())
	for says, c := range map[string]struct {
		text string
		args []string
	}{
		`large.csv:1:1: there is no column "time"; there are t, bean`:             {"t,bean\n0,200\n", nil},
		`large.csv:3:1: "x" is no number`:                                         {"time,bean\n0,200\nx,199\n", nil},
		`large.csv:3:3: "cold" is no number`:                                      {"time,bean\n0,200\n1,cold\n", nil},
		`large.csv:3:1: "0" is not after the row before`:                          {"time,bean\n0,200\n0,199\n", nil},
		`large.csv:3:1: wrong number of fields`:                                   {"time,bean\n0,200\n1\n", nil},
		`large.csv:2:7: "bang" is no mark; there are charge`:                      {"time,bean,e\n0,200,bang\n", []string{"--event", "e"}},
		`large.csv:2:1: "0" is no time of minutes and seconds, such as 8:12`:      {"time,bean\n0,200\n", []string{"--time", "time:m:s"}},
		`--bean "bean" has no unit; give a column and its unit, such as bean:Cel`: {"time,bean\n0,200\n", []string{"--bean", "bean"}},
		`--mark "crack=8:12" is no mark`:                                          {"time,bean\n0,200\n", []string{"--mark", "crack=8:12"}},
		`--value "colour_ground=red" is no value`:                                 {"time,bean\n0,200\n", []string{"--value", "colour_ground=red"}},
		`large.csv:1:1: the headings of its columns cannot be read`:               {"", nil},
	} {
		r := run(t, server, append([]string{"compare", "K-010", "--reference", csvFile(t, c.text)}, c.args...)...)
		if r.code != 2 || !strings.Contains(r.err, says) {
			t.Errorf("%q: ended with %d: %q, want %q", c.text, r.code, r.err, says)
		}
	}
}
