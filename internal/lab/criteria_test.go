package lab_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/evenbench/evenbench/internal/criteria"
	"github.com/evenbench/evenbench/internal/lab"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// judged reads a lab file with these criteria.
func judged(t *testing.T, text string) (*lab.Lab, []string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "lab.yaml")
	if err := os.WriteFile(path, []byte("lab: Test\nstations: []\ninstruments: []\ncriteria:\n"+text), 0o600); err != nil {
		t.Fatal(err)
	}
	l, problems := lab.Load(path, lab.Options{})
	var said []string
	for _, p := range problems {
		said = append(said, fmt.Sprintf("%d:%d: %s", p.Line, p.Column, p.Text))
	}
	return l, said
}

func TestCriteriaAreStatedInTheCanonicalUnit(t *testing.T) {
	l, said := judged(t, `  - name: house
    title: House rules
    windows:
      - {finding: total_time, low: 8, high: 12.5, unit: min, source: rule 1}
      - {finding: bean_at_drop, high: 410, unit: "[degF]", source: rule 2}
      - {finding: greatest_rate_of_rise, high: 1200, unit: K/h, source: rule 2}
      - property: moisture
        basis: wet
        low: 10
        unit: "%"
        method: ISO 6673
        for: {kinds: [offer, pre-shipment], processes: washed}
        source: rule 3
      - {property: water_activity, high: 0.7, source: rule 3}
      - {requirement: cooled with air, source: rule 4}
`)
	if len(said) > 0 || len(l.Criteria) != 1 {
		t.Fatalf("%q, %v", said, l.Criteria)
	}
	want := []*pb.Window{
		{Finding: "total_time", Unit: "s", Low: proto.Float64(480), High: proto.Float64(750), Source: "rule 1"},
		{Finding: "bean_at_drop", Unit: "Cel", High: proto.Float64(210), Source: "rule 2"},
		{Finding: "greatest_rate_of_rise", Unit: "K/min", High: proto.Float64(20), Source: "rule 2"},
		{Property: "moisture", Basis: "wet", Unit: "%", Low: proto.Float64(10), Method: "ISO 6673", Source: "rule 3",
			Kinds: []pb.SampleKind{pb.SampleKind_SAMPLE_KIND_OFFER, pb.SampleKind_SAMPLE_KIND_PRE_SHIPMENT}, Processes: []string{"washed"}},
		{Property: "water_activity", Unit: "1", High: proto.Float64(0.7), Source: "rule 3"},
		{Requirement: "cooled with air", Source: "rule 4"},
	}
	set := l.Criteria[0]
	if set.GetAcceptedRisk() != 0.05 || set.GetTitle() != "House rules" || set.GetDigest() != criteria.Digest(set) {
		t.Errorf("%v", set)
	}
	for i, w := range want {
		got := set.GetWindows()[i]
		// A unit is converted to the nearest double, and 410 °F is 210 °C but for that.
		for _, v := range []*float64{got.Low, got.High} {
			if v != nil {
				*v = float64(int(*v*1e6+0.5)) / 1e6
			}
		}
		if !proto.Equal(got, w) {
			t.Errorf("window %d is %v, want %v", i, got, w)
		}
	}
}

