package roast_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	charge     = pb.MarkKind_MARK_KIND_CHARGE
	turn       = pb.MarkKind_MARK_KIND_TURNING_POINT
	yellowing  = pb.MarkKind_MARK_KIND_YELLOWING
	firstCrack = pb.MarkKind_MARK_KIND_FIRST_CRACK
	drop       = pb.MarkKind_MARK_KIND_DROP
)

// upTo feeds readings before a time and returns what was found and the rest.
func upTo(tracker *roast.Tracker, readings []roast.Reading, at float64) ([]roast.Event, []roast.Reading) {
	var events []roast.Event
	for i, r := range readings {
		if r.At >= at {
			return events, readings[i:]
		}
		events = append(events, tracker.Feed(r)...)
	}
	return events, nil
}

func mustMark(t *testing.T, tracker *roast.Tracker, kind pb.MarkKind, at float64) {
	t.Helper()
	if _, err := tracker.SetMark(kind, at); err != nil {
		t.Fatal(err)
	}
	if got, ok := tracker.Mark(kind); !ok || got != at {
		t.Fatalf("%v is at %v, %v; want %v", kind, got, ok, at)
	}
}

func TestPersonsChargeTakesTheTrackersPlace(t *testing.T) {
	for _, pressed := range []float64{113, 121, 126} {
		d := newDrum()
		d.preheat(120).roast(600).drop()
		tracker := roast.NewTracker()
		before, rest := upTo(tracker, d.readings, max(pressed, 121))
		mustMark(t, tracker, charge, pressed)
		wantEvents(t, append(before, feed(tracker, rest)...), turned(120), dropped(720))
	}
}

func TestPersonMovesTheChargeFound(t *testing.T) {
	d := newDrum()
	d.preheat(120).roast(600).drop()
	tracker := roast.NewTracker()
	before, rest := upTo(tracker, d.readings, 300)
	mustMark(t, tracker, charge, 118)
	wantEvents(t, append(before, feed(tracker, rest)...), charged(120), turned(120), dropped(720))
	if at, _ := tracker.Mark(charge); at != 118 {
		t.Errorf("charge is at %v, want the person's 118", at)
	}
	// After the drop, too.
	mustMark(t, tracker, charge, 119)
	mustMark(t, tracker, drop, 725)
	if tracker.Roasting() {
		t.Error("moving a mark of a roast that has ended began another")
	}
}

func TestPersonsDropEndsTheRoast(t *testing.T) {
	d := newDrum()
	d.preheat(120).roast(600).drop().roast(500).drop()
	tracker := roast.NewTracker()
	before, rest := upTo(tracker, d.readings, 719)
	mustMark(t, tracker, drop, 718.5)
	if tracker.Roasting() {
		t.Error("still roasting after the drop")
	}
	wantEvents(t, append(before, feed(tracker, rest)...), charged(120), turned(120), charged(810), turned(810), dropped(1310))
}

func TestPersonsDropTakenBack(t *testing.T) {
	d := newDrum()
	d.preheat(120).roast(600).drop()
	tracker := roast.NewTracker()
	before, rest := upTo(tracker, d.readings, 500)
	mustMark(t, tracker, drop, 499)
	if err := tracker.Withdraw(drop); err != nil {
		t.Fatal(err)
	}
	wantEvents(t, append(before, feed(tracker, rest)...), charged(120), turned(120), dropped(720))
}

func TestChargeTakenBack(t *testing.T) {
	d := newDrum()
	d.preheat(120).roast(40)
	tracker := roast.NewTracker()
	wantEvents(t, feed(tracker, d.readings), charged(120))
	if err := tracker.Withdraw(charge); err != nil {
		t.Fatal(err)
	}
	if _, ok := tracker.Mark(charge); ok || tracker.Roasting() {
		t.Error("a roast without its charge")
	}
	if err := tracker.Withdraw(charge); err == nil {
		t.Error("a mark that is not set was withdrawn")
	}
}

func TestMarksRefused(t *testing.T) {
	begun := func() *roast.Tracker {
		tracker := roast.NewTracker()
		mustMark(t, tracker, charge, 100)
		mustMark(t, tracker, turn, 180)
		mustMark(t, tracker, yellowing, 400)
		return tracker
	}
	for name, c := range map[string]struct {
		tracker *roast.Tracker
		kind    pb.MarkKind
		at      float64
		field   string
	}{
		"a mark before any charge":   {roast.NewTracker(), drop, 100, "drop"},
		"drop before the charge":     {begun(), drop, 50, "drop"},
		"crack before yellowing":     {begun(), firstCrack, 399, "first crack"},
		"charge after the turn":      {begun(), charge, 200, "turning point"},
		"NaN":                        {begun(), drop, math.NaN(), "drop"},
		"infinite":                   {begun(), drop, math.Inf(1), "drop"},
		"unspecified":                {begun(), pb.MarkKind_MARK_KIND_UNSPECIFIED, 500, "kind"},
		"a kind that there is not":   {begun(), 99, 500, "kind"},
		"a kind below the first one": {begun(), -1, 500, "kind"},
	} {
		before, _ := c.tracker.Mark(c.kind)
		_, err := c.tracker.SetMark(c.kind, c.at)
		var input *roast.InputError
		if !errors.As(err, &input) || input.Field != c.field || input.Range == "" {
			t.Errorf("%s: error %v, want one about the %s", name, err, c.field)
		}
		if after, _ := c.tracker.Mark(c.kind); after != before {
			t.Errorf("%s: the mark was refused and moved from %v to %v", name, before, after)
		}
	}
}

// A charge that a person marks late gives what it would have given in time.
func TestPersonsLateCharge(t *testing.T) {
	d := newDrum()
	// A probe that falls too slowly for a charge to be found by itself.
	d.lag = 75
	d.preheat(120).roast(600).drop().preheat(60)
	if events := feed(roast.NewTracker(), d.readings); len(events) != 0 {
		t.Fatalf("found without a person: %+v", events)
	}
	told := func(when float64) []roast.Event {
		tracker := roast.NewTracker()
		var events []roast.Event
		said := false
		for _, r := range d.readings {
			if !said && r.At > when {
				said = true
				found, err := tracker.SetMark(pb.MarkKind_MARK_KIND_CHARGE, 120)
				if err != nil {
					t.Fatal(err)
				}
				events = append(events, found...)
			}
			events = append(events, tracker.Feed(r)...)
		}
		for i := range events {
			events[i].Found = 0 // it was told when it was told
		}
		return events
	}
	inTime := told(120)
	if len(inTime) != 2 || inTime[0].What != roast.Turned || inTime[1].What != roast.Dropped {
		t.Fatalf("marked in time: %+v, want the turning point and the drop", inTime)
	}
	for _, late := range []float64{130, 180, 300, 600, 715, 760, 805} {
		if events := told(late); !slices.Equal(events, inTime) {
			t.Errorf("marked %.0f s late: %+v\nwant %+v", late-120, events, inTime)
		}
	}
}
