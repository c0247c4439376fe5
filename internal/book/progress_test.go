package book_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	yellowing  = pb.MarkKind_MARK_KIND_YELLOWING
	firstCrack = pb.MarkKind_MARK_KIND_FIRST_CRACK
)

// marked lets the drum roast a sample, with a person who marks yellowing and first crack,
// and returns the roast.
func (s *scene) marked(t testing.TB, code string, yellow, crack, length time.Duration) *pb.Roast {
	t.Helper()
	s.register(code)
	s.queue(code)
	start := s.now.Add(2 * time.Minute)
	for _, m := range []struct {
		kind  pb.MarkKind
		after time.Duration
	}{{yellowing, yellow}, {firstCrack, crack}} {
		s.probe(start, length, start.Add(m.after))
		s.mark(s.book.RoastOn("drum"), m.kind, s.now, "")
	}
	s.probe(start, length, start.Add(length+90*time.Second))
	return s.sample(t, code).GetRoasts()[0]
}

// A roast that goes on: what the probes show, the marks so far, and when the others are
// due, once the drum has had three roasts with them.
func TestProgress(t *testing.T) {
	s := newScene()
	start := func() time.Time { return s.now.Add(2 * time.Minute) }
	known := func(p *pb.RoastProgress) (kinds []pb.MarkKind) {
		for _, e := range p.GetExpected() {
			if e.GetUnknown() == "" {
				kinds = append(kinds, e.GetKind())
			}
		}
		return kinds
	}
	progress := func() *pb.RoastProgress {
		t.Helper()
		ids := s.book.Roasting(nil)
		if len(ids) != 1 {
			t.Fatalf("roasts %v go on, want one", ids)
		}
		return s.book.Progress(ids[0], s.book.History(ids[0]), s.now)
	}
	for i := range 3 {
		begin, late := start(), time.Duration(i)*4*time.Second
		code := fmt.Sprintf("H-%d", i)
		s.marked(t, code, 4*time.Minute+late, 7*time.Minute+late, 9*time.Minute+late)
		if i == 0 && s.sample(t, code).GetRoasts()[0].GetChargedAt().AsTime().Sub(begin).Abs() > 3*time.Second {
			t.Fatal("the roast was not charged when it was")
		}
	}
	s.register("A")
	s.queue("A")
	begin := start()
	s.probe(begin, 9*time.Minute, begin.Add(3*time.Minute))
	p := progress()
	bean := 205 - 180*math.Exp(-180.0/260)
	if p.GetSample() != "A" || p.GetStation() != "drum" || math.Abs(p.GetElapsedS()-180) > 3 || math.Abs(p.GetElapsedS()-p.GetReadS()) > 2 ||
		math.Abs(p.GetBeanCel()-bean) > 2 || p.DrumAirCel == nil || p.InletAirCel != nil || p.GetRateOfRise() < 10 || p.RateUncertainty == nil ||
		len(p.GetMarks()) != 2 || len(p.GetRemarks()) != 0 || p.CorrectedCel != nil {
		t.Errorf("after three minutes: %v", p)
	}
	if k := known(p); !slices.Equal(k, []pb.MarkKind{yellowing, firstCrack, pb.MarkKind_MARK_KIND_DROP}) {
		t.Fatalf("when %v are due is known, want all three: %v", k, p.GetExpected())
	}
	for i, want := range []float64{244, 424, 544} {
		e := p.GetExpected()[i]
		if e.GetRoasts() != 3 || math.Abs(e.GetLikelyS()-want) > 12 || !(e.GetEarliestS() < want && want < e.GetLatestS()) {
			t.Errorf("%v is due %.0f to %.0f s, likely at %.0f s, by %d roasts; want it at %.0f s by 3", e.GetKind(), e.GetEarliestS(), e.GetLatestS(), e.GetLikelyS(), e.GetRoasts(), want)
		}
	}
	names := map[string]bool{}
	for _, f := range p.GetFindings() {
		names[f.GetName()] = true
	}
	if !names["greatest_rate_of_rise"] || !names["time_to_turning_point"] || names["total_time"] {
		t.Errorf("findings so far %v", p.GetFindings())
	}

	// A probe that falls silent is said to be, and its last value is not taken for now's.
	s.wait(20 * time.Second)
	p = progress()
	if text := strings.Join(p.GetRemarks(), "; "); !strings.Contains(text, "has not been read for 21 s") || p.DrumAirCel != nil || p.GetElapsedS()-p.GetReadS() < 20 {
		t.Errorf("20 s later: %v", p)
	}
	if k := known(p); len(k) != 0 {
		t.Errorf("when %v are due is told from readings of 20 s ago", k)
	}

	// A probe that breaks, too.
	broken := value{channel: "bean", value: math.NaN(), remark: &pb.Remark{Quality: pb.Quality_QUALITY_BAD}}
	s.read("probes", broken, value{channel: "air", value: 201, after: time.Millisecond})
	p = progress()
	if text := strings.Join(p.GetRemarks(), "; "); !strings.Contains(text, "have been bad for") || p.BeanCel != nil || p.GetDrumAirCel() != 201 {
		t.Errorf("with a broken probe: %v", p)
	}
	if q := s.book.Progress("R-9999", nil, s.now); q != nil {
		t.Errorf("progress of no roast: %v", q)
	}
}