// Every mistake is said with its place and with what to write instead.
func TestMistakesInCriteria(t *testing.T) {
	for text, want := range map[string]string{
		"  - sample-roats\n":                          `5:5: criteria[0]: there is no built-in set of criteria "sample-roats"`,
		"  - {set: sample-roast, scales: {agt: x}}\n": `5:34: criteria[0].scales.agt: no window of sample-roast is on "agt"`,
		"  - sample-roast\n  - sample-roast\n":        `6:5: criteria[1]: there are criteria "sample-roast" already`,
		"  - {name: sample-roast, windows: []}\n":     `5:12: criteria[0].name: "sample-roast" is a built-in set`,
		"  - {name: a}\n":                             `5:5: criteria[0]: windows is missing`,
		"  - {name: a, windows: []}\n":                `criteria[0].windows: is empty`,
		"  - {windows: []}\n":                         `name is missing: write the name of the set, or set:`,
		"  - {name: a, risk: 0.7, windows: [%s]}\n":   `5:21: criteria[0].risk: a verdict may be wrong with a probability above 0 and of at most 0.5, not 0.7`,
		"  - {name: a, windows: [{finding: total_tiem, low: 1, unit: s, source: x}]}\n":                         `there is no finding "total_tiem"; did you mean "total_time"?`,
		"  - {name: a, windows: [{property: moistur, low: 1, unit: s, source: x}]}\n":                           `there is no property "moistur"; did you mean "moisture"?`,
		"  - {name: a, windows: [{property: batch_mass, low: 1, unit: g, source: x}]}\n":                        `name the one that is meant`,
		"  - {name: a, windows: [{low: 1, unit: s, source: x}]}\n":                                              `names 0 of finding, property and requirement`,
		"  - {name: a, windows: [{finding: total_time, requirement: y, source: x}]}\n":                          `names 2 of finding, property and requirement`,
		"  - {name: a, windows: [{finding: total_time, low: 1, unit: s}]}\n":                                    `source is missing: write where the window comes from`,
		"  - {name: a, windows: [{finding: total_time, low: 1, source: x}]}\n":                                  `the unit of duration is missing`,
		"  - {name: a, windows: [{finding: total_time, low: 1, unit: g, source: x}]}\n":                         `"g" is not a unit of duration`,
		"  - {name: a, windows: [{finding: total_time, unit: s, source: x}]}\n":                                 `low and high are missing`,
		"  - {name: a, windows: [{finding: total_time, low: 9, high: 8, unit: min, source: x}]}\n":              `high: 8 is not above low, which is 9: the window is empty`,
		"  - {name: a, windows: [{property: moisture, low: 9, unit: \"%\", source: x}]}\n":                      `moisture means nothing without a basis: write basis: wet or dry`,
		"  - {name: a, windows: [{property: colour_whole, low: 9, source: x}]}\n":                               `colour means nothing without a basis`,
		"  - {name: a, windows: [{finding: total_time, basis: wet, low: 9, unit: s, source: x}]}\n":             `basis: a finding has no basis`,
		"  - {name: a, windows: [{requirement: cooled with air, low: 9, source: x}]}\n":                         `low: a requirement is in words and has no limits`,
		"  - {name: a, windows: [{finding: total_time, low: 9, unit: s, source: x, for: {kinds: [offers]}}]}\n": `"offers" is no kind of sample; did you mean "offer"?`,
		"  - {name: a, windows: [{finding: total_time, low: 9, unit: s, souce: x}]}\n":                          `unknown key; did you mean "source"?`,
	} {
		if strings.Contains(text, "%s") {
			text = fmt.Sprintf(text, "{finding: total_time, low: 1, unit: s, source: x}")
		}
		_, said := judged(t, text)
		if !strings.Contains(strings.Join(said, "\n"), want) {
			t.Errorf("%s\nsays %q, want %q", text, said, want)
		}
	}
}

// The sets that ship can be read, are on what can be measured, and say of each window
// where it comes from; colours are on the lab's scale where it says which that is.
func TestBuiltInCriteria(t *testing.T) {
	for _, name := range lab.BuiltIn() {
		l, said := judged(t, "  - "+name+"\n")
		if len(said) > 0 || len(l.Criteria) != 1 || l.Criteria[0].GetName() != name || l.Criteria[0].GetTitle() == "" {
			t.Fatalf("%s: %q, %v", name, said, l.Criteria)
		}
		for _, w := range l.Criteria[0].GetWindows() {
			if w.GetSource() == "" {
				t.Errorf("%s: a window without a source: %v", name, w)
			}
		}
	}
	l, said := judged(t, "  - {set: sample-roast, scales: {protocol: bench-100}}\n")
	if len(said) > 0 {
		t.Fatal(said)
	}
	// The figures: 8 to 12 min; 58 whole and 63 ground, ± 1; 30 min to 4 h.
	for name, limits := range map[string][2]float64{
		"total_time": {480, 720}, "colour_whole": {57, 59}, "colour_ground": {62, 64}, "time_to_colour_whole": {1800, 14400}, "time_to_colour_ground": {1800, 14400},
	} {
		found := false
		for _, w := range l.Criteria[0].GetWindows() {
			if criteria.Name(w) != name {
				continue
			}
			found = true
			if w.GetLow() != limits[0] || w.GetHigh() != limits[1] || w.GetProperty() != "" && w.GetBasis() != "bench-100" {
				t.Errorf("%v, want %v", w, limits)
			}
		}
		if !found {
			t.Errorf("no window on %s", name)
		}
	}
}

// What is measured of roasted coffee is a property that sheets know.
func TestPropertiesOfRoastedCoffeeAreKnown(t *testing.T) {
	for name := range criteria.OfRoasted {
		if _, ok := sheet.QuantityOf(name); !ok {
			t.Errorf("no sheet can have the property %q", name)
		}
	}
}
