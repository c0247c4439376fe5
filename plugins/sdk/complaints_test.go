package sdk

import (
	"strconv"
	"strings"
	"testing"
)

type logged struct {
	Out
	lines []string
}

func (l *logged) Log(level, text string) { l.lines = append(l.lines, level+" "+text) }

// A device that is wrong with every message is not said to be so every time.
func TestComplaintsAreSampled(t *testing.T) {
	out := &logged{}
	c := NewComplaints(out)
	for range 1000 {
		c.Add("air", "the payload is not JSON")
		c.Add("pressure", "the value is empty")
	}
	if len(out.lines) != 2 {
		t.Errorf("said %d times: %.200q", len(out.lines), out.lines)
	}
	c.about["air"].said = c.about["air"].said.Add(-complainEvery)
	c.Add("air", "the payload is not JSON")
	if last := out.lines[len(out.lines)-1]; !strings.Contains(last, "and 999 more") {
		t.Errorf("said %q", last)
	}
	for i := range 10 * mostThings {
		c.Add(strconv.Itoa(i), "made up")
	}
	if len(c.about) > mostThings+1 || len(out.lines) > mostThings+10 {
		t.Errorf("%d things are kept, and %d lines said", len(c.about), len(out.lines))
	}
}
