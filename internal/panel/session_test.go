package panel_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/panel"
	"pgregory.net/rapid"
)

func setting(seed byte) panel.Setting {
	return panel.Setting{
		Assessors: []string{"Bastu", "Ilka", "Oren", "Tamsin"},
		Lots:      []panel.Lot{{Name: "26-0117", Roast: "R-1"}, {Name: "26-0121"}, {Name: "26-0122"}}, Doubles: 1, Seed: panel.Seed{seed},
	}
}

// Every cup has a code of its own; every assessor gets every cup once; over a whole
// design each cup is first as often as any other; the next session's codes are all new.
func TestSessions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s panel.Setting
		for i := range rapid.IntRange(1, 12).Draw(t, "lots") {
			s.Lots = append(s.Lots, panel.Lot{Name: fmt.Sprint("L", i), Roast: fmt.Sprint("R", i)})
		}
		s.Doubles = rapid.IntRange(0, len(s.Lots)).Draw(t, "doubles")
		cups := len(s.Lots) + s.Doubles
		for i := range 2 * cups {
			s.Assessors = append(s.Assessors, fmt.Sprint("A", i))
		}
		copy(s.Seed[:], rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "seed"))
		session, err := panel.Plan(s)
		if err != nil || len(session.Cups) != cups || len(session.Servings) != len(s.Assessors) {
			t.Fatal(session, err)
		}
		var codes []panel.Code
		served := map[string]int{}
		for _, c := range session.Cups {
			if c.Code < 100 || c.Code > 999 || !slices.Contains(s.Lots, panel.Lot{Name: c.Lot, Roast: c.Roast}) {
				t.Fatalf("%+v", c)
			}
			served[fmt.Sprint(c.Lot, c.Copy)]++
			codes = append(codes, c.Code)
		}
		if len(served) != cups {
			t.Fatalf("%d servings of %d cups: %v", len(served), cups, served)
		}
		if !slices.IsSorted(codes) || len(slices.Compact(slices.Clone(codes))) != cups {
			t.Fatalf("codes %v", codes)
		}
		first := map[panel.Code]int{}
		for i, v := range session.Servings {
			if v.Assessor != s.Assessors[i] || !slices.Equal(slices.Sorted(slices.Values(v.Codes)), codes) {
				t.Fatalf("%+v of %v", v, codes)
			}
			first[v.Codes[0]]++
		}
		for c, n := range first {
			if n != 2 {
				t.Fatalf("cup %d is first %d times among %d assessors", c, n, len(s.Assessors))
			}
		}
		s.Avoid, s.Seed[0] = codes, s.Seed[0]+1
		next, err := panel.Plan(s)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range next.Cups {
			if slices.Contains(codes, c.Code) {
				t.Fatalf("the next session has %d again", c.Code)
			}
		}
	})
}

// What a seed gave is in the record, and must be had again with any later version.
func TestSeedGivesTheSameSessionForEver(t *testing.T) {
	s, err := panel.Plan(setting(7))
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprint(s); got != "{[{139 26-0121  0} {386 26-0117 R-1 1} {645 26-0122  0} {891 26-0117 R-1 0}] [{Bastu [139 386 645 891]} {Ilka [645 139 891 386]} {Oren [386 891 139 645]} {Tamsin [891 645 386 139]}]}" {
		t.Error(got)
	}
}

// All 900 codes can be drawn, and not one more.
func TestCodesAreDrawnWithoutCollisions(t *testing.T) {
	codes, err := panel.Codes(900, panel.Seed{3}, nil)
	if err != nil || len(slices.Compact(slices.Sorted(slices.Values(codes)))) != 900 {
		t.Fatal(len(codes), err)
	}
	for _, n := range []int{-1, 801} {
		if _, err := panel.Codes(n, panel.Seed{3}, codes[:100]); err == nil || !strings.Contains(err.Error(), "0 to 800 can be drawn when 100 are avoided") {
			t.Errorf("%d: %v", n, err)
		}
	}
}

// Which lot a code stands for is not said before every ballot is in.
func TestIdentityIsWithheldUntilAllIsIn(t *testing.T) {
	s, err := panel.Plan(setting(7))
	if err != nil {
		t.Fatal(err)
	}
	var ballots []panel.Ballot
	for _, v := range s.Servings {
		for i, c := range v.Codes {
			b := panel.Ballot{Assessor: v.Assessor, Code: c, Score: 80 + float64(i)}
			if v.Assessor == "Oren" && i == 1 {
				b.Score, b.Absent = 0, "cup spilled"
			}
			ballots = append(ballots, b)
		}
	}
	scores, err := s.Reveal(ballots)
	if err != nil || len(scores) != 15 {
		t.Fatal(scores, err)
	}
	for _, x := range scores {
		i := slices.IndexFunc(s.Cups, func(c panel.Cup) bool { return c.Lot == x.Lot && c.Copy == x.Copy })
		k := slices.IndexFunc(ballots, func(b panel.Ballot) bool { return b.Assessor == x.Assessor && b.Code == s.Cups[i].Code })
		if ballots[k].Score != x.Value {
			t.Errorf("%+v is of cup %+v, for which %+v was given", x, s.Cups[i], ballots[k])
		}
	}
	for says, with := range map[string][]panel.Ballot{
		"1 ballots are lacking (Tamsin for cup":      ballots[:15],
		"12 ballots are lacking (Ilka for cup":       ballots[:4],
		"Bastu has two ballots for cup":              append(slices.Clone(ballots), ballots[0]),
		"Zoe has a ballot for cup 111, which is not": append(slices.Clone(ballots), panel.Ballot{Assessor: "Zoe", Code: 111}),
		"16 ballots are lacking":                     nil,
	} {
		if scores, err := s.Reveal(with); err == nil || scores != nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, %v: want %q", err, scores, says)
		}
	}
}

func TestWhatCannotBeServedIsRefused(t *testing.T) {
	for says, change := range map[string]func(*panel.Setting){
		"no assessor is named":           func(s *panel.Setting) { s.Assessors = nil },
		"no lot is named":                func(s *panel.Setting) { s.Lots = nil },
		`assessor 2 is "Bastu"`:          func(s *panel.Setting) { s.Assessors[1] = "Bastu" },
		`lot 1 is ""`:                    func(s *panel.Setting) { s.Lots[0].Name = "" },
		"4 lots are to be served twice":  func(s *panel.Setting) { s.Doubles = 4 },
		"3 codes are given for 4 cups":   func(s *panel.Setting) { s.Labels = []panel.Code{101, 102, 103} },
		"code 102 is on two cups":        func(s *panel.Setting) { s.Labels = []panel.Code{101, 102, 102, 103} },
		"code 99 has not three digits":   func(s *panel.Setting) { s.Labels = []panel.Code{101, 102, 99, 103} },
		"code 103 is of another session": func(s *panel.Setting) { s.Labels, s.Avoid = []panel.Code{101, 102, 104, 103}, []panel.Code{103} },
		"0 to 2 can be drawn": func(s *panel.Setting) {
			for c := panel.Code(102); c <= 999; c++ {
				s.Avoid = append(s.Avoid, c)
			}
		},
	} {
		s := setting(1)
		change(&s)
		if _, err := panel.Plan(s); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v: want %q", err, says)
		}
	}
}
