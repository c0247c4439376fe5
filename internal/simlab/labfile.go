package simlab

import (
	"fmt"
	"strings"
)

// LabFile returns the lab file of this lab: its stations, and its instruments with
// the addresses at which they really are. Data is the folder for the record; grpc
// and http are where the hub is to listen. What is empty is left out, for the hub
// to choose.
func (l *Lab) LabFile(data, grpc, http string) string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }

	line("# A simulated lab: its drums, coffees and people are invented.")
	line("lab: Demonstration bench (simulated)")
	if data != "" {
		line("data: %q", data)
	}
	if listen := listenAt(grpc, http); listen != "" {
		line("listen: {%s}", listen)
	}
	line("stations:")
	for _, name := range []string{"reception", "moisture-bench"} {
		line("  - {name: %s, kind: bench}", name)
	}
	for _, r := range l.roasters {
		line("  - {name: %s, kind: drum}", r.station)
	}
	for _, name := range []string{"weigh-out", "colour-bench"} {
		line("  - {name: %s, kind: bench}", name)
	}
	line("  - {name: room, kind: room}")

	line("instruments:")
	for _, x := range l.instruments {
		line("  - name: %s", x.name)
		line("    station: %s", x.station)
		line("    sheet: %s", x.sheet)
		line("    link: %s", x.device.Cable().Link())
		if x.mass != "" {
			line("    channels:")
			line("      mass: {property: %s}", x.mass)
		}
	}
	// What Ilka reads by hand and types: no device, no link.
	line("  - name: %s", handCount)
	line("    station: moisture-bench")
	line("    sheet: hand-count")
	b.WriteString(houseRules)
	return b.String()
}

// houseRules are the criteria of the lab. The figures of the house set are invented.
const houseRules = `criteria:
  - {set: sample-roast, scales: {protocol: bench-100}}
  - name: house
    title: What samples must have in common to be ranked on one table
    risk: 0.05
    windows:
      - {property: moisture, basis: wet, low: 10, high: 12, unit: "%", source: house rule 1 of 2026-02}
      - {property: bulk_density, low: 640, unit: g/L, source: house rule 1 of 2026-02}
      - {finding: total_time, low: 9.5, high: 11.5, unit: min, source: house rule 2 of 2026-02}
      - {finding: development_ratio, low: 10, high: 22, unit: "%", source: house rule 2 of 2026-02}
      - {finding: loss_in_mass, low: 14, high: 18, unit: "%", source: house rule 3 of 2026-02}
parity:
  tolerances:
    - {finding: loss_in_mass, within: 1, unit: "%", source: house rule 5 of 2026-02}
    - {property: colour_ground, within: 4, source: house rule 5 of 2026-02}
    - {finding: total_time, within: 1, unit: min, source: house rule 6 of 2026-02}
    - {finding: development_time, within: 25, unit: s, source: house rule 6 of 2026-02}
decisions:
  - {recommend: reject, if: {criteria: {house: outside}}, source: house rule 9 of 2026-02}
  - {recommend: roast-again, if: {parity: [apart, alone]}, source: house rule 9 of 2026-02}
  - {recommend: buy, if: {parity: grouped, score: {at_least: 84}}, source: house rule 10 of 2026-02}
  - {recommend: sell, if: {parity: grouped}, source: house rule 10 of 2026-02}
`

// handCount is the instrument of values that a person types.
const handCount = "hand-count"

func listenAt(grpc, http string) string {
	var at []string
	if grpc != "" {
		at = append(at, fmt.Sprintf("grpc: %q", grpc))
	}
	if http != "" {
		at = append(at, fmt.Sprintf("http: %q", http))
	}
	return strings.Join(at, ", ")
}
