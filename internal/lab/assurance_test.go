package lab_test

import (
	"math"
	"testing"
	"time"
)

// Every mistake in the checks of a lab file is said at once, each with its place and what to do.
func TestMistakesInChecksHaveTheirPlace(t *testing.T) {
	_, got := load(t, head+`instruments:
  - name: scale
    station: bench
    sheet: scale
    link: {tcp: 10.0.0.1:4001}
    channels:
      mass:
        checks:
          - {name: weight 50, reference: 50, limit: 0.3, every: 24h}
          - {reference: 80, limit: 0.3}
          - {name: no reference, limit: 0.3}
          - {name: no limit, reference: 80}
          - {name: weight 50, reference: 50, limit: 0.5}
          - {name: beyond, reference: 5000, limit: 0.3}
          - {name: unsure, reference: 80, uncertainty: 0.3, limit: 0.3}
          - {name: never good, reference: 80, limit: -1}
          - {name: seldom, reference: 80, limit: 0.3, every: tomorrow}
          - {name: not finite, reference: .inf, limit: 0.3}
          - {name: misspelt, refrence: 100, limit: 0.3}
          - weight 500 g
  - name: scanner
    station: bench
    sheet: scanner
    link: {tcp: 10.0.0.1:4002}
    channels: {code: {checks: [{name: label, reference: 1, limit: 1}]}}
  - name: probes
    station: drum
    sheet: probes
    link: {tcp: 10.0.0.1:4003}
    channels: {bean: {checks: [{name: ice, limit: 1}]}}
`)
	want := `lab.yaml:13:13: instruments[0].channels.mass.checks[1]: name is missing: write what the channel is held against, such as weight 100 g
lab.yaml:14:13: instruments[0].channels.mass.checks[2]: reference is missing: write what the channel should read
lab.yaml:15:13: instruments[0].channels.mass.checks[3]: limit is missing: write the most that it may be off
lab.yaml:16:20: instruments[0].channels.mass.checks[4].name: there is a check "weight 50" of mass already: each needs a name of its own
lab.yaml:17:39: instruments[0].channels.mass.checks[5].reference: is 5000, outside the range of mass, -1 to 100
lab.yaml:18:56: instruments[0].channels.mass.checks[6].uncertainty: is 0.3, and the limit 0.3: no check could ever be good; take a better reference, or a wider limit
lab.yaml:19:54: instruments[0].channels.mass.checks[7].limit: must be above zero, but is -1
lab.yaml:20:62: instruments[0].channels.mass.checks[8].every: "tomorrow" is not a time: write a time with its unit, such as 500ms, 2s, 5m or 1h
lab.yaml:21:43: instruments[0].channels.mass.checks[9].reference: must be a finite number, but is .inf
lab.yaml:22:13: instruments[0].channels.mass.checks[10]: reference is missing: write what the channel should read
lab.yaml:22:30: instruments[0].channels.mass.checks[10].refrence: unknown key; did you mean "reference"?
lab.yaml:23:13: instruments[0].channels.mass.checks[11]: must be a map, but is "weight 500 g"
lab.yaml:28:31: instruments[1].channels.code.checks: a code cannot be checked: leave this out
lab.yaml:33:32: instruments[2].channels.bean.checks[0]: reference is missing: write what the channel should read`
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// Checks are written in the unit of the display, and held against values in the hub's own.
func TestChecksAreInTheUnitOfTheHub(t *testing.T) {
	l, problems := load(t, head+`instruments:
  - name: probes
    station: drum
    sheet: probes
    link: {tcp: 10.0.0.1:4001}
    channels: {bean: {checks: [{name: ice, reference: 32, uncertainty: 0.18, limit: 1.8, every: 8h}]}}
`)
	if problems != "" {
		t.Fatal(problems)
	}
	checks := l.Instrument("probes").Checks
	if len(checks) != 1 {
		t.Fatalf("%+v", checks)
	}
	near := func(got, want float64) bool { return math.Abs(got-want) < 1e-12 }
	if c := checks[0]; c.Channel != "bean" || c.Unit != "Cel" || !near(c.Reference, 0) || !near(c.Limit, 1) || !near(c.Uncertainty, 0.1) || c.Every != 8*time.Hour {
		t.Errorf("%+v", c)
	}
}
