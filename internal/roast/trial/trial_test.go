package main

import (
	"testing"
	"time"

	"github.com/evenbench/evenbench/internal/forecast"
	"github.com/evenbench/evenbench/internal/roast"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// A part of what the command tries, quick enough for every day. The whole of it
// is in TABLE.md.
func TestEveryRoastIsFound(t *testing.T) {
	const n = 24
	for _, l := range labs {
		for _, air := range []bool{true, false} {
			t.Run(l.name+", "+probes(air), func(t *testing.T) {
				s := tryRoasts(1, n, l, air)
				for _, what := range marks {
					if found := len(s.errors[what]); found != n {
						t.Errorf("%v found in %d of %d roasts", what, found, n)
					}
				}
				if s.spurious != 0 {
					t.Errorf("%d events that never happened", s.spurious)
				}
				// Of a lone probe that is not thin, a charge is told when it turns.
				if told := s.soonTold(); air && told < 0.9 {
					t.Errorf("%.1f %% of charges told within %d s, want at least 90", 100*told, soon)
				}
				for _, m := range s.misses {
					t.Log(m)
				}
			})
		}
	}
}

// Where stamps are true and readings are there, marks are where they were.
func TestMarksAreWhereTheyWere(t *testing.T) {
	const n = 60
	for _, air := range []bool{true, false} {
		t.Run(probes(air), func(t *testing.T) {
			s := tryRoasts(1, n, labs[0], air)
			for _, what := range marks {
				if w := s.within(what); w < 0.98 {
					t.Errorf("%v within %v s in %.1f %% of %d roasts, want at least 98", what, limits[what], 100*w, n)
				}
			}
		})
	}
}

func TestNoFalseChargeInHandling(t *testing.T) {
	for _, l := range labs {
		for _, air := range []bool{true, false} {
			t.Run(l.name+", "+probes(air), func(t *testing.T) {
				for seed := range uint64(1) {
					for _, e := range handling(seed+1, time.Hour, l, air) {
						t.Errorf("seed %d: %+v", seed+1, e)
					}
				}
			})
		}
	}
}

// The uncertainty that is stated of the marks that the tracker finds is met where stamps are
// true.
func TestMarkUncertaintyIsMet(t *testing.T) {
	for _, air := range []bool{true, false} {
		s := tryRoasts(700_001, 60, labs[0], air)
		for method, off := range s.methods {
			kind := map[string]pb.MarkKind{roast.MethodTurningPoint: pb.MarkKind_MARK_KIND_TURNING_POINT}[method]
			stated, ok := roast.MarkUncertainty(kind, method)
			if is := rootMeanSquare(off); !ok || len(off) > 10 && is > stated {
				t.Errorf("%s: errors of %d marks are %.2f s, stated are %v s", method, len(off), is, stated)
			}
		}
	}
}

// Of nine in ten marks it is told in time between when they come, once there is a history.
func TestForecastsHoldAsOftenAsTheySay(t *testing.T) {
	var known, covered int
	for kind, f := range tryForesight(800_001, 3, labs[0]) {
		var had int
		for i := range horizons {
			had += f.known[i]
			known, covered = known+f.known[i], covered+f.covered[i]
		}
		if had == 0 {
			t.Errorf("when %v is due was never known", kind)
		}
	}
	if share := float64(covered) / float64(known); share < forecast.Coverage-0.08 {
		t.Errorf("%.1f %% of %d forecasts held, want about %.0f", 100*share, known, 100*forecast.Coverage)
	}
}

// The trial must be able to fail: a tracker that sees nothing is not praised.
func TestScoreCountsWhatWasMissed(t *testing.T) {
	s := score{
		roasts: 10,
		errors: map[roast.What][]float64{roast.Charged: {0.1, -1.9, 2.1, 25}},
		delays: map[roast.What][]float64{roast.Charged: {20, 44, 46, 90}},
	}
	if got := s.within(roast.Charged); got != 0.2 {
		t.Errorf("2 of 10 roasts within the limit: %v, want 0.2", got)
	}
	if got := s.soonTold(); got != 0.2 {
		t.Errorf("2 of 10 charges told soon: %v, want 0.2", got)
	}
	if got := s.within(roast.Dropped); got != 0 {
		t.Errorf("no drop found: %v, want 0", got)
	}
}
