package main

import (
	"errors"
	"testing"
)

// Two hubs that are given the same clock, one after the other, show the same time; what
// is no clock is a mistake on the command line.
func TestClockOfASimulation(t *testing.T) {
	const text = "40@2026-11-25T09:00:00Z"
	first, err := parseClock(text)
	if err != nil {
		t.Fatal(err)
	}
	second, err := parseClock(text)
	if err != nil {
		t.Fatal(err)
	}
	// The second reads its time after the first, within a lab hour even here.
	if d := second.Now().Sub(first.Now()).Hours(); first.Rate() != 40 || d < -0.1 || d > 1 {
		t.Errorf("rate %g, and the second is %g h ahead", first.Rate(), d)
	}
	if c, err := parseClock(""); err != nil || c.Rate() != 1 {
		t.Errorf("without a clock: rate %g, %v; want real time", c.Rate(), err)
	}
	for _, bad := range []string{"40", "@2026-11-25T09:00:00Z", "0@2026-11-25T09:00:00Z", "-1@2026-11-25T09:00:00Z",
		"NaN@2026-11-25T09:00:00Z", "Inf@2026-11-25T09:00:00Z", "40@yesterday"} {
		if _, err := parseClock(bad); !errors.As(err, &usageError{}) {
			t.Errorf("--clock %s: %v, want a mistake on the command line", bad, err)
		}
	}
}