// What nobody can tell is not told: a drum's first roasts have no history.
func TestProgressWithoutHistory(t *testing.T) {
	s := newScene()
	begin := s.now.Add(2 * time.Minute)
	s.probe(begin, 9*time.Minute, begin.Add(3*time.Minute))
	id := s.book.RoastOn("drum")
	p := s.book.Progress(id, s.book.History(id), s.now)
	if len(p.GetExpected()) != 3 || !strings.Contains(strings.Join(p.GetRemarks(), "; "), "no sample is known") {
		t.Errorf("%v, want three marks expected, and a remark that nobody's sample is in it", p)
	}
	for _, e := range p.GetExpected() {
		if e.GetUnknown() == "" || e.LikelyS != nil {
			t.Errorf("%v is due at %v without any history", e.GetKind(), e.GetLikelyS())
		}
	}
}

// Marks moved about and moved back leave every finding as it was, to the last digit: its
// value, its uncertainty and its method.
func TestMarksMovedBackRestoreFindings(t *testing.T) {
	s := newScene()
	roast := s.marked(t, "A", 4*time.Minute, 7*time.Minute, 9*time.Minute)
	id := roast.GetRoast()
	say := func() map[string]string {
		all := map[string]string{}
		for _, f := range s.sample(t, "A").GetRoasts()[0].GetFindings() {
			u := -1.0
			if f.StandardUncertainty != nil {
				u = f.GetStandardUncertainty()
			}
			all[f.GetName()] = fmt.Sprint(f.GetValue(), u, f.GetUnit(), f.GetMethod())
		}
		return all
	}
	was := say()
	if len(was) < 15 {
		t.Fatalf("only %d findings: %v", len(was), was)
	}
	at := map[pb.MarkKind]time.Time{}
	for _, m := range roast.GetMarks() {
		at[m.GetKind()] = m.GetAt().AsTime()
	}
	changed := false
	rapid.Check(t, func(t *rapid.T) {
		var moved []pb.MarkKind
		var from []time.Time
		now := map[pb.MarkKind]time.Time{}
		for kind, x := range at {
			now[kind] = x
		}
		for range rapid.IntRange(1, 6).Draw(t, "moves") {
			kind := pb.MarkKind(rapid.IntRange(1, int(pb.MarkKind_MARK_KIND_DROP)).Draw(t, "kind"))
			to := now[kind].Add(time.Duration(rapid.IntRange(-90_000_000, 60_000_000).Draw(t, "by")) * time.Microsecond)
			if _, set := at[kind]; !set || s.book.CheckMark(id, kind, to) != nil {
				continue
			}
			moved, from = append(moved, kind), append(from, now[kind])
			s.mark(id, kind, to, "moved")
			now[kind] = to
		}
		is := say()
		for name := range was {
			changed = changed || is[name] != was[name]
		}
		for i := len(moved) - 1; i >= 0; i-- {
			s.mark(id, moved[i], from[i], "moved back")
		}
		is = say()
		for name, want := range was {
			if is[name] != want {
				t.Fatalf("%s is %s, was %s", name, is[name], want)
			}
		}
		if len(is) != len(was) {
			t.Fatalf("%d findings, were %d", len(is), len(was))
		}
	})
	if !changed {
		t.Error("no move changed a finding")
	}
}
