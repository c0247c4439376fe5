package simlab

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// wholeDay is more of the lab's time than a day's work takes.
const wholeDay = 24 * time.Hour

func TestDayIsWhole(t *testing.T) {
	p, err := dayOf(t, Options{Seed: 1}, newHub(), wholeDay)
	if err != nil {
		t.Error(err)
	}
	if len(p.samples) != 30 || len(p.roasts) != 30 {
		t.Fatalf("got %d samples and %d roasts, want 30 and 30", len(p.samples), len(p.roasts))
	}
	lots := map[string]bool{}
	for i, r := range p.roasts {
		lots[p.samples[i].Lot] = true
		if r.Sample != p.samples[i].Code {
			t.Errorf("roast %d is of %s, want %s", i, r.Sample, p.samples[i].Code)
		}
		if want := fmt.Sprintf("drum-%d", i%4+1); r.Station != want {
			t.Errorf("%s was roasted in %s, want %s", r.Sample, r.Station, want)
		}
		if r.Charged != chargeAt(i) {
			t.Errorf("%s was charged at %v on its drum's clock, want %v", r.Sample, r.Charged, chargeAt(i))
		}
		if late := r.ChargedAt.Sub(p.roasts[0].ChargedAt) - time.Duration(i)*slot; late.Abs() > 10*time.Second {
			t.Errorf("%s was charged %v off its time, with nothing to make it late", r.Sample, late)
		}
		for what, order := range map[string]bool{
			"turning point after charge":  r.TurningPoint > r.Charged,
			"yellowing after turning":     r.Yellowing > r.TurningPoint,
			"first crack after yellowing": r.FirstCrack > r.Yellowing,
			"drop after first crack":      r.Dropped > r.FirstCrack,
			"total 8 to 13 min":           r.Dropped-r.Charged > 8*time.Minute && r.Dropped-r.Charged < 13*time.Minute,
			"loss 14 to 20 %":             r.Loss() > 0.14 && r.Loss() < 0.20,
			"weighed out after the drop":  weighOut > r.Dropped-r.Charged+cooling,
			"colour half an hour after":   colour >= r.Dropped-r.Charged+rest,
			"clock time follows":          r.DroppedAt.Sub(r.ChargedAt) == r.Dropped-r.Charged,
		} {
			if !order {
				t.Errorf("%s: not so: %s: %+v", r.Sample, what, r)
			}
		}
	}
	// A demo of a minute, an hour of the lab's, shows a good part of the day.
	if at := p.roasts[11].DroppedAt.Sub(p.roasts[0].ChargedAt); at > time.Hour-firstCharge {
		t.Errorf("the twelfth roast ends only %v after the first charge", at)
	}
	if len(lots) != 9 {
		t.Errorf("got %d lots, want 9", len(lots))
	}
	want := map[string]int{
		"RegisterSampleRequest":  30,
		"QueueSampleRequest":     29,                         // one is forgotten
		"PlaceSampleRequest":     22 + 30 + 30 + 30 + 1,      // reception, in, out, colour, the ticket lost
		"RemoveSampleRequest":    22 + 22 + 30 + 30 + 30 + 1, // and from the moisture bench, where a scan placed them
		"SetMarkRequest":         60,
		"AssignReadingsRequest":  1,           // the forgotten
		"ActOnInstrumentRequest": 22 + 30 + 1, // densities, colours, a zero
		"AddNoteRequest":         4,
	}
	if calls := p.hub.calls(t); !reflect.DeepEqual(calls, want) {
		t.Errorf("calls:\ngot  %v\nwant %v", calls, want)
	}
}

// truths are the roasts of a day that have ended, as they really were, in the order of the
// charges.
func (p past) truths() (all []string) {
	for _, r := range p.roasts {
		if r.Dropped == 0 {
			break
		}
		all = append(all, fmt.Sprintf("%s %s %+v", r.Sample, r.Station, r.Truth))
	}
	return all
}

