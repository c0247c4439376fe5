package lab_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestTolerancesAreStatedInTheCanonicalUnit(t *testing.T) {
	l, said := judged(t, `  - green-export
parity:
  confidence: 0.9
  tolerances:
    - {finding: total_time, within: 0.75, unit: min, source: house rule 5 of 2026-02}
    - {finding: bean_at_drop, within: 9, unit: "[degF]", source: house rule 5 of 2026-02}
    - {finding: dry_matter_loss, within: 0.6, unit: "%", source: house rule 6 of 2026-02}
    - {property: colour_ground, within: 2, source: contract 12}
`)
	want := &pb.ParityTerms{Confidence: 0.9, Tolerances: []*pb.Tolerance{
		{Name: "total_time", Within: 45, Unit: "s", Source: "house rule 5 of 2026-02"},
		{Name: "bean_at_drop", Within: 5, Unit: "Cel", Source: "house rule 5 of 2026-02"},
		{Name: "dry_matter_loss", Within: 0.6, Unit: "%", Source: "house rule 6 of 2026-02"},
		{Name: "colour_ground", Within: 2, Unit: "1", Source: "contract 12"},
	}}
	if len(said) > 0 {
		t.Fatal(said)
	}
	l.Parity.Tolerances[1].Within = float64(int(l.Parity.Tolerances[1].Within*1e6+0.5)) / 1e6
	if !proto.Equal(l.Parity, want) {
		t.Errorf("%v, want %v", l.Parity, want)
	}
}

// Every mistake is said with its place and with what to write instead.
func TestMistakesInTolerances(t *testing.T) {
	for text, want := range map[string]string{
		"{confidence: 95, tolerances: [{finding: total_time, within: 1, unit: s, source: x}]}": "6:22: parity.confidence: a confidence is at least 0.5 and below 1, not 95: write 0.95 for nineteen in twenty",
		"{tolerances: []}": "6:22: parity.tolerances: is empty: write at least one tolerance, or leave parity out",
		"{tolerances: [{finding: total_tim, within: 1, unit: s, source: x}]}":                                                        `6:33: parity.tolerances[0].finding: there is no finding "total_tim"; did you mean "total_time"?`,
		"{tolerances: [{property: moisture, within: 1, source: x}]}":                                                                 `6:34: parity.tolerances[0].property: there is no property of roasted coffee "moisture"; use one of: colour_ground, colour_whole, roasted_bulk_density, roasted_mass, roasted_moisture`,
		"{tolerances: [{finding: total_time, within: 0, unit: s, source: x}]}":                                                       "6:53: parity.tolerances[0].within: must be above zero, but is 0",
		"{tolerances: [{finding: total_time, within: 1, unit: s}]}":                                                                  "6:23: parity.tolerances[0]: source is missing: write where the tolerance comes from: a standard, a contract, or a house rule with its date",
		"{tolerances: [{within: 1, source: x}]}":                                                                                     "6:23: parity.tolerances[0]: names none of finding and property: write exactly one, which says what the tolerance is on",
		"{tolerances: [{finding: total_time, within: 1, unit: s, source: x}, {finding: total_time, within: 2, unit: s, source: x}]}": "6:87: parity.tolerances[1].finding: total_time has a tolerance already: write one of each",
		"{tolerances: [{finding: total_time, within: 1, unit: g, source: x}]}":                                                       `6:62: parity.tolerances[0].unit: `,
		"{tolerances: [{finding: total_time, wihtin: 1, unit: s, source: x}]}":                                                       `6:45: parity.tolerances[0].wihtin: `,
	} {
		_, said := judged(t, "  - green-export\nparity: "+text+"\n")
		if !slices.ContainsFunc(said, func(one string) bool { return strings.HasPrefix(one, want) }) {
			t.Errorf("%s: %q, want %q", text, said, want)
		}
	}
}