// The same seed gives the same day, however slowly the hub answers and however late the
// simulation itself runs: the same roasts to the last digit, the same way of each sample,
// and the same displays.
func TestDayIsTheSameOnABusyMachine(t *testing.T) {
	idle, err := dayOf(t, Options{Seed: 5}, newHub(), time.Hour)
	if err != nil {
		t.Error(err)
	}
	slow := newHub()
	slow.slow = 4 * time.Second // four minutes of the lab's time
	busy, err := dayOf(t, Options{Seed: 5}, slow, 2*time.Hour)
	if err != nil {
		t.Error(err)
	}
	// Here the simulation wakes only every two seconds of the lab's time.
	fast, err := dayOf(t, Options{Seed: 5, Rate: 1000}, newHub(), time.Hour)
	if err != nil {
		t.Error(err)
	}
	for what, other := range map[string]past{"a slow hub": busy, "a late simulation": fast} {
		same(t, what+": roasts", idle.truths(), other.truths())
		if n := len(other.truths()); n < 6 {
			t.Fatalf("%s: only %d roasts ended", what, n)
		}
		for code := range idle.hub.way {
			same(t, what+": way of "+code, idle.hub.way[code], other.hub.way[code])
			same(t, what+": measured of "+code, idle.hub.shown[code], other.hub.shown[code])
		}
	}
	sixth := func(p past) time.Duration { return p.roasts[5].ChargedAt.Sub(p.roasts[0].ChargedAt) }
	if late := sixth(busy) - sixth(idle); late < 5*time.Minute {
		t.Errorf("the slow hub made the sixth charge only %v late: it shows nothing", late)
	}
	other, err := dayOf(t, Options{Seed: 6}, newHub(), 20*time.Minute)
	if err != nil {
		t.Error(err)
	}
	if reflect.DeepEqual(idle.truths()[0], other.truths()[0]) {
		t.Error("two seeds gave the same first roast")
	}
}

// same compares two stories as far as both go.
func same(t *testing.T, what string, a, b []string) {
	t.Helper()
	n := min(len(a), len(b))
	a, b = a[:n], b[:n]
	if !slices.Equal(a, b) {
		t.Errorf("%s:\n%s\nand\n%s", what, strings.Join(a, "\n"), strings.Join(b, "\n"))
	}
}

// A hub that finds no charge and no drop is helped: people mark them, at the time when
// they were.
func TestPeopleMarkWhatTheHubMisses(t *testing.T) {
	blind := newHub()
	blind.blind = true
	p, err := dayOf(t, Options{Seed: 1}, blind, 40*time.Minute)
	if err != nil {
		t.Error(err)
	}
	marks := map[string]bool{}
	for _, m := range blind.asked {
		if m, ok := m.(*pb.SetMarkRequest); ok {
			marks[fmt.Sprint(m.GetKind(), m.GetAt().AsTime())] = true
		}
	}
	marked := 0
	for _, r := range p.roasts {
		if r.Dropped == 0 || p.end.Sub(r.DroppedAt) < 10*time.Minute {
			continue // not noticed yet
		}
		marked++
		for kind, at := range map[pb.MarkKind]time.Time{
			pb.MarkKind_MARK_KIND_CHARGE: r.ChargedAt, pb.MarkKind_MARK_KIND_DROP: r.DroppedAt,
		} {
			if !marks[fmt.Sprint(kind, at)] {
				t.Errorf("%s was not marked: %v at %v", r.Sample, kind, at)
			}
		}
	}
	if marked < 4 {
		t.Errorf("only %d roasts ended", marked)
	}
}

// A hub that refuses costs the day what it refuses, and Work says so; a mark is tried
// again and is no fault of the day.
func TestRefusals(t *testing.T) {
	for method, fault := range map[string]bool{
		pb.BenchService_SetMark_FullMethodName:     false,
		pb.BenchService_QueueSample_FullMethodName: true,
	} {
		h := newHub()
		h.refuse = func(m string) error {
			if m == method {
				return status.Error(codes.FailedPrecondition, "not today")
			}
			return nil
		}
		p, err := dayOf(t, Options{Seed: 1}, h, 20*time.Minute)
		if (err != nil) != fault || fault && !strings.Contains(err.Error(), "queue EB4101 for drum-1: ") {
			t.Errorf("%s: got %v", method, err)
		}
		if !strings.Contains(strings.Join(p.lines, "\n"), "not today") {
			t.Errorf("%s: the refusal was not told", method)
		}
		if len(p.roasts) < 5 {
			t.Errorf("%s: got %d roasts, want the work to go on all the same", method, len(p.roasts))
		}
		asked := map[string]int{}
		for _, m := range h.asked {
			if m, ok := m.(*pb.SetMarkRequest); ok {
				asked[fmt.Sprint(m.GetRoast(), m.GetKind(), m.GetAt().AsTime())]++
			}
		}
		for what, n := range asked {
			if want := map[bool]int{false: markTries, true: 1}[fault]; n > want {
				t.Errorf("%s: %s was tried %d times, want %d at most", method, what, n, want)
			}
		}
	}
}
